// SPDX-License-Identifier: Apache-2.0

package web

import (
	"context"
	"net"
	"net/http"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"
)

// Bounds of open connections.
const (
	maxConns      = 256 // from this board, and as many from elsewhere, and as many of declared proxies
	maxConnsEach  = 64  // from one address elsewhere
	maxConnsNet   = 192 // from one 64-bit IPv6 network, which one machine may have or a whole shed
	maxConnsToken = 32  // of one log-in; more than a browser and its pages ever hold
)

// conns bounds the open connections of a listener: so many from this board
// itself, so many from elsewhere, and fewer from any one address or network
// elsewhere. The board's own share is apart, so that nobody outside can lock
// its command line out. Where the share of all is used up a newcomer takes the
// place of a stranger, a connection on which nobody has logged in: the oldest
// one of the network that holds most. So idle connections keep no phone out,
// and paired phones go last.
type conns struct {
	net.Listener
	refused *atomic.Uint64
	proxy   func(netip.Addr) bool // nil for none

	mu   sync.Mutex
	by   map[string]int // open connections by address and network; "" all from elsewhere
	open map[*conn]bool
}

func newConns(ln net.Listener, refused *atomic.Uint64, proxy func(netip.Addr) bool) *conns {
	return &conns{Listener: ln, refused: refused, proxy: proxy, by: map[string]int{}, open: map[*conn]bool{}}
}

// conn is one open connection and what is known of who holds it. The fields
// after of are guarded by of.mu.
type conn struct {
	net.Conn
	of     *conns
	shares []share

	since time.Time // accepted, or idle since
	busy  bool      // a request is being answered
	token string    // hash of the log-in it carried, "" for a stranger
	gone  bool
}

const (
	ownConns   = "this board"
	proxyConns = "proxies"
)

func (l *conns) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		k := &conn{Conn: c, of: l, shares: l.sharesOf(c), since: time.Now()}
		evicted, ok := l.enter(k)
		if evicted != nil {
			l.refused.Add(1)
			evicted.Conn.Close()
		}
		if !ok {
			l.refused.Add(1)
			c.Close()
			continue
		}
		return k, nil
	}
}

// share is one of the bounds that a connection counts under.
type share struct {
	who  string
	most int
}

func (l *conns) sharesOf(c net.Conn) []share {
	if _, ok := c.RemoteAddr().(*net.UnixAddr); ok {
		return []share{{ownConns, maxConns}}
	}
	there := c.RemoteAddr().String()
	if ap, err := netip.ParseAddrPort(there); err == nil && l.proxy != nil && l.proxy(ap.Addr()) {
		return []share{{proxyConns, maxConns}}
	}
	// No other machine gets answers under an address of the board's own.
	addr, network := addrAndNetwork(there)
	if here, _ := addrAndNetwork(c.LocalAddr().String()); loopback(there) || here == addr {
		return []share{{ownConns, maxConns}}
	}
	shares := []share{{"", maxConns}, {addr, maxConnsEach}}
	if network != addr {
		shares = append(shares, share{network, maxConnsNet})
	}
	return shares
}

// enter counts a connection, for which another may have to go.
func (l *conns) enter(k *conn) (evicted *conn, ok bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, s := range k.shares[1:] {
		if l.by[s.who] >= s.most {
			return nil, false
		}
	}
	if all := k.shares[0]; l.by[all.who] >= all.most {
		if evicted = l.stranger(all.who); evicted == nil {
			return nil, false
		}
		l.leave(evicted)
	}
	for _, s := range k.shares {
		l.by[s.who]++
	}
	l.open[k] = true
	return evicted, true
}

// stranger is who goes first where a share is used up: of the connections
// without a log-in the oldest one of the network that holds most, idle ones
// before those that ask for something. nil where everybody has logged in.
func (l *conns) stranger(all string) *conn {
	held := map[string]int{}
	network := func(c *conn) string { return c.shares[len(c.shares)-1].who }
	for c := range l.open {
		if c.shares[0].who == all && c.token == "" {
			held[network(c)]++
		}
	}
	sooner := func(a, b *conn) bool {
		switch more := held[network(a)] - held[network(b)]; {
		case more != 0:
			return more > 0
		case a.busy != b.busy:
			return b.busy
		}
		return a.since.Before(b.since)
	}
	var worst *conn
	for c := range l.open {
		if c.shares[0].who == all && c.token == "" && (worst == nil || sooner(c, worst)) {
			worst = c
		}
	}
	return worst
}

func (l *conns) leave(k *conn) {
	if k.gone {
		return
	}
	k.gone = true
	delete(l.open, k)
	for _, s := range k.shares {
		if l.by[s.who]--; l.by[s.who] == 0 {
			delete(l.by, s.who)
		}
	}
}

func (c *conn) Close() error {
	c.of.mu.Lock()
	c.of.leave(c)
	c.of.mu.Unlock()
	return c.Conn.Close()
}

// ourConn is the connection as we count it, below TLS; nil for none of ours.
func ourConn(c net.Conn) *conn {
	if t, ok := c.(interface{ NetConn() net.Conn }); ok {
		c = t.NetConn()
	}
	k, _ := c.(*conn)
	return k
}

// noteState is [http.Server.ConnState].
func noteState(c net.Conn, st http.ConnState) {
	k := ourConn(c)
	if k == nil {
		return
	}
	k.of.mu.Lock()
	defer k.of.mu.Unlock()
	switch st {
	case http.StateActive:
		k.busy = true
	case http.StateIdle:
		k.busy, k.since = false, time.Now()
	}
}

type connKey struct{}

func withConn(ctx context.Context, c net.Conn) context.Context {
	return context.WithValue(ctx, connKey{}, ourConn(c))
}

// claim notes whose connection it is. Where the log-in then holds more than
// its share, the oldest idle one of them is closed, or this one after its
// answer. Declared proxies carry many log-ins on one connection, so theirs
// stay strangers' and are bounded by their own share.
func claim(w http.ResponseWriter, r *http.Request, token string) {
	k, _ := r.Context().Value(connKey{}).(*conn)
	if k == nil || k.shares[0].who == proxyConns {
		return
	}
	l := k.of
	l.mu.Lock()
	if k.token == token {
		l.mu.Unlock()
		return
	}
	k.token = token
	n := 0
	var oldest *conn
	for c := range l.open {
		if c.token != token {
			continue
		}
		n++
		if c != k && !c.busy && (oldest == nil || c.since.Before(oldest.since)) {
			oldest = c
		}
	}
	over := n > maxConnsToken
	if over && oldest != nil {
		l.leave(oldest)
	}
	l.mu.Unlock()
	switch {
	case over && oldest != nil:
		l.refused.Add(1)
		oldest.Conn.Close()
	case over:
		w.Header().Set("Connection", "close")
	}
}
