// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"curewright/alerts"
	"curewright/internal/testkit"
	"curewright/model/coat"
)

// A page that hangs keeps the daemon from being ready, and so from the
// watchdog's ping; a page that fails now and then does not.
func TestHungPageIsStuck(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &Daemon{log: testkit.NoLog(), prog: map[string]time.Time{}}
		d.serving.Store(true)
		var mode atomic.Int32 // 0 answers, 1 every third time, 2 hangs
		n := 0
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() {
			done <- d.watchPage(ctx, func(ctx context.Context) error {
				n++
				switch {
				case mode.Load() == 2:
					ctx, stop := context.WithTimeout(ctx, pageLimit)
					defer stop()
					<-ctx.Done()
					return ctx.Err()
				case mode.Load() == 1 && n%3 != 0:
					return errors.New("refused")
				}
				return nil
			})
		}()
		late := func() bool {
			for _, l := range stuckParts(d.lateParts()) {
				if strings.HasPrefix(l, "page: silent") {
					return true
				}
			}
			return false
		}
		for m := range int32(2) {
			mode.Store(m)
			for range 120 {
				time.Sleep(10 * time.Second)
				synctest.Wait()
				if late() {
					t.Fatalf("mode %d: called stuck", m)
				}
			}
		}
		mode.Store(2)
		time.Sleep(limits["page"] + pageEvery + time.Second)
		synctest.Wait()
		if !late() {
			t.Error("a page that hangs is not called stuck")
		}
		mode.Store(0)
		time.Sleep(2 * pageEvery)
		synctest.Wait()
		if late() {
			t.Error("still called stuck after it answers")
		}
		cancel()
		<-done
	})
}

// The real check, against real servers: plain, with a certificate for another
// name, one that answers trouble, and a listener that nobody accepts from.
func TestCheckPage(t *testing.T) {
	ok := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/healthz" {
			http.NotFound(w, r)
		}
	})
	plain, secure := httptest.NewServer(ok), httptest.NewTLSServer(ok)
	defer plain.Close()
	defer secure.Close()
	broken := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { w.WriteHeader(500) }))
	defer broken.Close()
	for name, tt := range map[string]struct {
		addr   net.Addr
		secure bool
		want   bool
	}{
		"plain":       {plain.Listener.Addr(), false, true},
		"certificate": {secure.Listener.Addr(), true, true},
		"broken":      {broken.Listener.Addr(), false, false},
		"wrong":       {plain.Listener.Addr(), true, false},
	} {
		t.Run(name, func(t *testing.T) {
			d := &Daemon{log: testkit.NoLog(), prog: map[string]time.Time{}}
			err := d.askPage(t.Context(), tt.addr, tt.secure)
			if (err == nil) != tt.want {
				t.Errorf("asked: %v, want it well: %v", err, tt.want)
			}
		})
	}
	t.Run("nobody accepts", func(t *testing.T) {
		ln, err := net.Listen("tcp", "127.0.0.1:0")
		testkit.OK(t, err)
		defer ln.Close()
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		go cancelOnAccept(ln, cancel)
		if err := (&Daemon{log: testkit.NoLog()}).askPage(ctx, ln.Addr(), false); err == nil {
			t.Error("a server that does not answer counts as well")
		}
	})
	for addr, want := range map[*net.TCPAddr]string{
		{IP: net.IPv4(192, 0, 2, 1), Port: 8374}: "192.0.2.1:8374",
		{IP: net.IPv4zero, Port: 8374}:           "127.0.0.1:8374",
		{IP: net.IPv6loopback, Port: 1}:          "[::1]:1",
	} {
		if got := ownAddress(addr); got != want {
			t.Errorf("own address of %v is %s, want %s", addr, got, want)
		}
	}
}

// cancelOnAccept takes a connection, reads the request and never answers.
func cancelOnAccept(ln net.Listener, cancel func()) {
	if c, err := ln.Accept(); err == nil {
		c.Read(make([]byte, 1))
		cancel()
	}
}

// Alerts that some record shows stay for as long as the work does; of the rest
// the newest 5,000 stay, and no date removes anything.
func TestPruneAlerts(t *testing.T) {
	at := time.Date(2026, 10, 10, 8, 0, 0, 0, time.UTC)
	w := &coat.Work{
		Panels:  []coat.Panel{{ID: "lid", Piece: "lid", Probe: "panel-1", Air: "shed"}},
		Batches: []coat.Batch{{ID: "cup"}},
		Coats:   []coat.Coat{{ID: "tack", Panel: "lid", Applied: at}},
	}
	end := at.Add(2 * time.Hour)
	for name, tt := range map[string]struct {
		a    alerts.Alert
		want bool
	}{
		"coat":                 {alerts.Alert{Subject: "tack", Panel: "lid"}, true},
		"cup":                  {alerts.Alert{Subject: "cup"}, true},
		"panel":                {alerts.Alert{Subject: "lid"}, true},
		"its probe, then":      {alerts.Alert{Subject: "panel-1", Since: at.Add(time.Hour), EndedAt: &end}, true},
		"its air, over it":     {alerts.Alert{Subject: "shed", Since: at.Add(-time.Hour), EndedAt: &end}, true},
		"its probe, long past": {alerts.Alert{Subject: "panel-1", Since: at.AddDate(1, 0, 0)}, false},
		"its probe, before":    {alerts.Alert{Subject: "panel-1", Since: at.Add(-time.Hour)}, false},
		"another probe":        {alerts.Alert{Subject: "loft", Since: at.Add(time.Hour)}, false},
		"the card":             {alerts.Alert{Rule: alerts.StoreFull}, false},
	} {
		if got := ofRecord(w, tt.a); got != tt.want {
			t.Errorf("%s: kept %v, want %v", name, got, tt.want)
		}
	}

	withAccess(t, false, func(t *testing.T, g *accessRig) {
		begin := g.clk.Now()
		ended := begin.Add(time.Hour)
		for id, subject := range map[string]string{"a1": "panel-9", "a2": "lid"} {
			body := `{"id":"` + id + `","rule":"trouble","subject":"` + subject + `","state":"resolved","since":"` + begin.Format(time.RFC3339) + `","ended_at":"` + ended.Format(time.RFC3339) + `"}`
			testkit.OK(t, g.store.PutKV(t.Context(), "alert", id, []byte(body)))
		}
		create(t, g.Daemon, "panel", `{"id":"lid"}`)
		kept := func() int {
			bodies, err := g.store.LoadAlerts(t.Context())
			testkit.OK(t, err)
			return len(bodies)
		}
		g.clockTrusted.Store(true)
		g.jump.Store(int64(5 * 365 * day))
		if g.pruneAlerts(t.Context()); kept() != 2 {
			t.Error("a date that jumped removed something")
		}
		// Beyond the number that is kept the oldest go, but for the lid's.
		many := map[string][]byte{}
		for i := range alertsMost {
			id := fmt.Sprint("flood", i)
			at := ended.Add(time.Duration(i+1) * time.Second).Format(time.RFC3339)
			many[id] = []byte(`{"id":"` + id + `","rule":"trouble","subject":"panel-9","state":"resolved","since":"` + at + `","ended_at":"` + at + `"}`)
		}
		testkit.OK(t, g.store.SaveAlerts(t.Context(), many, nil, nil))
		time.Sleep(pruneEvery)
		if g.pruneAlerts(t.Context()); kept() != alertsMost+1 {
			t.Errorf("%d kept, want the newest %d and the lid's", kept(), alertsMost)
		}
	})
}
