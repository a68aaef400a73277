// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/history"
	"curewright/internal/testkit"
	"curewright/model/job"
)

// One coat more than are watched at once is refused with what to do, by every
// way to have it open; what is open can be corrected and ended as ever.
func TestOpenCoatsAreLimited(t *testing.T) {
	live := newLiveDaemon(t, t.TempDir(), time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC))
	openCoats(t, live, job.MaxOpenCoats-1)
	one := map[string]any{"id": "last", "panel": "lid", "resin": "medium", "kind": "tack coat", "applied": "2026-10-10T08:00:00Z"}
	more := map[string]any{"id": "more", "panel": "lid", "resin": "medium", "kind": "tack coat", "applied": "2026-10-10T08:00:00Z"}
	live.Post("/api/v1/coats", one)
	refused := func(method, path string, body any) {
		t.Helper()
		if out := string(live.Do(method, path, body, http.StatusBadRequest)); !strings.Contains(out, "1000 coats are open") || !strings.Contains(out, "end those") {
			t.Errorf("%s %s: %s", method, path, out)
		}
	}
	refused("POST", "/api/v1/coats", more)
	live.Do("PATCH", "/api/v1/coats/c-0", map[string]any{"kind": "fill coat"}, http.StatusOK)
	live.Do("PATCH", "/api/v1/coats/c-0", map[string]any{"ended": "2026-10-10T08:30:00Z"}, http.StatusOK)
	live.Post("/api/v1/coats", more)
	refused("PATCH", "/api/v1/coats/c-0", map[string]any{"ended": nil})
	// One that is over is a record, whatever is open.
	more["id"], more["ended"] = "old", "2026-10-10T08:30:00Z"
	live.Post("/api/v1/coats", more)
}

// Evaluations come each half minute, rarer where they take long, and never so rare
// that the estimator counts as stuck.
func TestPace(t *testing.T) {
	for _, x := range []struct{ took, next time.Duration }{
		{0, 30 * time.Second}, {100 * time.Millisecond, 30 * time.Second}, {200 * time.Millisecond, 40 * time.Second}, {10 * time.Second, time.Minute},
	} {
		if got := pace(x.took); got != x.next {
			t.Errorf("after %s the next is due in %s, want %s", x.took, got, x.next)
		}
	}
	if limits["estimator"] < estimateLatest+15*time.Second {
		t.Errorf("an estimator counts as stuck after %s, evaluations are %s apart", limits["estimator"], estimateLatest)
	}
}

// BenchmarkEntry is one finger test with as many open coats.
func BenchmarkEntry(b *testing.B) {
	for _, n := range []int{1, 100, 1000} {
		b.Run(fmt.Sprintf("open=%d", n), func(b *testing.B) {
			live := newLiveDaemon(b, b.TempDir(), time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC))
			openCoats(b, live, n)
			enter := func() {
				body := json.RawMessage(`{"coat":"c-0","state":"tacky"}`)
				if _, _, err := live.d.Create(b.Context(), web.Who{Name: "Ann"}, "feel", body, ""); err != nil {
					b.Fatal(err)
				}
			}
			enter()
			for b.Loop() {
				enter()
			}
		})
	}
}

func openCoats(t testing.TB, live *liveDaemon, n int) {
	t.Helper()
	live.Post("/api/v1/panels", map[string]any{"id": "lid", "core": "foam"})
	_, _, err := live.d.store.WriteWork(t.Context(), "Ann", live.clk.Now(), "", func(func(string) string) (out []history.WorkWrite, _ string, _ error) {
		for i := range n {
			body := fmt.Sprintf(`{"id":"c-%d","panel":"lid","resin":"medium","kind":"tack coat","applied":"2026-10-10T08:00:00Z"}`, i)
			out = append(out, history.WorkWrite{Kind: "coat", ID: fmt.Sprintf("c-%d", i), Body: []byte(body)})
		}
		return out, "", nil
	})
	testkit.OK(t, err)
}
