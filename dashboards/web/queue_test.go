// SPDX-License-Identifier: Apache-2.0

package web_test

import (
	"context"
	"encoding/json"
	"net/http"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"curewright/dashboards/web"
)

// slowPlan plans for ten seconds, or until nobody waits for it.
type slowPlan struct {
	web.Backend
	runs, most, begun, left atomic.Int64
}

func (b *slowPlan) Plan(ctx context.Context, _ json.RawMessage) (json.RawMessage, error) {
	n := b.runs.Add(1)
	defer b.runs.Add(-1)
	b.begun.Add(1)
	b.most.Store(max(b.most.Load(), n))
	select {
	case <-time.After(10 * time.Second):
		return json.RawMessage("{}"), nil
	case <-ctx.Done():
		b.left.Add(1)
		return nil, ctx.Err()
	}
}

// Thirty plans of one log-in whose sockets close cost the board nothing, and
// keep nobody else from planning.
func TestPlansAreQueued(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := bare(t)
		b := &slowPlan{Backend: d}
		look, other := d.Token("visitor", web.Look), d.Token("phone", web.Record)
		h := server(t, b).Handler()
		plan := func(ctx context.Context, token string) (code int) {
			defer func() {
				if p := recover(); p != nil && p != http.ErrAbortHandler {
					panic(p)
				}
			}()
			return ask{method: "POST", path: "/api/v1/plan", local: lan, token: token, body: "{}"}.in(ctx, t, h).Code
		}
		ctx, hangUp := context.WithCancel(t.Context())
		codes := make(chan int, 30)
		for range 30 {
			go func() { codes <- plan(ctx, look) }()
		}
		synctest.Wait()
		mine := make(chan int, 1)
		go func() { mine <- plan(t.Context(), other) }()
		time.Sleep(time.Second)
		synctest.Wait()
		if got := b.begun.Load(); got != 1 {
			t.Errorf("%d plans begun at once, want one", got)
		}
		begin := time.Now()
		hangUp()
		if got := <-mine; got != http.StatusOK {
			t.Errorf("the other's plan: %d", got)
		}
		if d := time.Since(begin); d > 11*time.Second {
			t.Errorf("the other waited %v behind plans that nobody wanted", d)
		}
		refused := 0
		for range 30 {
			if <-codes == http.StatusTooManyRequests {
				refused++
			}
		}
		if refused != 30-web.MaxOfOne {
			t.Errorf("%d of 30 refused at once, want all beyond %d", refused, web.MaxOfOne)
		}
		if b.most.Load() != 1 || b.runs.Load() != 0 || b.begun.Load() != 2 {
			t.Errorf("at most %d at once, %d begun, %d go on", b.most.Load(), b.begun.Load(), b.runs.Load())
		}
		// The queue is empty again: the next is served at once.
		begin = time.Now()
		if got := plan(t.Context(), look); got != http.StatusOK || time.Since(begin) > 10*time.Second {
			t.Errorf("the next plan: %d after %v", got, time.Since(begin))
		}
	})
}

// What takes too long says so instead of running on.
func TestLongWorkEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := bare(t)
		h := server(t, endlessPlan{b}).Handler()
		w := ask{method: "POST", path: "/api/v1/plan", body: "{}"}.in(t.Context(), t, h)
		if w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" {
			t.Errorf("%d %s", w.Code, w.Body)
		}
	})
}

type endlessPlan struct{ web.Backend }

func (endlessPlan) Plan(ctx context.Context, _ json.RawMessage) (json.RawMessage, error) {
	<-ctx.Done()
	return nil, ctx.Err()
}
