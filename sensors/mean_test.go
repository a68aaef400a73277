// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// Two probes on one panel are one more probe of the set: their mean, the other
// one's value where one is lost, none where both are or where they are so far
// apart that one must be wrong. What comes over the network is no part of it.
func TestMeanOfTwo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := NewSet(IntakeConfig{}, func(Reading) {})
		var left, right atomic.Value // °C; the pollers read them on their own
		set := func(l, r float64) { left.Store(l); right.Store(r) }
		set(18, 20)
		for id, v := range map[string]*atomic.Value{"left": &left, "right": &right} {
			err := s.Add(PollerConfig{ID: id, Role: RolePanel, Every: time.Second, Probe: &fake{do: func(context.Context, int) (Reading, error) {
				c := v.Load().(float64)
				if math.IsNaN(c) {
					return Reading{}, ErrAbsent
				}
				return good(c)
			}}})
			must(t, err)
		}
		must(t, s.Add(PollerConfig{ID: "lid", Of: []string{"left", "right"}, Role: RolePanel, Panel: "lid", Every: time.Second}))
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- s.Run(ctx) }()
		defer func() { stop(); <-done }()
		lid := func(after time.Duration) Health {
			time.Sleep(after)
			synctest.Wait()
			h, ok := s.Get("lid")
			if !ok {
				t.Fatal("no probe lid")
			}
			return h
		}
		is := func(h Health, want float64) {
			t.Helper()
			r, ok := h.Now(time.Now())
			if c, has := r.Temp.Get(); !ok || !has || c != want {
				t.Errorf("%v °C (%v, %s), want %v", c, ok, h.Why, want)
			}
		}
		h := lid(10 * time.Second)
		is(h, 19)
		if h.Driver != DriverMean || !h.Wired || h.Panel != "lid" {
			t.Errorf("%+v", h)
		}
		set(18, math.NaN())
		is(lid(10*time.Second), 18)
		set(math.NaN(), math.NaN())
		if h := lid(time.Minute); h.State == "ok" || !strings.Contains(fmt.Sprint(h.Why), "none of left, right") {
			t.Errorf("both lost: %s, %s", h.State, h.Why)
		}
		set(18, 18+MaxSpreadK+1)
		if h := lid(5 * time.Minute); h.State == "ok" || !strings.Contains(fmt.Sprint(h.Why), "6 °C apart") {
			t.Errorf("far apart: %s, %s", h.State, h.Why)
		}
		m := &mean{set: s, id: "m", of: []string{"left", "radio"}, now: time.Now}
		must(t, s.Restore("radio", "push", Meta{Accepted: true}))
		if _, err := m.Read(t.Context()); !errors.Is(err, ErrWrongDevice) {
			t.Errorf("a pushed part: %v", err)
		}
	})
}

// Every fault of a mean in the file is said at once.
func TestMeanSection(t *testing.T) {
	drivers := map[string]bool{"ds18b20": true}
	left := ConfigSection{ID: "left", Driver: "ds18b20", Bus: "w1:28-0316a2795d1f"}
	if errs := CheckSections([]ConfigSection{{ID: "m", Driver: DriverMean, Of: []string{"left", "right"}}, left, {ID: "right", Driver: "ds18b20", Bus: "w1:28-0316a2795d20"}}, drivers); len(errs) > 0 {
		t.Errorf("a good one: %v", errs)
	}
	errs := CheckSections([]ConfigSection{left, {ID: "radio", Driver: "push"}, {ID: "m", Driver: DriverMean, Of: []string{"left", "left", "radio", "gone"}}, {ID: "n", Driver: DriverMean}, {ID: "p", Driver: "push", Of: []string{"left"}}}, drivers)
	got := errors.Join(errs...).Error()
	for _, want := range []string{`probe[2].of: "left" is named twice`, `probe[2].of: "radio" is not wired`, `probe[2].of: no probe "gone"`, "probe[3].of: a mean is of two", `probe[4].of: only with driver = "mean"`} {
		if !strings.Contains(got, want) {
			t.Errorf("%q is not among\n%s", want, got)
		}
	}
}
