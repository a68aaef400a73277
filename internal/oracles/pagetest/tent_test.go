// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"encoding/json"
	"fmt"
	"sync"
	"testing"
	"time"

	"curewright/heat"
	"curewright/internal/daemon"
	"curewright/internal/daemon/daemontest"
	"curewright/sensors"
	"curewright/sensors/shopsim"
)

// warm is a tent whose heater does as it is told: the page is what is tried here.
type warm struct {
	mu sync.Mutex
	st heat.Status
}

func (w *warm) Hold(_ string, c float64) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.st.WishC = sensors.Some(c)
	return nil
}
func (w *warm) Off(string, string)                       {}
func (w *warm) UseSolvent(string)                        {}
func (w *warm) Release(string) error                     { return nil }
func (w *warm) SetResume(string, bool)                   {}
func (w *warm) Status() heat.Status                      { w.mu.Lock(); defer w.mu.Unlock(); return w.st }
func (*warm) Limits() (lines []string, hash, why string) { return nil, "", "" }
func (*warm) Accept(string, string) error                { return heat.ErrOtherLimits }

// TestSoak: the job's soak leads from the bench to the tent with the job's own
// figures; what is beyond the tent's limit is said beside its field; asked again
// within it, the page says what it does for Tg, and a press applies it.
func TestSoak(t *testing.T) {
	b := browser(t)
	x := func(c float64) *float64 { return &c }
	s := newShed(t, daemontest.Options{Before: func(d *daemon.Daemon) {
		sec := heat.DefaultSection()
		sec.Output, sec.Control, sec.Limit, sec.Shed = "relay", shopsim.Panel1, shopsim.TentAir, shopsim.ShedAir
		sec.MaxAirC, sec.MaxPanelC, sec.HeaterW = x(52), x(44), 1000
		d.AttachTent(sec.Defaults(), func(func(heat.Event), func() (heat.Profile, bool)) daemon.TentHolder {
			return &warm{st: heat.Status{PanelC: sensors.Some(18), AirC: sensors.Some(18)}}
		})
	}})
	s.Post("/api/v1/panels", map[string]any{"id": "lid-a", "name": "Lid A, outer", "probe": shopsim.Panel1, "air": shopsim.ShedAir, "core": "foam", "area_m2": 1.4})
	s.Post("/api/v1/jobs", map[string]any{"id": "lid", "name": "Locker lid", "resin": "fast", "steps": []map[string]any{
		{"id": "fill", "panel": "lid-a", "do": "coat", "coat": "fill coat"},
		{"id": "soak", "panel": "lid-a", "do": "soak", "temp_c": 40, "hours": 4, "ramp_c_h": 5, "of": "fill", "when": "hard"},
	}})
	s.Post("/api/v1/jobs/lid/mixed", map[string]any{"step": "fill"})
	s.Post("/api/v1/jobs/lid/done", map[string]any{"step": "fill"})
	s.Advance(28 * time.Hour)
	cs := s.Coats()
	if len(cs) != 1 {
		t.Fatalf("coats = %+v, want one", cs)
	}
	s.Post("/api/v1/feel", map[string]any{"coat": cs[0].ID, "state": "hard"})
	s.Advance(time.Minute)

	ctx, bad := tab(t, b, 360, 740, false)
	h := &hand{t: t, ctx: ctx, s: s}
	open(t, ctx, s.url)
	glove(t, ctx)
	h.shoot("soak-bench")
	tap(t, ctx, "Plan it in the tent")
	says(t, ctx, "Up and down by")
	tap(t, ctx, "What would it take")
	says(t, ctx, "above the tent's limit of 39 °C")
	if f := js[string](t, ctx, `[...document.querySelectorAll('[data-field] > .err')].filter((e) => e.innerText).map((e) => e.parentElement.dataset.field).join(' ')`); f != "temp_c" {
		t.Errorf("the fault stands beside %q, want temp_c", f)
	}
	h.shoot("soak-fault")
	const less = `document.querySelector('[data-field="temp_c"] .step button')`
	for n := range 3 {
		tapAt(t, ctx, "less", less)
		says(t, ctx, fmt.Sprintf("%d °C", 39-n))
	}
	tap(t, ctx, "What would it take")
	says(t, ctx, "After the soak at")
	says(t, ctx, "Never sleep in a tent or shed under heat")
	js[bool](t, ctx, `(document.querySelector('.tg').scrollIntoView({block: 'center'}), true)`)
	glove(t, ctx)
	h.shoot("soak-plan")
	var aim struct {
		Aim *struct {
			Wish   string
			TempC  float64 `json:"temp_c"`
			Hours  float64
			RampCH float64                                  `json:"ramp_c_h"`
			Tg     struct{ Now, After, Without [3]float64 } `json:"tg_c"`
		}
	}
	tent := func() {
		t.Helper()
		if err := json.Unmarshal(s.Do("GET", "/api/v1/tent", nil, 200), &aim); err != nil {
			t.Fatal(err)
		}
	}
	if tent(); aim.Aim != nil {
		t.Fatalf("asked only, and followed: %+v", aim.Aim)
	}
	// The press is by key: held for as long as the button wants.
	js[bool](t, ctx, `(() => { document.querySelector('.land .hold').dispatchEvent(new KeyboardEvent('keydown', {key: 'Enter', bubbles: true})); return true; })()`)
	says(t, ctx, "The tent follows it.")
	if tent(); aim.Aim == nil || aim.Aim.Wish != "soak" || aim.Aim.TempC != 37 || aim.Aim.Hours != 4 || aim.Aim.RampCH != 5 {
		t.Fatalf("followed: %+v, want the soak that was asked for", aim.Aim)
	}
	if a := aim.Aim.Tg; !(a.After[1] > a.Without[1] && a.Without[1] >= a.Now[1]) {
		t.Errorf("Tg = %+v: a soak does most for it", a)
	}
	for _, m := range bad() {
		t.Log(m) // a refusal is a console error of the browser's own
	}
}
