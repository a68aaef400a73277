// SPDX-License-Identifier: Apache-2.0

package web

import (
	"net"
	"sync/atomic"
)

// Routes lists every route as "METHOD path", without the page's own files.
func Routes() []string {
	var out []string
	for _, r := range routeTable() {
		out = append(out, r.method+" "+r.path)
	}
	return out
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
