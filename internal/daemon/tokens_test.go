// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/daemon/access"
	"curewright/internal/testkit"
)

// accessRig is a daemon's log-ins alone, in a bubble where time is not real: a
// wall clock that can be set, and a restart.
type accessRig struct {
	*Daemon
	t    *testing.T
	dir  string
	jump atomic.Int64
}

func withAccess(t *testing.T, trusted bool, f func(*testing.T, *accessRig)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(time.Date(2026, 10, 10, 8, 0, 0, 0, time.UTC)))
		g := &accessRig{t: t, dir: t.TempDir()}
		g.start(trusted)
		defer func() { g.store.Close() }()
		f(t, g)
	})
}

func (g *accessRig) start(trusted bool) {
	g.t.Helper()
	epoch := time.Now()
	clk := &wallClock{
		wall: func() time.Time { return time.Now().Round(0).Add(time.Duration(g.jump.Load())) },
		boot: func() time.Duration { return time.Since(epoch) },
	}
	d, err := New(Options{Config: configIn(g.dir), Clock: clk, Log: testkit.NoLog(), ClockTrusted: trusted, Zone: time.UTC, StoreWatch: day})
	testkit.OK(g.t, err)
	g.Daemon = d
}

// restart ends the daemon as an orderly stop does, and starts it again.
func (g *accessRig) restart(trusted bool) {
	g.t.Helper()
	g.access.SaveRan(g.t.Context())
	testkit.OK(g.t, g.store.Close())
	g.start(trusted)
}

func (g *accessRig) pair(days int) string {
	g.t.Helper()
	code, _, err := g.NewPairCode(g.t.Context(), web.Record, "phone", days)
	testkit.OK(g.t, err)
	tok, _, err := g.Redeem(g.t.Context(), code, "")
	testkit.OK(g.t, err)
	return tok
}

func (g *accessRig) in(token string) bool {
	_, ok := g.Authenticate(g.t.Context(), token)
	return ok
}

func TestTokenExpiry(t *testing.T) {
	const year = 365 * day
	t.Run("for days", func(t *testing.T) {
		withAccess(t, true, func(t *testing.T, g *accessRig) {
			tok := g.pair(2)
			ts, err := g.ListTokens(t.Context())
			if err != nil || len(ts) != 1 || ts[0].Days != 2 || ts[0].Expires == nil || !ts[0].Expires.Equal(g.clk.Wall().Add(2*day)) {
				t.Errorf("listed as %+v, %v", ts, err)
			}
			time.Sleep(2*day - time.Second)
			if !g.in(tok) {
				t.Error("refused before its time")
			}
			time.Sleep(time.Second)
			if g.in(tok) {
				t.Error("let in after its time")
			}
			if n := len(g.store.Tokens()); n != 0 {
				t.Errorf("%d tokens are still kept", n)
			}
			g.jump.Store(int64(-year))
			g.restart(true)
			if g.in(tok) {
				t.Error("a clock that was set back brought it back")
			}
		})
	})
	t.Run("as long as it is used", func(t *testing.T) {
		withAccess(t, true, func(t *testing.T, g *accessRig) {
			used, lost := g.pair(0), g.pair(0)
			for range 3 {
				time.Sleep(179 * day)
				if !g.in(used) {
					t.Fatal("refused though it was used")
				}
				g.access.Upkeep(t.Context())
			}
			if ts := g.store.Tokens(); len(ts) != 1 {
				t.Errorf("%d tokens are kept, want that in use only", len(ts))
			}
			if g.in(lost) {
				t.Error("a phone that was not here for 537 days is let in")
			}
		})
	})
	t.Run("clock a year ahead", func(t *testing.T) {
		withAccess(t, true, func(t *testing.T, g *accessRig) {
			phone, guest := g.pair(0), g.pair(30)
			g.jump.Store(int64(year)) // while it runs: held back
			g.access.Upkeep(t.Context())
			if !g.in(phone) || !g.in(guest) {
				t.Error("a step of the clock shut somebody out")
			}
			g.restart(true) // believed: only who was let in for days is over
			g.access.Upkeep(t.Context())
			if !g.in(phone) || g.in(guest) {
				t.Errorf("after a start a year ahead: phone %v, guest %v; want in and out", g.in(phone), g.in(guest))
			}
		})
	})
	t.Run("board rests over the winter", func(t *testing.T) {
		withAccess(t, true, func(t *testing.T, g *accessRig) {
			phone := g.pair(0)
			time.Sleep(100 * day)
			g.access.SaveRan(t.Context())
			g.store.Close()
			time.Sleep(200 * day)
			g.start(true)
			if !g.in(phone) {
				t.Error("a phone is shut out by the board's rest")
			}
			time.Sleep(181 * day)
			if g.in(phone) {
				t.Error("let in after half a year without use")
			}
		})
	})
	t.Run("clock not known", func(t *testing.T) {
		withAccess(t, true, func(t *testing.T, g *accessRig) {
			old := g.pair(3)
			g.jump.Store(int64(-20 * year))
			g.restart(false)
			young := g.pair(3) // has no date, only a number of days
			time.Sleep(3*day - time.Minute)
			if !g.in(old) || !g.in(young) {
				t.Error("refused before three days of running")
			}
			g.jump.Store(int64(-40 * year))
			time.Sleep(time.Minute)
			if g.in(old) || g.in(young) {
				t.Error("a clock that is set back again and again lets them in for longer")
			}
		})
	})
	t.Run("card can't be written", func(t *testing.T) {
		withAccess(t, true, func(t *testing.T, g *accessRig) {
			tok := g.pair(1)
			time.Sleep(day)
			gone, cancel := context.WithCancel(t.Context())
			cancel() // what is written with it fails
			if _, ok := g.Authenticate(gone, tok); ok {
				t.Error("let in after its time")
			}
			if len(g.store.Tokens()) != 1 {
				t.Fatal("a write that was called off went through: the case is not tried")
			}
			g.jump.Store(int64(-year))
			g.clk.Set(g.clk.Now().Add(-year))
			if g.in(tok) {
				t.Error("it came back though it was seen to be over")
			}
			g.access.Upkeep(t.Context())
			if len(g.store.Tokens()) != 0 {
				t.Error("upkeep does not remove it later")
			}
		})
	})
	t.Run("revoked", func(t *testing.T) {
		withAccess(t, true, func(t *testing.T, g *accessRig) {
			tok := g.pair(0)
			testkit.OK(t, g.RevokeToken(t.Context(), web.HashToken(tok)[:8]))
			if g.in(tok) {
				t.Error("let in")
			}
			g.access.Upkeep(t.Context())
			if len(g.store.Tokens()) != 0 {
				t.Error("upkeep keeps it")
			}
		})
	})
}

// A code is good once, for ten minutes of real time whatever the clock is set
// to, and not after a restart; eight wait at once.
func TestPairCodes(t *testing.T) {
	withAccess(t, true, func(t *testing.T, g *accessRig) {
		make := func() string {
			c, _, err := g.NewPairCode(t.Context(), web.Look, "p", 0)
			testkit.OK(t, err)
			return c
		}
		good := func(code string) bool {
			_, _, err := g.Redeem(t.Context(), code, "")
			return err == nil
		}
		a, b, c := make(), make(), make()
		if !good(strings.ToLower(a)) || good(a) {
			t.Error("want it good once")
		}
		time.Sleep(10*time.Minute - time.Second)
		g.jump.Store(int64(-time.Hour))
		if !good(b) {
			t.Error("refused within ten minutes")
		}
		time.Sleep(time.Second)
		if good(c) {
			t.Error("good after ten minutes, with a clock set back")
		}
		codes := []string{}
		for range access.MaxCodes + 1 {
			codes = append(codes, make())
			time.Sleep(time.Second)
		}
		if good(codes[0]) || !good(codes[1]) {
			t.Error("of nine codes the oldest only is to be dropped")
		}
		g.restart(true)
		if good(codes[2]) {
			t.Error("good after a restart")
		}
	})
}

// A page that is open when its log-in ends is closed at the next heartbeat.
func TestExpiryEndsOpenPage(t *testing.T) {
	withAccess(t, true, func(t *testing.T, g *accessRig) {
		tok := g.pair(1)
		time.Sleep(day - time.Minute)
		srv, err := web.New(web.Config{Version: "test"}, g.Daemon)
		testkit.OK(t, err)
		testkit.OK(t, g.Evaluate(t.Context()))
		begin := time.Now()
		rec := askAway(t, srv.Handler(), "/events", tok) // returns when the stream ends
		if rec.Code != 200 {
			t.Fatalf("%d %s", rec.Code, rec.Body)
		}
		if got := time.Since(begin); got < time.Minute || got > time.Minute+15*time.Second {
			t.Errorf("listened for %v, want a minute and one heartbeat at most", got)
		}
	})
}

// askAway asks as a phone on a documentation network does (RFC 5737).
func askAway(t *testing.T, h http.Handler, path, token string) *httptest.ResponseRecorder {
	t.Helper()
	addr := func(a string) net.Addr { return net.TCPAddrFromAddrPort(netip.MustParseAddrPort(a)) }
	r := httptest.NewRequest("GET", "http://192.0.2.1:8374"+path, nil)
	r = r.WithContext(context.WithValue(t.Context(), http.LocalAddrContextKey, addr("192.0.2.1:8374")))
	r.RemoteAddr = "192.0.2.77:40000"
	r.Header.Set("Authorization", "Bearer "+token)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}
