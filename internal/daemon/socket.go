// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"

	"curewright/dashboards/web"
)

// SocketPath is where the daemon's Unix socket is: what the file says, the
// folder that systemd made for the service, else the store's own.
func SocketPath(cfg Config) (path string, service bool) {
	dir, _, _ := strings.Cut(os.Getenv("RUNTIME_DIRECTORY"), ":")
	switch {
	case cfg.Web.Socket != "":
		return cfg.Web.Socket, dir != "" && strings.HasPrefix(cfg.Web.Socket, dir+"/")
	case dir != "":
		return filepath.Join(dir, web.SocketName), true
	}
	path = filepath.Join(cfg.Store.Path, web.SocketName)
	if abs, err := filepath.Abs(path); err == nil {
		path = abs
	}
	return path, false
}

// openSocket makes the socket. If that fails the daemon runs without it: actions with
// the role control then need a log-in with that role.
func openSocket(cfg Config, log *slog.Logger) (ln net.Listener, path string, gid *uint32) {
	path, service := SocketPath(cfg)
	if service {
		// The service's group is its own; anybody else's first group may be
		// one that many people are in.
		g := uint32(os.Getegid())
		gid = &g
	}
	ln, err := web.ListenSocket(path, gid != nil)
	if err != nil {
		log.Error("no socket for control at the board: codes, log-ins, copies and the tent need a log-in with the role control", "err", err)
		return nil, "", nil
	}
	return ln, path, gid
}
