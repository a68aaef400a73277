// SPDX-License-Identifier: Apache-2.0

package web

import (
	"net"
	"unsafe"

	"golang.org/x/sys/unix"
)

// peerOf asks the kernel who opened the connection (SO_PEERCRED and
// SO_PEERGROUPS, unix(7) and socket(7)).
func peerOf(c *net.UnixConn) (Peer, error) {
	raw, err := c.SyscallConn()
	if err != nil {
		return Peer{}, err
	}
	var p Peer
	var perr error
	if err := raw.Control(func(fd uintptr) {
		u, err := unix.GetsockoptUcred(int(fd), unix.SOL_SOCKET, unix.SO_PEERCRED)
		if err != nil {
			perr = err
			return
		}
		p = Peer{UID: u.Uid, GID: u.Gid, PID: u.Pid, Groups: peerGroups(fd)}
	}); err != nil {
		return Peer{}, err
	}
	return p, perr
}

// peerGroups returns nil where the kernel is too old to say; then the first
// group alone counts.
func peerGroups(fd uintptr) []uint32 {
	groups := make([]uint32, 1024)
	n := uint32(len(groups) * 4)
	if _, _, e := unix.Syscall6(unix.SYS_GETSOCKOPT, fd, unix.SOL_SOCKET, unix.SO_PEERGROUPS,
		uintptr(unsafe.Pointer(&groups[0])), uintptr(unsafe.Pointer(&n)), 0); e != 0 {
		return nil
	}
	return groups[:n/4]
}
