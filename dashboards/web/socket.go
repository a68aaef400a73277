// SPDX-License-Identifier: Apache-2.0

package web

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"syscall"
	"time"
)

// SocketName is the daemon's Unix socket in the folder of its store, or in the
// one that systemd makes for it.
const SocketName = "control.sock"

// ServiceSocket is where the installed service listens: the command line looks
// there first.
const ServiceSocket = "/run/curewright/" + SocketName

// SocketHeader carries the path of the socket in a refusal to a program on
// this machine, so that the command line finds it by itself.
const SocketHeader = "Curewright-Socket"

// Peer is the process at the other end of the socket, as the kernel knows it.
type Peer struct {
	UID, GID uint32
	PID      int32
	Groups   []uint32 // supplementary ones; nil where the kernel does not tell
}

// mayControl reports whether a peer is root, the daemon's own user or, where
// gid is one of the service, in its group.
func (p Peer) mayControl(uid uint32, gid *uint32) bool {
	return p.UID == 0 || p.UID == uid || gid != nil && (p.GID == *gid || slices.Contains(p.Groups, *gid))
}

// ListenSocket makes the Unix socket at path and listens on it. A socket that a
// killed daemon left is replaced; one that answers, and anything that is not a
// socket, is an error. With group set the file's group may open it too, as
// the service's does; who asks is checked by the kernel's word in any case.
func ListenSocket(path string, group bool) (net.Listener, error) {
	fail := func(err error) (net.Listener, error) { return nil, fmt.Errorf("socket %s: %w", path, err) }
	at, done, err := shortPath(path)
	if err != nil {
		return fail(err)
	}
	defer done()
	switch fi, err := os.Lstat(path); {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return fail(err)
	case fi.Mode().Type() != fs.ModeSocket:
		return fail(errors.New("something that is no socket is there"))
	default:
		if c, err := net.DialTimeout("unix", at, time.Second); err == nil {
			c.Close()
			return fail(errors.New("a daemon answers there already"))
		}
		if err := os.Remove(path); err != nil {
			return fail(err)
		}
	}
	ln, err := net.ListenUnix("unix", &net.UnixAddr{Name: at, Net: "unix"})
	if err != nil {
		return fail(err)
	}
	// Removed by us below, by its own name and not by the short one.
	ln.SetUnlinkOnClose(false)
	mode := fs.FileMode(0o600)
	if group {
		mode = 0o660
	}
	if err := os.Chmod(path, mode); err != nil {
		ln.Close()
		return fail(err)
	}
	return &socket{UnixListener: ln, path: path}, nil
}

// socket removes its file when it is closed.
type socket struct {
	*net.UnixListener
	path string
}

func (s *socket) Close() error {
	err := s.UnixListener.Close()
	if rerr := os.Remove(s.path); err == nil && rerr != nil && !errors.Is(rerr, fs.ErrNotExist) {
		err = rerr
	}
	return err
}

// maxSocketPath is what the kernel takes as a socket's address (108 bytes with
// the ending zero on Linux; unix(7)).
const maxSocketPath = 107

// shortPath returns a name of path that fits a socket's address: long ones go
// by an open handle of their folder. done closes it.
func shortPath(path string) (short string, done func(), err error) {
	if len(path) <= maxSocketPath {
		return path, func() {}, nil
	}
	dir, err := os.OpenFile(filepath.Dir(path), syscall.O_DIRECTORY, 0)
	if err != nil {
		return "", nil, err
	}
	return "/proc/self/fd/" + strconv.Itoa(int(dir.Fd())) + "/" + filepath.Base(path), func() { dir.Close() }, nil
}

// DialSocket connects to a daemon's socket.
func DialSocket(ctx context.Context, path string) (net.Conn, error) {
	at, done, err := shortPath(path)
	if err != nil {
		return nil, err
	}
	defer done()
	var d net.Dialer
	return d.DialContext(ctx, "unix", at)
}

type peerKey struct{}

// onSocket reports whether a request came through the Unix socket, from
// somebody who may control. Nothing in the request itself can say so.
func onSocket(r *http.Request) bool {
	ok, _ := r.Context().Value(peerKey{}).(bool)
	return ok
}

// ServeSocket answers on the Unix socket until ctx ends, as [Server.Serve] does
// on an address: whoever may open it has the role control and is at the board.
// gid is the service's group, nil for none. It closes ln.
func (s *Server) ServeSocket(ctx context.Context, ln net.Listener, gid *uint32) error {
	hs := s.httpServer(ctx)
	uid := uint32(os.Geteuid())
	hs.ConnContext = func(ctx context.Context, c net.Conn) context.Context {
		k := ourConn(c)
		if k == nil {
			return ctx
		}
		u, ok := k.Conn.(*net.UnixConn)
		if !ok {
			return ctx
		}
		p, err := peerOf(u)
		if err != nil {
			s.complain("socket", err.Error())
			return ctx
		}
		return context.WithValue(ctx, peerKey{}, p.mayControl(uid, gid))
	}
	return s.serve(ctx, hs, newConns(ln, &s.refusals[refusedConns], nil), false)
}
