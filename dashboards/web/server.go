// SPDX-License-Identifier: Apache-2.0

package web

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"os"
	"runtime/debug"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// Limits on what one client may take. They are generous for a phone and a
// scraper, and small enough that a stranger cannot fill a 512 MB board.
const (
	maxHeaderBytes = 16 << 10
	maxBody        = 256 << 10
	maxPushBody    = 4 << 20          // 10,000 readings and room
	maxStreams     = 64               // event streams
	maxStreamsEach = 8                // of one log-in; the browser's own limit is six
	streamTimeout  = 10 * time.Second // of one step of an event stream
	readTimeout    = 20 * time.Second
	headerTimeout  = 5 * time.Second
	writeTimeout   = 30 * time.Second // of one answer, or one step of a stream
	idleTimeout    = 75 * time.Second
	stopTimeout    = 2 * time.Second
)

// Config is what a [Server] is made from.
type Config struct {
	ConfigSection
	// HostName is the board's own name; "" asks the system.
	HostName string
	Version  string // for build_info and pages
	Revision string
	Log      *slog.Logger  // nil throws logs away
	Beat     time.Duration // of the event stream's heartbeat; at most 15 s, which 0 means too
	// LoopbackRole is what a request from this machine may without a log-in, ""
	// for [Record]. The demo, which holds no real heater, sets [Control].
	LoopbackRole Role
	// Socket is the path of the daemon's Unix socket as refusals tell it to
	// programs on this machine; "" for none.
	Socket string
}

// Server serves the dashboard. Make one with [New].
type Server struct {
	cfg     Config
	b       Backend
	log     *slog.Logger
	cert    *certificate
	hosts   map[string]bool
	proxies []netip.Prefix
	mux     *http.ServeMux
	routes  []route
	handler http.Handler
	assets  *assets
	metrics http.Handler
	redeem  *limiter // of pairing codes
	links   *limiter // of acknowledge links
	compute *queue   // plans, fits, cups
	pour    *queue   // readings, records, copies
	pages   *pages   // open event streams

	addr        atomic.Pointer[string] // served
	streams     atomic.Int64
	streamsLost atomic.Uint64
	took        Durations
	answers     [6]atomic.Uint64 // by hundreds
	refusals    [len(refusalWords)]atomic.Uint64
	pushTaken   atomic.Uint64
	pushRefused atomic.Uint64

	logMu   sync.Mutex
	logSeen map[string]logged
}

type logged struct {
	at     time.Time
	missed int
}

// New returns a server of the backend. It reads the certificate, so that a
// missing file stops the start; all faults come back joined.
func New(cfg Config, b Backend) (*Server, error) {
	if cfg.Listen == "" {
		cfg.Listen = DefaultListen
	}
	errs := cfg.ConfigSection.Check()
	s := &Server{cfg: cfg, b: b, log: cfg.Log, logSeen: map[string]logged{}, redeem: newLimiter(), links: newLimiter(),
		compute: newQueue(computeSlots), pour: newQueue(streamSlots), pages: newPages()}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	// Under HTTP/2 a write deadline that passes ends the stream even when
	// nothing is being written, so a heartbeat has to come before it.
	if s.cfg.Beat <= 0 || s.cfg.Beat > writeTimeout/2 {
		s.cfg.Beat = writeTimeout / 2
	}
	if len(errs) == 0 && cfg.TLSCert != "" {
		cert, err := newCertificate(cfg.TLSCert, cfg.TLSKey)
		if err != nil {
			errs = append(errs, err)
		}
		if cert != nil {
			cert.say = func(what, why string) { s.complain(what, why) }
		}
		s.cert = cert
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	s.hosts = hostNames(cfg)
	for _, p := range cfg.Proxies {
		if n, err := proxyNet(p); err == nil { // checked above
			s.proxies = append(s.proxies, n)
		}
	}
	if s.cfg.LoopbackRole == "" {
		s.cfg.LoopbackRole = Record
	}
	s.assets = newAssets()
	s.metrics = s.newMetrics()
	s.mount()
	return s, nil
}

// hostNames returns the names a request may ask for beside addresses.
func hostNames(cfg Config) map[string]bool {
	m := map[string]bool{"localhost": true}
	name := cfg.HostName
	if name == "" {
		name, _ = os.Hostname() // without one, addresses and [web] hosts remain
	}
	if name = strings.ToLower(strings.TrimSuffix(name, ".")); name != "" {
		first, _, _ := strings.Cut(name, ".")
		m[name], m[first], m[first+".local"] = true, true, true
	}
	for _, h := range cfg.Hosts {
		m[strings.ToLower(strings.TrimSuffix(h, "."))] = true
	}
	return m
}

// Handler returns everything served, gate included. A request that did not
// come through an [http.Server], and so carries no local address, counts as
// one from elsewhere.
func (s *Server) Handler() http.Handler { return s.handler }

// Serve answers on ln until ctx ends, then closes event streams, lets running
// requests finish for up to 2 s and returns nil. It closes ln.
func (s *Server) Serve(ctx context.Context, ln net.Listener) error {
	addr := ln.Addr().String()
	s.addr.Store(&addr)
	return s.serve(ctx, s.httpServer(ctx), newConns(ln, &s.refusals[refusedConns], s.proxy), s.cert != nil)
}

// listens is the address served, with the port that was found for port 0.
func (s *Server) listens() string {
	if a := s.addr.Load(); a != nil {
		return *a
	}
	return s.cfg.Listen
}

func (s *Server) httpServer(ctx context.Context) *http.Server {
	// A running change must be finished and answered, so requests do not end
	// with ctx; event streams, which would hold the stop up, look at stopKey.
	base := context.WithValue(context.WithoutCancel(ctx), stopKey{}, ctx.Done())
	return &http.Server{
		Handler:           s.handler,
		ReadHeaderTimeout: headerTimeout,
		ReadTimeout:       readTimeout,
		WriteTimeout:      writeTimeout,
		IdleTimeout:       idleTimeout,
		MaxHeaderBytes:    maxHeaderBytes,
		BaseContext:       func(net.Listener) context.Context { return base },
		ConnContext:       withConn,
		ConnState:         noteState,
		ErrorLog:          slog.NewLogLogger(quiet{s.log.Handler()}, slog.LevelDebug),
	}
}

func (s *Server) serve(ctx context.Context, hs *http.Server, ln net.Listener, secure bool) error {
	done := make(chan error, 1)
	go func() {
		if secure {
			hs.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: s.cert.get}
			done <- hs.ServeTLS(ln, "", "")
			return
		}
		done <- hs.Serve(ln)
	}()
	select {
	case err := <-done:
		return fmt.Errorf("serve %s: %w", ln.Addr(), err)
	case <-ctx.Done():
	}
	stop, release := context.WithTimeout(context.WithoutCancel(ctx), stopTimeout)
	defer release()
	if err := hs.Shutdown(stop); err != nil {
		hs.Close()
	}
	<-done
	return nil
}

type stopKey struct{}

// stopping returns a channel that is closed when the server is to stop; nil,
// which blocks for ever, outside [Server.Serve].
func stopping(r *http.Request) <-chan struct{} {
	ch, _ := r.Context().Value(stopKey{}).(<-chan struct{})
	return ch
}

// quiet keeps net/http's chatter about broken handshakes at debug level.
type quiet struct{ slog.Handler }

// wrap is the outermost layer: headers, panics, counting.
func (s *Server) wrap(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", contentPolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		// Not "no-referrer": under it a browser sends "Origin: null" with a
		// form, and the Origin check could not tell our page from another.
		// Nothing is sent to other sites either way.
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
		h.Set("Cache-Control", "no-store")
		rec := &recorder{ResponseWriter: w}
		began := time.Now()
		defer func() {
			p := recover()
			if p != nil && p != http.ErrAbortHandler {
				// The route and not the path: a path can hold an acknowledge
				// link's token.
				s.complain("panic", fmt.Sprint(p), "route", r.Pattern, "stack", string(debug.Stack()))
				if !rec.wrote {
					s.fail(rec, r, http.StatusInternalServerError, "", "something broke here; it is in the log")
				}
			}
			if n := rec.code / 100; n > 0 && n < len(s.answers) {
				s.answers[n].Add(1)
				if !strings.HasSuffix(r.Pattern, "/events") && !strings.HasSuffix(r.Pattern, "/backup") {
					s.took.Observe(time.Since(began).Seconds())
				}
			}
			if p == http.ErrAbortHandler {
				panic(p)
			}
		}()
		next.ServeHTTP(rec, r)
	})
}

const contentPolicy = "default-src 'self'; base-uri 'none'; object-src 'none'; frame-ancestors 'none'; form-action 'self'"

type recorder struct {
	http.ResponseWriter
	code  int
	wrote bool
}

func (r *recorder) WriteHeader(code int) {
	if !r.wrote {
		r.code, r.wrote = code, true
	}
	r.ResponseWriter.WriteHeader(code)
}

func (r *recorder) Write(b []byte) (int, error) {
	if !r.wrote {
		r.code, r.wrote = http.StatusOK, true
	}
	return r.ResponseWriter.Write(b)
}

func (r *recorder) Unwrap() http.ResponseWriter { return r.ResponseWriter }

// complain logs an error at most every 30 s for the same text, with the
// number held back.
func (s *Server) complain(what, text string, attrs ...any) {
	s.logMu.Lock()
	key := what + "\x00" + text
	now := time.Now()
	l := s.logSeen[key]
	if !l.at.IsZero() && now.Sub(l.at) < 30*time.Second {
		l.missed++
		s.logSeen[key] = l
		s.logMu.Unlock()
		return
	}
	if len(s.logSeen) > 200 {
		clear(s.logSeen)
	}
	missed := l.missed
	s.logSeen[key] = logged{at: now}
	s.logMu.Unlock()
	s.log.Error("web: "+what, append([]any{"err", text, "held_back", missed}, attrs...)...)
}
