// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"curewright/model/coat"
	"curewright/model/words"
	"curewright/sensors"
)

const minute = time.Minute

func TestLifeCycle(t *testing.T) {
	st := newMem()
	e := New(Tuning{}, st, nil)
	e.SetView(View{Loc: shed})
	step := func(d time.Duration, c float64) []Transition { return e.Step(shop(t0.Add(d), cold(c))) }

	expect(t, step(0, 9.5), "too_cold pending")
	expect(t, step(9*minute, 9.4))
	expect(t, step(10*minute, 9.4), "too_cold firing")
	a, ok := fires(e, TooCold)
	if !ok || a.Severity != Act || a.Sound != SoundActNow {
		t.Fatalf("firing = %+v, %v", a, ok)
	}
	if want := "Lid-outer is at 9.5 °C, below the 10 °C that the epoxy medium needs: warm it."; a.Say != want {
		t.Errorf("say = %q, want %q", a.Say, want)
	}
	// Between the limits it stays: 10 °C is the sheet's, half a kelvin above
	// it ends.
	expect(t, step(20*minute, 10.4))
	if err := e.Ack(a.ID, "phone", t0.Add(21*minute)); err != nil {
		t.Fatal(err)
	}
	expect(t, step(22*minute, 10.3), "too_cold acknowledged")
	expect(t, step(23*minute, 10.6)) // clear begins
	expect(t, step(32*minute, 10.6))
	expect(t, step(33*minute, 10.6), "too_cold resolved")
	if n := len(e.List(false)); n != 0 {
		t.Errorf("%d alerts last after the end, want 0", n)
	}
	all := e.List(true)
	if len(all) != 1 || all[0].State != Resolved || all[0].AckedBy != "phone" || all[0].EndedBy != "cleared" {
		t.Errorf("history = %+v", all)
	}
	if err := e.Ack(a.ID, "phone", t0.Add(time.Hour)); !errors.Is(err, ErrOver) {
		t.Errorf("acknowledging what is over: %v, want ErrOver", err)
	}
	if err := e.Ack("nothing", "phone", t0); !errors.Is(err, ErrNoAlert) {
		t.Errorf("acknowledging nothing: %v, want ErrNoAlert", err)
	}
}

// A temperature is not rounded up to the one that it is said to be below.
func TestTooColdByLittle(t *testing.T) {
	for c, want := range map[float64]string{9.9: "is at 9.5 °C, below the 10 °C", 9.6: "is at 9.5 °C, below the 10 °C", 9.2: "is at 9 °C, below the 10 °C"} {
		e := New(Tuning{}, nil, nil)
		e.Step(shop(t0, cold(c)))
		e.Step(shop(t0.Add(10*minute), cold(c)))
		if a, ok := fires(e, TooCold); !ok || !strings.Contains(a.Say, want) {
			t.Errorf("%g °C: %q, want %q", c, a.Say, want)
		}
	}
}

// A value that is missing neither begins an alert nor ends one.
func TestMissingValueHolds(t *testing.T) {
	e := New(Tuning{}, nil, nil)
	none := wet()
	none.TempC = nil
	for d := time.Duration(0); d < time.Hour; d += minute {
		expect(t, e.Step(shop(t0.Add(d), none)))
	}
	e.Step(shop(t0.Add(time.Hour), cold(8)))
	e.Step(shop(t0.Add(70*minute), cold(8)))
	a, ok := fires(e, TooCold)
	if !ok {
		t.Fatal("8 °C for 10 min does not fire")
	}
	if err := e.Ack(a.ID, "phone", t0.Add(70*minute)); err != nil {
		t.Fatal(err)
	}
	e.Step(shop(t0.Add(70*minute), none))
	for d := 71 * minute; d < 5*time.Hour; d += minute {
		expect(t, e.Step(shop(t0.Add(d), none)))
	}
	if _, ok := fires(e, TooCold); !ok {
		t.Error("a missing temperature ended the alert")
	}
}

// A look without estimates is no news of the coats.
func TestNoEstimateHolds(t *testing.T) {
	e := New(Tuning{}, nil, nil)
	e.Step(shop(t0, cold(8)))
	e.Step(shop(t0.Add(10*minute), cold(8)))
	expect(t, e.Step(Input{Now: t0.Add(11 * minute), ClockTrusted: true, NoEstimate: true}))
	// Nor is one that lacks the estimate of this coat alone.
	in := shop(t0.Add(12*minute), cold(8))
	in.Estimates = nil
	expect(t, e.Step(in))
	in.Work.Coats[0].Ended = at(12 * minute)
	in.Now = t0.Add(13 * minute)
	expect(t, e.Step(in), "too_cold resolved")
}

func TestRestart(t *testing.T) {
	// chilled is an engine that has seen a cold coat; told lets it step once more and
	// hands on what it says.
	chilled := func() *Engine {
		e := New(Tuning{}, newMem(), nil)
		e.Step(shop(t0, cold(8)))
		return e
	}
	told := func(e *Engine, d time.Duration) {
		for _, tr := range e.Step(shop(t0.Add(d), cold(8))) {
			e.Told(tr.Alert.ID, tr.What)
		}
	}
	t.Run("pending goes on", func(t *testing.T) {
		e := again(t, chilled())
		expect(t, e.Step(shop(t0.Add(9*minute), cold(8))))
		expect(t, e.Step(shop(t0.Add(10*minute), cold(8))), "too_cold firing")
	})
	t.Run("pending over a long absence begins anew", func(t *testing.T) {
		e := again(t, chilled())
		expect(t, e.Step(shop(t0.Add(5*time.Hour), cold(8))))
		expect(t, e.Step(shop(t0.Add(5*time.Hour+10*minute), cold(8))), "too_cold firing")
	})
	t.Run("firing goes on, acknowledged, without a second message", func(t *testing.T) {
		e := chilled()
		told(e, 10*minute)
		a, _ := fires(e, TooCold)
		if err := e.Ack(a.ID, "phone", t0.Add(11*minute)); err != nil {
			t.Fatal(err)
		}
		told(e, 11*minute)
		e = again(t, e)
		expect(t, e.Step(shop(t0.Add(12*minute), cold(8))))
		b, ok := fires(e, TooCold)
		if !ok || b.ID != a.ID || b.State != Acknowledged || !b.FiredAt.Equal(*a.FiredAt) {
			t.Errorf("after the restart %+v, want %+v acknowledged", b, a)
		}
	})
	t.Run("what was not handed on is handed on", func(t *testing.T) {
		e := chilled()
		e.Step(shop(t0.Add(10*minute), cold(8))) // killed before the outbox had it
		expect(t, again(t, e).Step(shop(t0.Add(11*minute), cold(8))), "too_cold firing")
	})
	t.Run("resolved while down", func(t *testing.T) {
		e := chilled()
		told(e, 10*minute)
		e = again(t, e)
		expect(t, e.Step(shop(t0.Add(8*time.Hour), cold(18))))
		expect(t, e.Step(shop(t0.Add(8*time.Hour+10*minute), cold(18))), "too_cold resolved")
	})
	t.Run("coat ended while down", func(t *testing.T) {
		e := chilled()
		told(e, 10*minute)
		ts := again(t, e).Step(shop(t0.Add(8 * time.Hour)))
		expect(t, ts, "too_cold resolved")
		if ts[0].Alert.EndedBy != "person" {
			t.Errorf("ended by %q, want person", ts[0].Alert.EndedBy)
		}
	})
	t.Run("a damaged row costs that row only", func(t *testing.T) {
		e := chilled()
		e.Step(shop(t0.Add(10*minute), cold(8)))
		st := e.store.(*mem)
		st.alerts["torn"] = []byte(`{"id":"torn","rule":"too_c`)
		log := new(strings.Builder)
		if err := e.Save(t.Context()); err != nil {
			t.Fatal(err)
		}
		e = New(Tuning{}, st, slog.New(slog.NewTextHandler(log, nil)))
		if _, ok := fires(e, TooCold); !ok || strings.Count(log.String(), "alert not read") != 1 {
			t.Errorf("firing %v, and it was said: %s", ok, log)
		}
	})
}

// A probe with a loose plug is one message, whatever its rhythm.
func TestFlapping(t *testing.T) {
	for _, tt := range []struct{ bad, good time.Duration }{
		{3 * minute, 8 * minute}, {3 * minute, 12 * minute}, {10 * minute, 25 * minute},
	} {
		e := New(Tuning{}, newMem(), nil)
		fired := 0
		in := func(d time.Duration, state string) []Transition {
			x := shop(t0.Add(d), wet())
			x.Probes = []sensors.Health{probe(state, x.Now)}
			return e.Step(x)
		}
		d := time.Duration(0)
		for ; d < 12*time.Hour; d += 30 * time.Second {
			state := "ok"
			if d%(tt.bad+tt.good) < tt.bad {
				state = "missing"
			}
			for _, tr := range in(d, state) {
				if tr.What == WhatFiring {
					fired++
				}
			}
		}
		if fired < 1 || fired > 3 {
			t.Errorf("missing %v, back %v, for 12 h: fired %d times, want 1 to 3", tt.bad, tt.good, fired)
		}
		// And when it is well for good, it ends.
		end := d + 3*time.Hour
		resolved := false
		for ; d < end; d += 30 * time.Second {
			for _, tr := range in(d, "ok") {
				resolved = resolved || tr.What == WhatResolved
			}
		}
		if _, ok := fires(e, ProbeMissing); ok || !resolved {
			t.Errorf("missing %v, back %v: well for 3 h and still firing", tt.bad, tt.good)
		}
	}
}

// A condition that flickers below its hold-off says nothing and fills nothing.
func TestFlickerBelowHold(t *testing.T) {
	st := newMem()
	e := New(Tuning{}, st, nil)
	for d := time.Duration(0); d < 24*time.Hour; d += minute {
		c := 18.
		if d%(10*minute) < 5*minute {
			c = 9
		}
		for _, tr := range e.Step(shop(t0.Add(d), cold(c))) {
			if tr.What == WhatFiring {
				t.Fatalf("fired at %v", d)
			}
		}
	}
	again(t, e)
	if n := len(st.alerts); n != 1 {
		t.Errorf("%d rows in the store after a day of flicker, want 1", n)
	}
}

func TestStoreFull(t *testing.T) {
	st := newMem()
	e := New(Tuning{}, st, nil)
	st.setFull(true)
	e.Step(shop(t0, cold(8)))
	expect(t, e.Step(shop(t0.Add(10*minute), cold(8))), "too_cold firing")
	if err := e.Save(t.Context()); !errors.Is(err, errFull) {
		t.Errorf("Save = %v, want %v", err, errFull)
	}
	st.setFull(false)
	e.Step(shop(t0.Add(11*minute), cold(8)))
	if err := e.Save(t.Context()); err != nil {
		t.Errorf("Save = %v after the card took it", err)
	}
	if _, ok := fires(New(Tuning{}, st, nil), TooCold); !ok {
		t.Error("what could not be stored at first was not stored later")
	}
}

func TestBounds(t *testing.T) {
	log := new(strings.Builder)
	e := New(Tuning{}, nil, slog.New(slog.NewTextHandler(log, nil)))
	for i := range 200 {
		in := Input{Now: t0.Add(time.Duration(i) * minute), ClockTrusted: true}
		for j := range 2 * maxActive {
			in.Conditions = append(in.Conditions, Condition{Rule: "invented", Subject: fmt.Sprint(i, j), Severity: Soon, Say: "x"})
		}
		e.Step(in)
		if len(e.live) > maxActive || len(e.ended) > 4*maxEnded {
			t.Fatalf("step %d holds %d live and %d ended", i, len(e.live), len(e.ended))
		}
	}
	if n := strings.Count(log.String(), "too many alerts"); n < 3 || n > 4 { // once an hour
		t.Errorf("that some were dropped is said %d times in 200 min", n)
	}
	// Danger finds room among what is quieter.
	in := Input{Now: t0.Add(201 * minute), ClockTrusted: true, Cups: []Cup{{Batch: "cup", Mixed: t0, EndsAt: t0.Add(200 * minute), DangerFrom: at(200 * minute)}}}
	for j := range maxActive {
		in.Conditions = append(in.Conditions, Condition{Rule: "invented", Subject: fmt.Sprint(999, j), Severity: Soon, Say: "x"})
	}
	e.Step(in)
	if _, ok := fires(e, CupOver); !ok {
		t.Error("no room for danger")
	}
}

func TestCup(t *testing.T) {
	e := New(Tuning{}, newMem(), nil)
	cup := Cup{Batch: "batch-1", Resin: "medium", Grams: ptr(150.), Mixed: t0, EndsAt: t0.Add(25 * minute), Class: "caution", HotAt: at(40 * minute), DangerFrom: at(30 * minute)}
	step := func(d time.Duration, cups ...Cup) []Transition {
		return e.Step(Input{Now: t0.Add(d), ClockTrusted: true, Cups: cups})
	}
	expect(t, step(18*minute, cup))
	expect(t, step(19*minute, cup), "cup_soon firing")
	a, _ := fires(e, CupSoon)
	if want := "About 6 min left in the cup of medium (150 g): use it or spread it in a tray."; a.Say != want {
		t.Errorf("say %q, want %q", a.Say, want)
	}
	// Its time is up: said, and no danger yet.
	expect(t, step(25*minute, cup))
	if a, _ := fires(e, CupSoon); !strings.HasPrefix(a.Say, "Time is up for the cup of medium (150 g)") || a.Severity != Act {
		t.Errorf("at its end: %s, %q", a.Severity, a.Say)
	}
	ts := step(30*minute, cup)
	expect(t, ts, "cup_over firing", "cup_soon resolved")
	if ts[0].Alert.Severity != Danger || ts[0].Alert.Sound != SoundDanger {
		t.Errorf("cup over is %s, %q", ts[0].Alert.Severity, ts[0].Alert.Sound)
	}
	for _, w := range []string{"Once hot, do not carry it", "leave it, get out", "no water", "no lid"} {
		if !strings.Contains(ts[0].Alert.Say, w) {
			t.Errorf("%q does not say %q", ts[0].Alert.Say, w)
		}
	}
	ts = step(31 * minute) // used up
	expect(t, ts, "cup_over resolved")
	if ts[0].Alert.EndedBy != "person" {
		t.Errorf("ended by %q, want person", ts[0].Alert.EndedBy)
	}
	// A short cup is not called "about to end" from the start.
	short := Cup{Batch: "batch-2", Mixed: t0, EndsAt: t0.Add(8 * minute)}
	expect(t, step(time.Minute, short))
	expect(t, step(4*minute, short), "cup_soon firing")
	// Nobody is called over a cup that is on the panel already, entered when
	// its time was over, or not expected to get hot.
	expect(t, step(5*minute), "cup_soon resolved")
	for _, quiet := range []Cup{
		{Batch: "on", Mixed: t0, EndsAt: t0.Add(10 * minute), HotAt: at(20 * minute), DangerFrom: at(10 * minute), OnPanel: true},
		{Batch: "late", Mixed: t0, EndsAt: t0.Add(10 * minute), HotAt: at(20 * minute), DangerFrom: at(10 * minute), Late: true},
	} {
		for _, m := range []time.Duration{6, 11, 19, 40} {
			expect(t, step(m*minute, quiet))
		}
	}
	cool := Cup{Batch: "cool", Mixed: t0, EndsAt: t0.Add(60 * minute), Class: "low"}
	expect(t, step(55*minute, cool), "cup_soon firing")
	expect(t, step(91*minute, cool), "cup_soon resolved")
}

func window(kind string, opens, closes time.Duration) *coat.Window {
	return &coat.Window{Kind: kind, Opens: at(opens), Closes: at(closes), Status: "before",
		ClosesBand: coat.TimeBand{P10: at(closes), P50: at(closes + 20*minute)}}
}

// What permits speaks at the cautious edge of opening, what warns ahead of the
// cautious edge of closing.
func TestWindowEdges(t *testing.T) {
	e := New(Tuning{}, nil, nil)
	e.SetView(View{Loc: shed})
	c := wet()
	step := func(d time.Duration, status string) []Transition {
		c.State, c.NextWindow = coat.Tacky, window(coat.WindowCoat, 3*time.Hour, 7*time.Hour)
		c.NextWindow.Status, c.NextWindow.Permits = status, status == "open" && d >= 3*time.Hour
		return e.Step(shop(t0.Add(d), c))
	}
	expect(t, step(2*time.Hour, "before"))
	expect(t, step(179*minute, "open")) // open at the median is no permission yet
	expect(t, step(3*time.Hour, "open"), "window_open firing")
	a, _ := fires(e, WindowOpen)
	if want := "Roll the next coat onto lid-outer now, until 16:40 at the latest."; a.Say != want || !a.ActBy.Equal(*at(7 * time.Hour)) {
		t.Errorf("say %q by %v, want %q", a.Say, a.ActBy, want)
	}
	expect(t, step(374*minute, "open"), "window_open escalated")
	ts := step(375*minute, "open")
	// 45 min ahead the deadline takes the call's place, whether that was seen or
	// not: one call stands for one coat.
	expect(t, ts, "closing_soon firing", "window_open resolved")
	if want := "The window on lid-outer may close from 16:40 on: roll the next coat on before then."; ts[0].Alert.Say != want {
		t.Errorf("say %q, want %q", ts[0].Alert.Say, want)
	}
	if _, ok := fires(e, WindowOpen); ok {
		t.Error("the open window's call stands beside its deadline")
	}
	c.AdviceCode = coat.AdviseWashRecoat
	step(380*minute, "open")
	if a, _ := fires(e, ClosingSoon); !strings.Contains(a.Say, "wash") || len(a.AckedBy) > 0 {
		t.Errorf("what must be done first is not said with the deadline: %q", a.Say)
	}
	c.Blush.Band, c.AdviceCode = "low", coat.AdviseRecoat
	ts = step(411*minute, "open")
	expect(t, ts, "closing_soon reminder", "closing_soon escalated")
	expect(t, step(415*minute, "open"))
	// Past p10 it may close any minute: still open, and said to be closing.
	step(7*time.Hour+6*minute, "open")
	if a, ok := fires(e, ClosingSoon); !ok || !strings.Contains(a.Say, "may close any minute") {
		t.Errorf("between p10 and the closing it says %q", a.Say)
	}
	ts = step(7*time.Hour+25*minute, "closed")
	expect(t, ts, "closing_soon resolved", "window_closed firing")
	if want := "The window on lid-outer closed at 17:00: wash with water, dry and abrade before the next coat."; ts[1].Alert.Say != want {
		t.Errorf("say %q, want %q", ts[2].Alert.Say, want)
	}
}

func TestWindowShort(t *testing.T) {
	e := New(Tuning{}, nil, nil)
	c := wet()
	step := func(d time.Duration) []Transition {
		c.State, c.NextWindow = coat.Tacky, window(coat.WindowCloth, time.Hour, 100*minute)
		c.NextWindow.Status, c.NextWindow.Permits = "open", true
		return e.Step(shop(t0.Add(d), c))
	}
	expect(t, step(time.Hour), "ready_for_cloth firing")
	expect(t, step(79*minute))
	expect(t, step(80*minute), "closing_soon firing", "ready_for_cloth resolved") // half of 40 min, not 45
}

// A window first seen as it closes, after a start or a late entry, is one call.
func TestWindowFirstSeenClosing(t *testing.T) {
	e := New(Tuning{}, nil, nil)
	c := wet()
	c.State, c.NextWindow = coat.Tacky, window(coat.WindowCoat, time.Hour, 100*minute)
	c.NextWindow.Status, c.NextWindow.Permits = "open", true
	expect(t, e.Step(shop(t0.Add(90*minute), c)), "closing_soon firing")
	expect(t, e.Step(shop(t0.Add(91*minute), c)))
}

// Before the batch is felt the cautious edges cross: then it is a time to feel
// it and not a permission.
func TestFeelNow(t *testing.T) {
	e := New(Tuning{}, nil, nil)
	c := wet()
	step := func(d time.Duration) []Transition {
		w := window(coat.WindowFill, 6*time.Hour, 5*time.Hour)
		w.FeelFrom = at(4 * time.Hour)
		c.NextWindow = w
		return e.Step(shop(t0.Add(d), c))
	}
	expect(t, step(239*minute))
	ts := step(4 * time.Hour)
	expect(t, ts, "feel_now firing")
	if want := "Feel the tack coat on lid-outer now: roll the fill coat on once it holds the cloth and no longer strings."; ts[0].Alert.Say != want {
		t.Errorf("say %q, want %q", ts[0].Alert.Say, want)
	}
	expect(t, step(255*minute), "closing_soon firing")
	a, _ := fires(e, ClosingSoon)
	if !strings.Contains(a.Say, "go and feel") {
		t.Errorf("%q does not send to feel it", a.Say)
	}
	// Whoever felt it has heard it.
	in := shop(t0.Add(258*minute), c)
	in.Work.Feels = []coat.Feel{{Coat: c.ID, At: *at(257 * minute), State: coat.Tacky}}
	w := window(coat.WindowFill, 6*time.Hour, 5*time.Hour)
	w.FeelFrom = at(4 * time.Hour)
	in.Estimates[0].NextWindow = w
	expect(t, e.Step(in), "feel_now acknowledged")
	// A finger test opens it at once.
	c.NextWindow = &coat.Window{Kind: coat.WindowFill, Opens: at(259 * minute), Closes: at(8 * time.Hour), Status: "open", Permits: true}
	expect(t, e.Step(shop(t0.Add(259*minute), c)), "window_open firing")
}

// What goes on first: a window is no use to a coat that then lies too cold.
func TestWindowFirst(t *testing.T) {
	for _, tt := range []struct {
		temp float64
		code string
		want string
	}{
		{18, coat.AdviseRecoat, "Roll the next coat onto lid-outer now, until 18:40 at the latest."},
		{18, coat.AdviseWashRecoat, "Wash and dry lid-outer, then roll the next coat onto lid-outer now, until 18:40 at the latest."},
		{4, coat.AdviseRecoat, "Warm lid-outer to 10 °C, then roll the next coat onto lid-outer now, until 18:40 at the latest."},
		{4, coat.AdviseWashRecoat, "Warm lid-outer to 10 °C, wash and dry it, then roll the next coat onto lid-outer now, until 18:40 at the latest."},
	} {
		e := New(Tuning{}, nil, nil)
		e.SetView(View{Loc: shed})
		in := full(WindowOpen, "")
		in.Estimates[0].TempC, in.Estimates[0].AdviceCode = &tt.temp, tt.code
		e.Step(in)
		if a, ok := fires(e, WindowOpen); !ok || a.Say != tt.want {
			t.Errorf("%g °C, %s: %q, want %q", tt.temp, tt.code, a.Say, tt.want)
		}
		in.Estimates[0].AdviceCode = coat.AdviseWashAbrade
		e = New(Tuning{}, nil, nil)
		e.Step(in)
		if _, ok := fires(e, WindowOpen); ok {
			t.Error("permits over blush that must be abraded")
		}
	}
}

// The panel's older coat has no window any more once another lies on it.
func TestOnlyNewestCoatHasAWindow(t *testing.T) {
	e := New(Tuning{}, nil, nil)
	older, newer := wet(), wet()
	older.NextWindow = window(coat.WindowCoat, 0, time.Hour)
	older.NextWindow.Status = "closed"
	newer.ID, newer.AppliedAt = "fill", t0.Add(2*time.Hour)
	expect(t, e.Step(shop(t0.Add(3*time.Hour), older, newer)))
}

// 3 K to the dew point: ISO 8502-4 (surface at least 3 °C above the dew point
// while coating).
func TestDew(t *testing.T) {
	e := New(Tuning{}, nil, nil)
	step := func(d time.Duration, margin *float64) []Transition {
		in := shop(t0.Add(d), wet())
		in.Surfaces = []Surface{{Panel: "lid-outer", MarginK: margin}}
		return e.Step(in)
	}
	expect(t, step(0, ptr(3.)))
	expect(t, step(minute, ptr(2.9)), "dew_margin pending")
	ts := step(6*minute, ptr(2.4))
	expect(t, ts, "dew_margin firing")
	if want := "Lid-outer is only 2.5 °C above the dew point: warm it or dry the air before dew falls."; ts[0].Alert.Say != want {
		t.Errorf("say %q, want %q", ts[0].Alert.Say, want)
	}
	expect(t, step(7*minute, nil))
	expect(t, step(8*minute, ptr(3.4))) // not yet past the hysteresis
	expect(t, step(20*minute, ptr(3.4)))
	expect(t, step(21*minute, ptr(0.)), "condensation pending")
	ts = step(22*minute, ptr(-.1))
	expect(t, ts, "condensation firing")
	if ts[0].Alert.Severity != Act {
		t.Errorf("dew now is %s, want act", ts[0].Alert.Severity)
	}
}

// Whatever is said while the clock is not trusted holds no clock time.
func TestUntrustedClockSaysDurations(t *testing.T) {
	e := New(Tuning{}, nil, nil)
	c := wet()
	c.State, c.NextWindow = coat.Tacky, window(coat.WindowCoat, time.Hour, 100*minute)
	c.NextWindow.Status, c.NextWindow.Permits = "open", true
	in := shop(t0.Add(90*minute), c)
	in.ClockTrusted = false
	first := shop(t0.Add(70*minute), c)
	first.ClockTrusted = false
	e.Step(first)
	p := probe("stale", in.Now)
	p.LastAt = t0
	in.Probes = []sensors.Health{p}
	e.Step(in)
	in.Now = in.Now.Add(3 * minute)
	e.Step(in)
	n := 0
	for _, a := range e.List(false) {
		n++
		if strings.Contains(a.Say, ":0") || strings.Contains(a.Say, ":1") || strings.Contains(a.Say, ":2") || strings.Contains(a.Say, ":4") {
			t.Errorf("a clock time in %q", a.Say)
		}
	}
	a, _ := fires(e, ClosingSoon)
	if want := "The window on lid-outer may close in 7 min: roll the next coat on before then."; n != 2 || a.Say != want {
		t.Errorf("%d alerts; %q, want %q", n, a.Say, want)
	}
}

// The wall clock set back by a year neither fires what should wait nor loses
// what is firing.
func TestClockSetBack(t *testing.T) {
	e := New(Tuning{}, newMem(), nil)
	e.Step(shop(t0, cold(8)))
	back := t0.AddDate(-1, 0, 0)
	expect(t, e.Step(shop(back, cold(8))))
	expect(t, e.Step(shop(back.Add(9*minute), cold(8))))
	expect(t, e.Step(shop(back.Add(10*minute), cold(8))), "too_cold firing")
}

func TestConditions(t *testing.T) {
	e := New(Tuning{}, nil, nil)
	in := Input{Now: t0, ClockTrusted: true, Conditions: []Condition{{Rule: TentOff, Say: "The panel probe was silent, so the heater is off: look at its plug.", Severity: Danger}}}
	ts := e.Step(in)
	expect(t, ts, "tent_off_by_safety firing")
	if a := ts[0].Alert; a.Severity != Danger || !strings.HasPrefix(a.Say, "The panel probe was silent") {
		t.Errorf("alert = %+v", a)
	}
	in.Now, in.Conditions = t0.Add(minute), nil
	expect(t, e.Step(in), "tent_off_by_safety resolved")
	// One that nobody foresaw still has a sentence and, in danger, a sound.
	in.Conditions = []Condition{{Rule: "squirrel", Subject: "tent", Severity: Danger}}
	a := e.Step(in)[0].Alert
	if a.Sound != SoundDanger || a.Say == "" {
		t.Errorf("unforeseen condition: %+v", a)
	}
}

// Louder than what was acknowledged is heard anew.
func TestWorseAfterAck(t *testing.T) {
	e := New(Tuning{}, newMem(), nil)
	in := Input{Now: t0, Conditions: []Condition{{Rule: "squirrel", Severity: Soon, Say: "x"}}}
	a := e.Step(in)[0].Alert
	if err := e.Ack(a.ID, "page", t0); err != nil {
		t.Fatal(err)
	}
	expect(t, e.Step(in), "squirrel acknowledged")
	in.Now, in.Conditions[0].Severity = t0.Add(minute), Danger
	expect(t, e.Step(in), "squirrel firing")
}

// full is an input in which a rule holds, for every rule of the table. The
// same list shows that no rule is dead and that no sentence keeps a brace.
func full(rule, variant string) Input {
	c := wet()
	c.State = coat.Tacky
	in := shop(t0.Add(2*time.Hour), c)
	e := &in.Estimates[0]
	kind := map[string]string{"cloth": coat.WindowCloth, "wet": coat.WindowWet, "fill": coat.WindowFill}[variant]
	if kind == "" {
		kind = coat.WindowCoat
	}
	if rule == ReadyForCloth {
		kind = coat.WindowCloth
	}
	w := window(kind, time.Hour, 9*time.Hour)
	w.Status, w.Permits = "open", true
	switch rule {
	case CupSoon:
		in.Cups = []Cup{{Batch: "b", Resin: "medium", Mixed: t0, EndsAt: in.Now.Add(5 * minute)}}
		if variant == "over" {
			in.Cups[0].EndsAt = in.Now
		}
	case CupOver:
		in.Cups = []Cup{{Batch: "b", Resin: "medium", Mixed: t0, EndsAt: in.Now, DangerFrom: &in.Now}}
	case ReadyForCloth, WindowOpen:
		e.NextWindow = w
	case FeelNow:
		w.Status, w.FeelFrom = "before", at(time.Hour)
		e.NextWindow = w
	case ClosingSoon:
		w.Closes = at(130 * minute)
		e.NextWindow = w
		if variant == "feel" {
			w.FeelFrom, w.Opens, w.Status = at(100*minute), at(5*time.Hour), "before"
		}
	case WindowClosed:
		w.Status = "closed"
		e.NextWindow = w
	case TooCold:
		e.TempC = ptr(5.)
	case Stall:
		e.Stall = true
		if variant == "need" {
			e.TNeedC = ptr(13.2)
		}
	case BlushElevated:
		e.Blush.Band = "elevated"
	case BlushHigh:
		e.Blush.Band = "high"
		e.Blush.Condensed = variant == "dew"
	case Condensation:
		in.Surfaces = []Surface{{Panel: "lid-outer", MarginK: ptr(-1.)}}
	case DewMargin:
		in.Surfaces = []Surface{{Panel: "lid-outer", MarginK: ptr(1.)}}
	case Outgassing:
		e.Outgassing, e.State = true, coat.Wet
	case NightAhead:
		e.Overnight = &coat.Overnight{From: in.Now.Add(time.Hour), To: in.Now.Add(9 * time.Hour), WindowCloses: .7,
			Say: coat.Sentence{{Text: "The window is likely to close while you sleep."}}}
	case Softened:
		e.Facts.SoftenedAt = &in.Now
	case NotKnown:
		e.State = coat.Unknown
		switch variant {
		case "hot":
			e.UnknownWhy, e.TempC = []string{coat.OutsideRange}, ptr(45.)
		case "need":
			e.UnknownWhy, e.TgC = []string{coat.ColdGlass}, &coat.Band{P50: 13.2}
		case "warm":
			e.UnknownWhy, e.TempC = []string{coat.BelowMinimum}, ptr(12.)
		case "none":
			e.UnknownWhy, e.TempC = []string{coat.NoReading}, nil
		case "gap":
			e.UnknownWhy = []string{coat.Gap}
		default:
			e.UnknownWhy, in.Work.Resins = []string{coat.BelowMinimum}, nil
		}
	case IsHard, MayHandle:
		e.State = coat.Hard
		e.Events.Hard.P90, e.Events.Handle.P90 = at(time.Hour), at(time.Hour)
		e.Stall = variant == "stalled"
	case ProbeBattery:
		p := probe("ok", in.Now)
		p.Battery = sensors.Some(12)
		in.Probes = []sensors.Health{p}
	case ProbeMissing, ProbeStale, ProbeStuck, ProbeDoubtful:
		p := probe(map[string]string{ProbeMissing: "missing", ProbeStale: "stale", ProbeStuck: "stuck", ProbeDoubtful: "implausible"}[rule], in.Now)
		p.Why = sensors.ErrAbsent
		in.Probes = []sensors.Health{p}
	default:
		c := Condition{Rule: rule, Subject: "phone", Case: variant, Facts: words.Facts{}}
		if variant != "" {
			for _, n := range words.Names(words.English.Text("alert." + rule + ".case." + variant)) {
				if n != "subject" {
					c.Facts[n] = "7"
				}
			}
		}
		in.Conditions = []Condition{c}
	}
	return in
}

// pseudo is what of a rule's sentences does not come from the catalogue.
func pseudo(t *testing.T, r Rule, in Input) []string {
	t.Helper()
	e := New(Tuning{}, nil, nil)
	e.SetView(View{Loc: shed, Words: words.Pseudo()})
	e.Step(in)
	in.Now = in.Now.Add(r.Hold)
	e.Step(in)
	a, ok := fires(e, r.Name)
	if !ok {
		t.Errorf("%s does not fire in another language", r.Name)
	}
	return words.Bare(a.Say+" "+e.Over(a.ID), "lid-outer", "Lid-outer", "lid outer", "Lid, outer", "tack coat", "fill coat", "wet-out", "medium", "panel-1", "shed-air", "phone", "Phone", "shed-air", "Shed-air")
}

func TestEveryRuleSpeaks(t *testing.T) {
	for _, r := range Rules {
		variants := []string{""}
		for _, code := range words.English.Codes("alert." + r.Name + ".case.") {
			variants = append(variants, strings.TrimPrefix(code, "alert."+r.Name+".case."))
		}
		said := map[string]string{}
		for _, v := range variants {
			e := New(Tuning{}, nil, nil)
			e.SetView(View{Loc: shed})
			in := full(r.Name, v)
			e.Step(in)
			in.Now = in.Now.Add(r.Hold)
			for i := range in.Cups {
				in.Cups[i].EndsAt = in.Cups[i].EndsAt.Add(r.Hold)
			}
			e.Step(in)
			a, ok := fires(e, r.Name)
			if !ok {
				t.Errorf("%s %q does not fire", r.Name, v)
				continue
			}
			if other, dup := said[a.Say]; dup {
				t.Errorf("%s %q and %q say the same: %q", r.Name, v, other, a.Say)
			}
			said[a.Say] = v
			over := e.Over(a.ID)
			if strange := pseudo(t, r, in); len(strange) > 0 && r.Name != NightAhead { // its night is said by the model
				t.Errorf("%s %q: not from the catalogue: %q", r.Name, v, strange)
			}
			for _, s := range []string{a.Say, over} {
				if s == "" || strings.ContainsAny(s, "{}") || strings.Contains(s, "  ") || !strings.HasSuffix(s, ".") {
					t.Errorf("%s %q says %q", r.Name, v, s)
				}
				for _, word := range []string{"κ", "posterior", "p10", "p90", "lease", "alpha", "null", "NaN"} {
					if strings.Contains(s, word) {
						t.Errorf("%s: %q is not a shop's word in %q", r.Name, word, s)
					}
				}
			}
		}
	}
}

func TestAckLinks(t *testing.T) {
	st := newMem()
	e := New(Tuning{}, st, nil)
	in := full(CupOver, "")
	e.Step(in)
	a, _ := fires(e, CupOver)
	one, two := e.MintAck(a.ID), e.MintAck(a.ID)
	if one == "" || one == two || len(one) < 22 { // 128 bits in base64
		t.Fatalf("tokens %q, %q", one, two)
	}
	if err := e.Save(t.Context()); err != nil || len(st.alerts) == 0 {
		t.Fatalf("%d alerts in the store, %v", len(st.alerts), err)
	}
	for id, b := range st.alerts {
		if strings.Contains(string(b), one) {
			t.Errorf("the token itself stands in the store at %s", id)
		}
	}
	// Looking is not acknowledging, and survives a restart.
	e = again(t, e)
	for range 3 {
		if got, err := e.PeekAck(one); err != nil || got.ID != a.ID || got.State != Firing {
			t.Fatalf("peek = %+v, %v", got, err)
		}
	}
	got, err := e.RedeemAck(one, "link", in.Now)
	if err != nil || got.State != Acknowledged || got.AckedBy != "link" {
		t.Fatalf("redeem = %+v, %v", got, err)
	}
	for _, tok := range []string{one, two, "", "nonsense"} {
		if _, err := e.RedeemAck(tok, "link", in.Now); !errors.Is(err, ErrBadToken) {
			t.Errorf("token used again: %v, want ErrBadToken", err)
		}
	}
	// It ends with its alert and opens no other.
	in2 := full(TentOff, "")
	in2.Cups = in.Cups
	e.Step(in2)
	b, _ := fires(e, TentOff)
	tok := e.MintAck(b.ID)
	in2.Conditions = nil
	in2.Now = in2.Now.Add(minute)
	e.Step(in2)
	if _, err := e.RedeemAck(tok, "link", in.Now); !errors.Is(err, ErrBadToken) {
		t.Errorf("token of an alert that is over: %v, want ErrBadToken", err)
	}
	if e.MintAck(b.ID) != "" {
		t.Error("a token for an alert that is over")
	}
}

// Whatever happens in whatever order, each alert lives one life: pending,
// then firing only after its hold-off, then at most once acknowledged, then
// resolved; and never two of one rule and subject at once.
func TestLifeProperty(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		st := newMem()
		e := New(Tuning{}, st, nil)
		now := t0
		state := map[string]string{}
		since := map[string]time.Time{}
		for range rapid.IntRange(5, 60).Draw(rt, "steps") {
			now = now.Add(time.Duration(rapid.IntRange(10, 1500).Draw(rt, "seconds")) * time.Second)
			switch rapid.IntRange(0, 9).Draw(rt, "event") {
			case 0:
				e = again(t, e)
			case 1:
				for _, a := range e.List(false) {
					e.Ack(a.ID, "x", now)
				}
			}
			c := cold(rapid.SampledFrom([]float64{5, 9.9, 10.2, 12, 18}).Draw(rt, "temp"))
			if rapid.Bool().Draw(rt, "missing") {
				c.TempC = nil
			}
			in := shop(now, c)
			in.Probes = []sensors.Health{probe(rapid.SampledFrom([]string{"ok", "missing", "stale", "waiting"}).Draw(rt, "probe"), now)}
			ts := e.Step(in)
			for _, tr := range ts {
				id := tr.Alert.ID
				was := state[id]
				ok := false
				switch tr.What {
				case WhatPending:
					ok = was == "" || was == WhatDropped
					since[id] = tr.Alert.Since
				case WhatDropped:
					ok = was == WhatPending || was == ""
				case WhatFiring:
					ok = was != WhatResolved
					if h := rule(tr.Alert.Rule, "").Hold; tr.Alert.FiredAt.Sub(tr.Alert.Since) < h {
						rt.Fatalf("%s fired after %v, hold-off %v", tr.Alert.Rule, tr.Alert.FiredAt.Sub(tr.Alert.Since), h)
					}
				case WhatAcknowledged, WhatEscalated, WhatReminder:
					ok = was != WhatPending && was != WhatDropped
				case WhatResolved:
					ok = was != WhatDropped && was != WhatPending
				}
				if !ok {
					rt.Fatalf("%s: %s after %q", tr.Alert.Rule, tr.What, was)
				}
				state[id] = tr.What
				e.Told(id, tr.What)
			}
			seen := map[key]bool{}
			for _, a := range e.List(false) {
				k := key{a.Rule, a.Subject}
				if seen[k] {
					rt.Fatalf("two alerts for %v", k)
				}
				seen[k] = true
				if a.FiredAt == nil || a.EndedAt != nil {
					rt.Fatalf("listed as lasting: %+v", a)
				}
			}
		}
	})
}

func FuzzLoad(f *testing.F) {
	st := newMem()
	e := New(Tuning{}, st, nil)
	e.Step(shop(t0, cold(8)))
	e.Save(f.Context())
	for _, b := range st.alerts {
		f.Add(b)
	}
	f.Add([]byte(`{"id":"x","rule":"too_cold","state":"firing"}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		st := newMem()
		st.alerts["x"] = b
		e := New(Tuning{}, st, nil)
		e.Step(shop(t0, cold(8)))
		e.Step(shop(t0.Add(30*minute), cold(8)))
		if _, err := json.Marshal(e.List(true)); err != nil {
			t.Errorf("list: %v", err)
		}
	})
}
