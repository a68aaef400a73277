// SPDX-License-Identifier: Apache-2.0

package web_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"slices"
	"testing"

	"curewright/dashboards/web"
	"curewright/internal/daemon/daemontest"
)

// busy is a shop of 16 probes and 4 coats, the size of the design's budgets.
func busy(t testing.TB) web.Backend {
	return &faulty{Backend: shop(t), edit: func(s *web.Snapshot) {
		s.Probes, s.Result.Coats = slices.Clone(s.Probes), slices.Clone(s.Result.Coats)
		for i := range 12 {
			p := s.Probes[0]
			p.Probe = fmt.Sprintf("panel-%d", i+2)
			s.Probes = append(s.Probes, p)
		}
		for i := range 3 {
			e := s.Result.Coats[0]
			e.ID = fmt.Sprintf("coat-%d", i)
			s.Result.Coats = append(s.Result.Coats, e)
		}
	}}
}

func benchGet(b *testing.B, path string) {
	s, err := web.New(web.Config{Log: slog.New(slog.DiscardHandler)}, busy(b))
	if err != nil {
		b.Fatal(err)
	}
	r := httptest.NewRequest("GET", path, nil)
	r.Host, r.RemoteAddr = "localhost", "127.0.0.1:5000"
	addr := net.TCPAddrFromAddrPort(netip.MustParseAddrPort("127.0.0.1:8374"))
	r = r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, addr))
	b.ReportAllocs()
	for b.Loop() {
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		if w.Code != http.StatusOK {
			b.Fatal(w.Code)
		}
		b.SetBytes(int64(w.Body.Len()))
	}
}

func BenchmarkScrape(b *testing.B)   { benchGet(b, "/metrics") }
func BenchmarkSnapshot(b *testing.B) { benchGet(b, "/api/v1/snapshot") }
func BenchmarkPage(b *testing.B)     { benchGet(b, "/") }

// One push of a hundred readings through the strict decoder, beside the
// standard library's own decoding of the same bytes.
func BenchmarkPush(b *testing.B) {
	rs := make([]web.PushReading, 100)
	for i := range rs {
		x := 17.5
		rs[i] = web.PushReading{Probe: "panel-1", TempC: &x, RHPct: &x, Time: &daemontest.ShopAt}
	}
	body, err := json.Marshal(rs)
	if err != nil {
		b.Fatal(err)
	}
	b.Run("strict", func(b *testing.B) {
		b.SetBytes(int64(len(body)))
		b.ReportAllocs()
		for b.Loop() {
			var out []web.PushReading
			if f := web.DecodeStrict(body, &out, false); f != nil {
				b.Fatal(f)
			}
		}
	})
	b.Run("encoding_json", func(b *testing.B) {
		b.SetBytes(int64(len(body)))
		b.ReportAllocs()
		for b.Loop() {
			var out []web.PushReading
			if err := json.Unmarshal(body, &out); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// A month of readings every 10 s, thinned for a chart.
func BenchmarkMonthThinned(b *testing.B) {
	s, err := web.New(web.Config{}, endless{Backend: bare(b), n: 30 * 8640})
	if err != nil {
		b.Fatal(err)
	}
	srv := httptest.NewServer(s.Handler())
	defer srv.Close()
	b.ReportAllocs()
	for b.Loop() {
		res, err := http.Get(srv.URL + "/api/v1/readings?probe=panel-1&max=1000&from=2026-10-10T11:20:00%2B01:00&to=2026-11-10T11:20:00Z")
		if err != nil {
			b.Fatal(err)
		}
		io.Copy(io.Discard, res.Body)
		res.Body.Close()
	}
}
