// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"context"
	"fmt"
	"net"
	"strings"
	"time"

	"golang.org/x/net/dns/dnsmessage"
)

// mdnsGroup is where multicast DNS is asked (RFC 6762, section 3).
const mdnsGroup = "224.0.0.251:5353"

// askMulticast asks once for a name's IPv4 and IPv6 addresses from a port of its
// own, so that answers come straight back (RFC 6762, section 5.1), and returns
// those of the first answer; none when nobody answers before ctx ends.
func askMulticast(ctx context.Context, name, group string) ([]string, error) {
	host, err := dnsmessage.NewName(strings.TrimSuffix(name, ".") + ".")
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	q := dnsmessage.Message{}
	for _, t := range []dnsmessage.Type{dnsmessage.TypeA, dnsmessage.TypeAAAA} {
		q.Questions = append(q.Questions, dnsmessage.Question{Name: host, Type: t, Class: dnsmessage.ClassINET})
	}
	packet, err := q.Pack()
	if err != nil {
		return nil, err
	}
	to, err := net.ResolveUDPAddr("udp4", group)
	if err != nil {
		return nil, err
	}
	conn, err := net.ListenUDP("udp4", nil)
	if err != nil {
		return nil, err
	}
	defer conn.Close()
	stop := context.AfterFunc(ctx, func() { conn.SetReadDeadline(time.Unix(1, 0)) })
	defer stop()
	if _, err := conn.WriteToUDP(packet, to); err != nil {
		return nil, err
	}
	buf := make([]byte, 9000) // the most that multicast DNS sends, section 17
	for {
		n, _, err := conn.ReadFromUDP(buf)
		if err != nil {
			return nil, err
		}
		var m dnsmessage.Message
		if m.Unpack(buf[:n]) != nil || !m.Response {
			continue // not an answer, or not one that can be read
		}
		var found []string
		for _, r := range m.Answers {
			if !strings.EqualFold(r.Header.Name.String(), host.String()) {
				continue
			}
			switch b := r.Body.(type) {
			case *dnsmessage.AResource:
				found = append(found, net.IP(b.A[:]).String())
			case *dnsmessage.AAAAResource:
				found = append(found, net.IP(b.AAAA[:]).String())
			}
		}
		if len(found) > 0 {
			return found, nil
		}
	}
}
