// SPDX-License-Identifier: Apache-2.0

package web

import (
	"context"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"
)

// CookieName is the cookie that pairing sets.
const CookieName = "curewright"

type whoKey struct{}

// whoOf returns who made the request; the gate has put it there.
func whoOf(r *http.Request) Who {
	w, _ := r.Context().Value(whoKey{}).(Who)
	return w
}

// allows reports whether a token of role have may do what needs need.
func allows(have, need Role) bool {
	switch need {
	case "":
		return true
	case Look:
		return have == Look || have == Record || have == Control
	case Push:
		return have == Push || have == Record || have == Control
	case Record:
		return have == Record || have == Control
	case Control:
		return have == Control
	}
	return false
}

// Words under which refusals are counted.
var refusalWords = [...]string{"host", "origin", "login", "role", "tries", "connections"}

const (
	refusedHost = iota
	refusedOrigin
	refusedLogin
	refusedRole
	refusedTries
	refusedConns
)

// gate decides, in this order: is the Host ours, is the page that asks ours,
// who is it, may they.
func (s *Server) gate(rt route, next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		refuse := func(why, code int, field, what string) {
			s.refusals[why].Add(1)
			s.fail(w, r, code, field, what)
		}
		// A probe of life from a watchdog or a load balancer names no host of
		// ours and learns nothing.
		if rt.path == "/healthz" {
			next(w, r)
			return
		}
		if !s.hostOurs(r) {
			refuse(refusedHost, http.StatusForbidden, "Host",
				short(r.Host)+" is not a name of this board; add it to [web] hosts")
			return
		}
		changes := r.Method != http.MethodGet && r.Method != http.MethodHead
		if what := foreign(r, changes); what != "" {
			refuse(refusedOrigin, http.StatusForbidden, "Origin", what)
			return
		}
		if rt.role == "" {
			next(w, r)
			return
		}
		who, token, cookie, ok := s.whoIs(r)
		if !ok {
			what := "log in: get a code with `curewright pair` on the board"
			if token != "" {
				what = "this log-in is not known any more; pair again"
			}
			s.refusals[refusedLogin].Add(1)
			if token == "" {
				s.tellSocket(w, r)
			}
			if rt.path == home {
				s.assets.serve(w, r, "index.html", http.StatusUnauthorized)
				return
			}
			w.Header().Set("WWW-Authenticate", `Bearer realm="curewright"`)
			s.fail(w, r, http.StatusUnauthorized, "", what)
			return
		}
		// A browser adds the cookie to whatever any page makes it send;
		// only our own page can prove that it asked.
		if changes && cookie && r.Header.Get("Origin") == "" && r.Header.Get("Sec-Fetch-Site") != "same-origin" {
			refuse(refusedOrigin, http.StatusForbidden, "Origin", "missing: a change made with a cookie must come from our own page")
			return
		}
		if token != "" {
			claim(w, r, who.ID)
		}
		if !allows(who.Role, rt.role) {
			what := "this log-in may " + may(who.Role) + ", not " + may(rt.role)
			if token == "" {
				what = "without a log-in this board may " + may(who.Role) + "; to " + may(rt.role) +
					", use the command line as root, as the daemon's user or in its group, or a log-in with the role " + string(rt.role)
				s.tellSocket(w, r)
			}
			refuse(refusedRole, http.StatusForbidden, "", what)
			return
		}
		next(w, r.WithContext(context.WithValue(r.Context(), whoKey{}, who)))
	}
}

func may(r Role) string {
	switch r {
	case Look:
		return "look"
	case Push:
		return "push readings"
	case Record:
		return "record work"
	case Control:
		return "control the tent and log-ins"
	}
	return "do nothing"
}

// whoIs finds who made a request and by what: the Unix socket, a token, or no
// log-in at all from this machine. token is what was shown, "" for none, and
// cookie says that a browser showed it by itself.
func (s *Server) whoIs(r *http.Request) (who Who, token string, cookie, ok bool) {
	if onSocket(r) {
		return Who{Name: "board", Role: Control, Board: true}, "", false, true
	}
	local := s.local(r)
	token, cookie = tokenOf(r)
	if token != "" {
		who, ok = s.b.Authenticate(r.Context(), token)
		if who.ID == "" {
			who.ID = tokenID(token)
		}
		// The cookie of a log-in that is over, or that may less than this
		// machine without one, does not shut the board's own browser out.
		if !(local && cookie && (!ok || !allows(who.Role, s.cfg.LoopbackRole))) {
			return who, token, cookie, ok
		}
	}
	if local {
		return Who{Name: "loopback", Role: s.cfg.LoopbackRole}, "", false, true
	}
	return Who{}, token, cookie, false
}

// tellSocket says in a refusal where the socket is, to programs on this
// machine.
func (s *Server) tellSocket(w http.ResponseWriter, r *http.Request) {
	if s.cfg.Socket != "" && loopback(r.RemoteAddr) {
		w.Header().Set(SocketHeader, s.cfg.Socket)
	}
}

// proxy reports whether an address is a declared proxy's.
func (s *Server) proxy(a netip.Addr) bool {
	a = a.Unmap().WithZone("")
	return slices.ContainsFunc(s.proxies, func(p netip.Prefix) bool { return p.Contains(a) })
}

// byProxy reports whether a declared proxy passed the request on.
func (s *Server) byProxy(r *http.Request) bool {
	ap, err := netip.ParseAddrPort(r.RemoteAddr)
	return err == nil && s.proxy(ap.Addr())
}

// clientOf is the address that guesses and work are counted under: the
// connection's, or behind declared proxies the last one in X-Forwarded-For
// that is no proxy. What stands before it in the header anybody can write.
func (s *Server) clientOf(r *http.Request) string {
	if !s.byProxy(r) {
		return r.RemoteAddr
	}
	list := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for _, v := range slices.Backward(list) {
		a, err := netip.ParseAddr(strings.TrimSpace(v))
		if err != nil {
			break
		}
		if !s.proxy(a) {
			return netip.AddrPortFrom(a.Unmap().WithZone(""), 0).String()
		}
	}
	return r.RemoteAddr
}

// local reports whether the request is of this machine and needs no log-in to
// look and to record: both ends of the connection are loopback, the name asked
// for is loopback too, and no proxy, declared or by its headers, passed the
// request on. An undeclared proxy on this board that hides itself makes every
// stranger look like this, which is why control is never given here.
func (s *Server) local(r *http.Request) bool {
	addr, _ := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if addr == nil || !loopback(addr.String()) || !loopback(r.RemoteAddr) || s.byProxy(r) {
		return false
	}
	for _, h := range []string{"Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-Ip", "Via"} {
		if _, ok := r.Header[h]; ok {
			return false
		}
	}
	name, ok := hostOf(r.Host)
	if !ok {
		return false
	}
	if name == "localhost" {
		return true
	}
	ip, err := netip.ParseAddr(name)
	return err == nil && ip.Unmap().IsLoopback()
}

func loopback(hostport string) bool {
	ap, err := netip.ParseAddrPort(hostport)
	return err == nil && ap.Addr().Unmap().IsLoopback()
}

// hostOurs reports whether the Host header names this board. A page elsewhere
// can point its own name at our address (DNS rebinding), but it cannot make a
// browser send one of our names or a bare address.
func (s *Server) hostOurs(r *http.Request) bool {
	if a, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr); ok && a.Network() == "unix" {
		return true // no browser opens it
	}
	name, ok := hostOf(r.Host)
	if !ok {
		return false
	}
	if s.hosts[name] {
		return true
	}
	ip, err := netip.ParseAddr(name)
	if err != nil {
		return false
	}
	ip = ip.Unmap().WithZone("")
	if ip.IsLoopback() {
		return true
	}
	addr, _ := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if addr != nil {
		if ap, err := netip.ParseAddrPort(addr.String()); err == nil && ap.Addr().Unmap().WithZone("") == ip {
			return true
		}
	}
	host, _, _ := net.SplitHostPort(s.cfg.Listen)
	listen, err := netip.ParseAddr(host)
	return err == nil && !listen.IsUnspecified() && listen.Unmap() == ip
}

// hostOf returns the lower-case name of a Host header, without port.
func hostOf(host string) (string, bool) {
	if host == "" || strings.ContainsAny(host, "/\\@?#% \t") {
		return "", false
	}
	name := host
	if h, port, err := net.SplitHostPort(host); err == nil {
		if port == "" || strings.Trim(port, "0123456789") != "" {
			return "", false
		}
		name = h
	} else if strings.HasPrefix(host, "[") && strings.HasSuffix(host, "]") {
		name = host[1 : len(host)-1]
	} else if strings.Contains(host, ":") {
		return "", false
	}
	// Brackets hold an IPv6 address and nothing else (RFC 3986 §3.2.2).
	if strings.HasPrefix(host, "[") {
		if ip, err := netip.ParseAddr(name); err != nil || !ip.Is6() {
			return "", false
		}
	}
	return strings.ToLower(strings.TrimSuffix(name, ".")), true
}

// foreign says in what way a request shows that another page made it, or "".
func foreign(r *http.Request, changes bool) string {
	if origins, ok := r.Header["Origin"]; ok {
		scheme := "http"
		if r.TLS != nil {
			scheme = "https"
		}
		if len(origins) != 1 {
			return "given twice"
		}
		u, err := url.Parse(origins[0])
		// Behind a proxy that ends TLS the page's scheme is https and ours is
		// not; the name and port still have to be the ones asked for.
		if err != nil || u.Host == "" || u.User != nil || u.Path != "" ||
			!strings.EqualFold(u.Host, r.Host) || (u.Scheme != scheme && u.Scheme != "https") {
			return short(origins[0]) + " is not this board's own page"
		}
	}
	switch site := r.Header.Get("Sec-Fetch-Site"); site {
	case "", "same-origin", "none":
	default:
		// Following a link to the page is harmless; anything else from
		// another site or another port of this board is not.
		if changes || r.Header.Get("Sec-Fetch-Mode") != "navigate" || r.Header.Get("Sec-Fetch-Dest") != "document" {
			return "asked by a page of another site"
		}
	}
	return ""
}

// tokenOf returns the token of a request and whether it came as a cookie.
func tokenOf(r *http.Request) (token string, cookie bool) {
	if h := r.Header.Get("Authorization"); h != "" {
		if len(h) > 7 && strings.EqualFold(h[:7], "bearer ") {
			return strings.TrimSpace(h[7:]), false
		}
		return "", false
	}
	if c, err := r.Cookie(CookieName); err == nil {
		return c.Value, true
	}
	return "", false
}

// addrAndNetwork returns the address that a request comes from and the network that
// its sender may have all addresses of: the 64-bit one of an IPv6 address, and
// for IPv4 the address itself.
func addrAndNetwork(hostport string) (addr, network string) {
	ap, err := netip.ParseAddrPort(hostport)
	if err != nil {
		return hostport, hostport
	}
	a := ap.Addr().Unmap().WithZone("")
	if a.Is6() {
		p, _ := a.Prefix(64) // 64 fits every IPv6 address
		return a.String(), p.String()
	}
	return a.String(), a.String()
}

// limiter allows each address some tries a minute, each network more and
// everybody together more still, in fixed minutes. All phones of a shed are of
// one IPv6 network: one of them must not use up what the others have. Its
// memory is bounded: the overall limit is reached before the maps grow.
type limiter struct {
	each, net, all int

	mu    sync.Mutex
	start time.Time
	total int
	by    map[string]int
	nets  map[string]int
}

// newLimiter bounds guesses. The numbers are reckoned in SECURITY.md.
func newLimiter() *limiter { return &limiter{each: 5, net: 60, all: 300} }

// take spends one try; where there is none left it returns how long to wait.
func (l *limiter) take(hostport string, now time.Time) (wait time.Duration, ok bool) {
	addr, network := addrAndNetwork(hostport)
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.by == nil || now.Sub(l.start) >= time.Minute {
		l.start, l.total, l.by, l.nets = now, 0, map[string]int{}, map[string]int{}
	}
	if l.total >= l.all || l.by[addr] >= l.each || l.nets[network] >= l.net {
		return l.start.Add(time.Minute).Sub(now), false
	}
	l.total++
	l.by[addr]++
	l.nets[network]++
	return 0, true
}
