// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"
	"time"

	"curewright/internal/daemon/daemontest"
	"curewright/sensors/shopsim"
)

// A shed is a real daemon over a simulated shed, on a line that can be cut.
type shed struct {
	*daemontest.Daemon
	url string
	cut atomic.Bool
	hs  *httptest.Server
}

// newShed starts one on Saturday 10 October 2026 at 9:00, an hour of readings in.
func newShed(t *testing.T, o daemontest.Options) *shed {
	t.Helper()
	if o.Shed == nil {
		o.Shed = &shopsim.Config{Seed: 1}
	}
	s := &shed{Daemon: daemontest.New(t, o)}
	s.hs = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if s.cut.Load() {
			panic(http.ErrAbortHandler)
		}
		s.Server.Handler().ServeHTTP(w, r)
	}))
	t.Cleanup(s.hs.Close)
	t.Cleanup(s.hs.CloseClientConnections)
	s.url = s.hs.URL
	s.Advance(time.Hour)
	return s
}

// drop cuts the line and everything that hangs on it; mend mends it.
func (s *shed) drop() { s.cut.Store(true); s.hs.CloseClientConnections() }
func (s *shed) mend() { s.cut.Store(false) }

// read asks the shed's API.
func read[T any](t *testing.T, s *shed, path string) (v T) {
	t.Helper()
	if err := json.Unmarshal(s.Do("GET", path, nil, 200), &v); err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return v
}

func put(t *testing.T, s *shed, path string, body any) { s.Do("PUT", path, body, 200) }

// day is a shed in the middle of its day: two lids with a coat each, a cup, a
// third lid whose job waits for its first step.
func day(t *testing.T) *shed { return dayIn(t, nil) }

// dayIn is day with a change of what the daemon starts from.
func dayIn(t *testing.T, change func(*daemontest.Options)) *shed {
	t.Helper()
	o := daemontest.Options{Zone: time.FixedZone("BST", 3600)}
	if change != nil {
		change(&o)
	}
	s := newShed(t, o)
	put(t, s, "/api/v1/settings", map[string]any{"shop_name": "Boathouse shed", "sleep_from": "22:30", "sleep_to": "06:30"})
	s.Post("/api/v1/panels", map[string]any{"id": "lid-a", "piece": "lid-a", "name": "Lid A, outer", "probe": shopsim.Panel1, "air": shopsim.ShedAir, "core": "foam", "area_m2": 1.4})
	s.Post("/api/v1/panels", map[string]any{"id": "lid-b", "piece": "lid-b", "name": "Lid B, outer", "probe": shopsim.Panel2, "air": shopsim.ShedAir, "core": "foam", "area_m2": 1.4})
	s.Post("/api/v1/panels", map[string]any{"id": "hinges", "name": "Hinge blocks", "air": shopsim.ShedAir, "core": "wood"})
	at := s.Now()
	s.Post("/api/v1/batches", map[string]any{"id": "cup-1", "resin": "medium", "resin_g": 200, "hardener_g": 60, "mixed": at})
	s.Post("/api/v1/coats", map[string]any{"id": "tack-a", "panel": "lid-a", "resin": "medium", "kind": "tack coat", "next": "cloth", "applied": at, "batches": []string{"cup-1"}})
	s.Do("POST", "/api/v1/batches/cup-1/end", map[string]any{"at": at}, 200)
	s.Advance(2 * time.Hour)
	s.Post("/api/v1/coats", map[string]any{"id": "seal-b", "panel": "lid-b", "resin": "fast", "kind": "seal", "next": "coat", "applied": s.Now()})
	s.Post("/api/v1/coats/tack-a/feels", map[string]any{"at": s.Now(), "state": "tacky"})
	s.Post("/api/v1/batches", map[string]any{"id": "cup-2", "resin": "medium", "resin_g": 100, "hardener_g": 30, "mixed": s.Now()})
	s.Post("/api/v1/stock", map[string]any{"id": "drum-1", "resin": "medium", "part": "resin", "full_g": 5000, "lot": "R-17", "price": 120, "currency": "GBP", "condition": "warm", "opened": at})
	s.Post("/api/v1/jobs", map[string]any{"template": "foam-aramid-glass", "id": "lid-c", "name": "Lid C", "resin": "medium",
		"panels": []map[string]any{{"side": "outer", "no_probe": true, "air": shopsim.ShedAir, "core": "foam", "area_m2": 1.4}}})
	s.Advance(5 * time.Minute)
	return s
}
