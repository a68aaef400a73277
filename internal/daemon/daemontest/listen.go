// SPDX-License-Identifier: Apache-2.0

package daemontest

import (
	"net"
	"testing"

	"curewright/internal/testkit"
)

// Board and Phone are the addresses that [ListenAsBoard] claims, of a network
// kept for documentation (RFC 5737).
var (
	Board = net.IPv4(192, 0, 2, 1)
	Phone = net.IPv4(192, 0, 2, 77)
)

// ListenAsBoard listens on loopback and says of every connection that it came
// from another host to the board's own address, so that a test meets the
// log-in gate without a packet leaving this machine.
func ListenAsBoard(t testing.TB) net.Listener {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	testkit.OK(t, err)
	return asBoard{ln}
}

type asBoard struct{ net.Listener }

func (l asBoard) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return boardConn{c}, nil
}

type boardConn struct{ net.Conn }

func (c boardConn) LocalAddr() net.Addr  { return claim(Board, c.Conn.LocalAddr()) }
func (c boardConn) RemoteAddr() net.Addr { return claim(Phone, c.Conn.RemoteAddr()) }

func claim(ip net.IP, a net.Addr) net.Addr {
	port := 0
	if t, ok := a.(*net.TCPAddr); ok {
		port = t.Port
	}
	return &net.TCPAddr{IP: ip, Port: port}
}
