// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"context"
	"net"
	"testing"
	"time"

	"golang.org/x/net/dns/dnsmessage"
)

// responder answers on loopback as a board's mDNS does, after a packet that is
// nonsense and an answer about somebody else.
func responder(t *testing.T, name string, ip [4]byte) string {
	t.Helper()
	conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	go func() {
		buf := make([]byte, 9000)
		for {
			n, from, err := conn.ReadFromUDP(buf)
			if err != nil {
				return
			}
			var q dnsmessage.Message
			if q.Unpack(buf[:n]) != nil || len(q.Questions) != 2 {
				continue
			}
			conn.WriteToUDP([]byte("nonsense"), from)
			for _, who := range []string{"other.local.", name} {
				a := dnsmessage.Message{Header: dnsmessage.Header{Response: true, Authoritative: true}}
				if who == name && q.Questions[0].Name.String() != name {
					continue // not ours to answer
				}
				a.Answers = []dnsmessage.Resource{{Header: dnsmessage.ResourceHeader{Name: dnsmessage.MustNewName(who), Type: dnsmessage.TypeA, Class: dnsmessage.ClassINET, TTL: 120},
					Body: &dnsmessage.AResource{A: ip}}}
				if b, err := a.Pack(); err == nil {
					conn.WriteToUDP(b, from)
				}
			}
		}
	}()
	return conn.LocalAddr().String()
}

func TestAskMulticast(t *testing.T) {
	at := responder(t, "shed.local.", [4]byte{192, 0, 2, 7})
	got, err := askMulticast(t.Context(), "shed.local", at)
	if err != nil || len(got) != 1 || got[0] != "192.0.2.7" {
		t.Errorf("shed.local: %v, %v", got, err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if got, err := askMulticast(ctx, "nobody.local", at); err == nil || got != nil {
		t.Errorf("nobody.local: %v, %v", got, err)
	}
}

// A name goes onto the screen only when it leads to this very board.
func TestReachable(t *testing.T) {
	own := []string{"fd00::7", "192.0.2.7"}
	for _, c := range []struct {
		name  string
		found []string
		own   []string
		want  string
	}{
		{"shed", []string{"192.0.2.7"}, own, "shed.local"},
		{"shed", []string{"192.0.2.9"}, own, "192.0.2.7"}, // another board answers to it
		{"shed", nil, own, "192.0.2.7"},
		{"(none)", []string{"192.0.2.7"}, own, "192.0.2.7"},
		{"", nil, own, "192.0.2.7"},
		{"shed.example.org", []string{"fd00::7"}, own, "shed.example.org"},
		{"shed", nil, []string{"fd00::7"}, "fd00::7"},
		{"shed", []string{"127.0.1.1"}, nil, ""}, // no network at all
	} {
		asked := ""
		got := reachable(t.Context(), c.name, c.own, func(_ context.Context, n string) []string { asked = n; return c.found })
		if got != c.want {
			t.Errorf("%q, found %v, own %v: %q, want %q (asked for %q)", c.name, c.found, c.own, got, c.want, asked)
		}
	}
}
