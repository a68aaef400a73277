// SPDX-License-Identifier: Apache-2.0

package web

import (
	"net"
	"strings"
	"sync/atomic"
	"time"
)

// Routes lists every route as "METHOD path", without the page's own files.
func Routes() []string {
	var out []string
	for _, r := range routeTable() {
		out = append(out, r.method+" "+r.path)
	}
	return out
}

// Families lists every metric as name, type, labels and help.
func Families() (out [][4]string) {
	for _, f := range families {
		out = append(out, [4]string{f.name, string(f.kind), strings.Join(f.labels, ", "), f.help})
	}
	return out
}

// Bounded are the labels that take one of a few words.
func Bounded() map[string][]string {
	m := map[string][]string{"window status": windowStat, "blush": blushBands, "probe state": probeTrbl, "unknown reason": unknowns, "band": bandWords[:], "reason": sortedKeys(reasons), "refused": refusalWords[:]}
	for _, s := range states {
		m["coat state"] = append(m["coat state"], string(s))
	}
	for _, s := range severities {
		m["severity"] = append(m["severity"], string(s))
	}
	return m
}

// CertificateStats is what the metrics say of the certificate.
func (s *Server) CertificateStats() (over uint64, end time.Time) {
	return s.cert.expired.Load(), s.cert.until()
}

// Assets lists the embedded files.
func (s *Server) Assets() []string { return sortedKeys(s.assets.files) }

// DecodeStrict is the decoder of every body.
var DecodeStrict = decodeStrict

// Limits that tests meet.
const (
	MaxBody        = maxBody
	MaxStreams     = maxStreams
	MaxStreamsEach = maxStreamsEach
	MaxOfOne       = maxOfOne
	MaxSeries      = maxSeries

	MaxConns     = maxConns
	MaxConnsEach = maxConnsEach
	MaxConnsNet  = maxConnsNet

	MaxConnsToken = maxConnsToken
)

// LimitConns bounds the connections of a listener.
func LimitConns(ln net.Listener, refused *atomic.Uint64) net.Listener {
	return newConns(ln, refused, nil)
}
