// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"curewright/model/words"
)

// intake returns a set whose clock a test moves.
func intake(c IntakeConfig) (s *Set, now *time.Time, got *[]Reading) {
	now, got = new(time.Time), new([]Reading)
	*now = t0
	c.Now = func() time.Time { return *now }
	s = NewSet(c, func(r Reading) { *got = append(*got, r) })
	return s, now, got
}

var local = Source{Via: "push", Accept: true, ClockTrusted: true}

func ptr(t time.Time) *time.Time { return &t }

func TestPushRefusals(t *testing.T) {
	s, _, got := intake(IntakeConfig{MaxAge: 30 * 24 * time.Hour})
	for name, tt := range map[string]struct {
		p    Pushed
		want error
	}{
		"good":                 {Pushed{Probe: "a", Temp: Some(17), RH: Some(60)}, nil},
		"good with a time":     {Pushed{Probe: "b", Time: ptr(t0.Add(-time.Hour)), Temp: Some(17)}, nil},
		"clock a little ahead": {Pushed{Probe: "c", Time: ptr(t0.Add(time.Minute)), Temp: Some(17)}, nil},
		"future":               {Pushed{Probe: "d", Time: ptr(t0.Add(time.Hour)), Temp: Some(17)}, ErrFuture},
		"ancient":              {Pushed{Probe: "e", Time: ptr(t0.AddDate(-1, 0, 0)), Temp: Some(17)}, ErrTooOld},
		"°F":                   {Pushed{Probe: "f", Temp: Some(68)}, ErrDoubted},
		"empty":                {Pushed{Probe: "g"}, ErrEmpty},
		"NaN":                  {Pushed{Probe: "h", Temp: Some(math.NaN())}, ErrEmpty},
		"no name":              {Pushed{Temp: Some(17)}, ErrName},
		"a name with a space":  {Pushed{Probe: "shed air", Temp: Some(17)}, ErrName},
		"a path":               {Pushed{Probe: "../a", Temp: Some(17)}, ErrName},
		"markup":               {Pushed{Probe: "<b>", Temp: Some(17)}, ErrName},
		"a very long name":     {Pushed{Probe: strings.Repeat("a", 65), Temp: Some(17)}, ErrName},
	} {
		n := len(*got)
		taken, refused := s.Push(local, []Pushed{tt.p})
		switch {
		case tt.want == nil && (taken != 1 || len(refused) != 0 || len(*got) != n+1):
			t.Errorf("%s: %v", name, refused)
		case tt.want != nil && (taken != 0 || len(refused) != 1 || !errors.Is(refused[0].Err, tt.want) || len(*got) != n):
			t.Errorf("%s: taken %d, %v; want %v", name, taken, refused, tt.want)
		}
	}
}

// One bad reading in a push does not take the others with it, and each refusal
// says which it was.
func TestPushJudgesEachAlone(t *testing.T) {
	s, _, got := intake(IntakeConfig{})
	taken, refused := s.Push(local, []Pushed{
		{Probe: "a", Temp: Some(17)}, {Probe: "a", Temp: Some(500)}, {Probe: "b", RH: Some(55)},
	})
	if taken != 2 || len(*got) != 2 || len(refused) != 1 || refused[0].Index != 1 || refused[0].Probe != "a" {
		t.Errorf("taken %d, refused %+v", taken, refused)
	}
}

func TestPushNotAcceptedUntilNamed(t *testing.T) {
	s, now, got := intake(IntakeConfig{})
	far := Source{Via: "push", ClockTrusted: true}
	_, refused := s.Push(far, []Pushed{{Probe: "radio-7", Temp: Some(16)}})
	if len(refused) != 1 || !errors.Is(refused[0].Err, ErrNotAccepted) || len(*got) != 0 {
		t.Fatalf("%v, %d readings", refused, len(*got))
	}
	h, ok := s.Get("radio-7")
	if !ok || h.Accepted || h.State != "waiting" || h.Wired || h.Driver != "push" {
		t.Errorf("%+v", h)
	}
	if h.Last.Temp != Some(16) {
		t.Error("nothing shown to tell it by")
	}
	if _, ok := h.Now(*now); ok {
		t.Error("a probe nobody accepted has a present")
	}
	must(t, s.SetMeta("radio-7", Meta{Name: "Lid", Role: RolePanel, Panel: "lid-outer", Accepted: true}))
	*now = now.Add(time.Minute)
	if taken, refused := s.Push(far, []Pushed{{Probe: "radio-7", Temp: Some(16.1)}}); taken != 1 {
		t.Fatalf("after naming: %v", refused)
	}
	if h, _ := s.Get("radio-7"); h.State != "ok" || h.Name != "Lid" || len(*got) != 1 {
		t.Errorf("%+v", h)
	}
}

func TestPushClockInDoubt(t *testing.T) {
	s, now, got := intake(IntakeConfig{})
	src := local
	src.ClockTrusted = false
	for _, when := range []time.Time{t0.AddDate(30, 0, 0), t0.AddDate(-40, 0, 0)} {
		*now = now.Add(time.Minute)
		if taken, refused := s.Push(src, []Pushed{{Probe: "a", Time: ptr(when), Temp: Some(17)}}); taken != 1 {
			t.Fatalf("%v", refused)
		}
		if last := (*got)[len(*got)-1]; !last.At.Equal(*now) {
			t.Errorf("dated %v, not by receipt", last.At)
		}
	}
}

// History pushed in bulk while the date is not known: only the newest reading of
// a probe can be of now. The others are refused for the true reason, and nothing
// is said of how fast they change.
func TestBulkPushWhileTheClockIsInDoubt(t *testing.T) {
	s, now, got := intake(IntakeConfig{})
	src := local
	src.ClockTrusted = false
	var ps []Pushed
	for i := range 5 {
		ps = append(ps, Pushed{Probe: "a", Time: ptr(t0.Add(time.Duration(i) * time.Hour)), Temp: Some(10 + 4*float64(i))})
	}
	ps[2], ps[4] = ps[4], ps[2] // in any order
	taken, refused := s.Push(src, ps)
	if taken != 1 || len(refused) != 4 || (*got)[0].Temp != Some(26) || !(*got)[0].At.Equal(*now) {
		t.Fatalf("%d taken, %v", taken, refused)
	}
	for _, r := range refused {
		if !errors.Is(r.Err, ErrUndated) || errors.Is(r.Err, ErrJump) {
			t.Errorf("reading %d is refused: %v", r.Index, r.Err)
		}
	}
	// One by one it is the same: nobody can tell how long lies between them.
	*now = now.Add(time.Second)
	if _, refused := s.Push(src, []Pushed{{Probe: "a", Time: ptr(t0.Add(9 * time.Hour)), Temp: Some(45)}}); len(refused) != 1 || !errors.Is(refused[0].Err, ErrUndated) {
		t.Errorf("a jump of undated readings: %v", refused)
	}
	src.ClockTrusted = true
	*now = t0.Add(10 * time.Hour)
	if taken, refused := s.Push(src, []Pushed{ps[0], ps[1], ps[4]}); taken != 3 {
		t.Errorf("with the clock confirmed %d are taken: %v", taken, refused)
	}
}

// The date was wrong by years and is put back: readings that were dated by it
// must not hide those that come now.
func TestPushAfterTheClockIsPutBack(t *testing.T) {
	s, now, _ := intake(IntakeConfig{})
	*now = t0.AddDate(20, 0, 0)
	src := local
	src.ClockTrusted = false
	s.Push(src, []Pushed{{Probe: "a", Temp: Some(17)}})
	*now = t0
	if taken, refused := s.Push(local, []Pushed{{Probe: "a", Temp: Some(12)}}); taken != 1 {
		t.Fatal(refused)
	}
	if h, _ := s.Get("a"); h.Last.Temp != Some(12) || !h.LastAt.Equal(t0) || h.State != "ok" {
		t.Errorf("%+v", h)
	}
	*now = now.Add(10 * time.Second)
	if _, refused := s.Push(local, []Pushed{{Probe: "a", Temp: Some(40)}}); len(refused) != 1 || !errors.Is(refused[0].Err, ErrJump) {
		t.Errorf("the filter no longer compares: %v", refused)
	}
}

func TestPushRepeatsAndLateOnes(t *testing.T) {
	s, now, got := intake(IntakeConfig{})
	p := Pushed{Probe: "a", Time: ptr(t0.Add(-time.Minute)), Temp: Some(17)}
	s.Push(local, []Pushed{p})
	if _, refused := s.Push(local, []Pushed{p}); len(refused) != 1 || !errors.Is(refused[0].Err, ErrRepeat) {
		t.Errorf("a repeat: %v", refused)
	}
	late := Pushed{Probe: "a", Time: ptr(t0.Add(-time.Hour)), Temp: Some(12)}
	if taken, refused := s.Push(local, []Pushed{late}); taken != 1 {
		t.Errorf("an older one, stored while the radio was away: %v", refused)
	}
	if h, _ := s.Get("a"); !h.LastAt.Equal(*p.Time) || h.Last.Temp != Some(17) {
		t.Errorf("an older reading became the present: %+v", h)
	}
	if len(*got) != 2 || now.IsZero() {
		t.Errorf("%d readings", len(*got))
	}
}

// Probes that nobody accepted take no place of accepted ones, a source that
// brings too many pushes out its own and nobody else's, and what is silent for a
// day is gone.
func TestWaitingProbes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _, _ := intake(IntakeConfig{})
		push := func(src Source, id string) error {
			_, refused := s.Push(src, []Pushed{{Probe: id, Temp: Some(17)}})
			if len(refused) == 0 {
				return nil
			}
			return refused[0].Err
		}
		mad := Source{Via: "push", Who: "mad", ClockTrusted: true}
		calm := Source{Via: "push", Who: "calm", ClockTrusted: true}
		if err := push(calm, "mine"); !errors.Is(err, ErrNotAccepted) {
			t.Fatal(err)
		}
		for i := range 1000 {
			time.Sleep(time.Second)
			if err := push(mad, fmt.Sprintf("p%d", i)); !errors.Is(err, ErrNotAccepted) {
				t.Fatal(err)
			}
		}
		if n := len(s.Health()); n != maxWaitingEach+1 {
			t.Errorf("%d probes wait, want %d of the mad one and one of the other", n, maxWaitingEach)
		}
		if _, ok := s.Get("mine"); !ok {
			t.Error("a probe that waits was pushed out by another source")
		}
		// Many sources: in all there are bounds too.
		for i := range 100 {
			for j := range 5 {
				push(Source{Via: "push", Who: fmt.Sprint(i), ClockTrusted: true}, fmt.Sprintf("q%d-%d", i, j))
			}
		}
		if n := len(s.Health()); n > MaxWaiting {
			t.Errorf("%d probes wait, want %d at most", n, MaxWaiting)
		}
		// None of that keeps a probe out that is accepted at once.
		for i := range MaxPushed {
			if err := push(local, fmt.Sprintf("a%d", i)); err != nil {
				t.Fatalf("accepted probe %d: %v", i, err)
			}
		}
		if err := push(local, "one more"); !errors.Is(err, ErrName) {
			t.Error(err)
		}
		if err := push(local, "one-more"); !errors.Is(err, ErrTooMany) {
			t.Errorf("beyond %d: %v", MaxPushed, err)
		}
		id := ""
		for _, h := range s.Health() {
			if !h.Accepted {
				id = h.Probe
			}
		}
		if err := s.SetMeta(id, Meta{Accepted: true}); !errors.Is(err, ErrTooMany) {
			t.Errorf("accepting one beyond: %v", err)
		}
		s.Forget("a3")
		if err := s.SetMeta(id, Meta{Accepted: true}); err != nil {
			t.Errorf("after one was forgotten: %v", err)
		}
		time.Sleep(25 * time.Hour)
		for _, h := range s.Health() {
			if !h.Accepted {
				t.Errorf("%s waits, silent for a day", h.Probe)
			}
		}
	})
}

// One log-in accepts only so many probes at once; more of its wait.
func TestAcceptedAtOnce(t *testing.T) {
	s, _, _ := intake(IntakeConfig{})
	src := Source{Via: "push", Who: "phone", Accept: true, ClockTrusted: true}
	taken := 0
	for i := range MaxPushed {
		n, _ := s.Push(src, []Pushed{{Probe: fmt.Sprintf("p%d", i), Temp: Some(17)}})
		taken += n
	}
	if taken != maxAtOnce {
		t.Errorf("%d accepted at once, want %d", taken, maxAtOnce)
	}
	if n, _ := s.Push(local, []Pushed{{Probe: "mine", Temp: Some(17)}}); n != 1 {
		t.Error("somebody else's probe found no place")
	}
}

// A probe that pushes each two minutes is overdue after six, not after the
// quarter of an hour that holds for one not known yet.
func TestPushLearnsWhenOverdue(t *testing.T) {
	s, now, _ := intake(IntakeConfig{})
	for range 10 {
		s.Push(local, []Pushed{{Probe: "a", Temp: Some(17)}})
		*now = now.Add(2 * time.Minute)
	}
	*now = now.Add(3 * time.Minute) // five since the last
	if h, _ := s.Get("a"); h.State != "ok" || h.Stale != 6*time.Minute {
		t.Errorf("state %s, stale after %v", h.State, h.Stale)
	}
	*now = now.Add(2 * time.Minute)
	if h, _ := s.Get("a"); h.State != "stale" {
		t.Errorf("seven minutes later: %s", h.State)
	}
}

func TestRestore(t *testing.T) {
	s, now, _ := intake(IntakeConfig{})
	must(t, s.Restore("radio-7", "mqtt", Meta{Name: "Lid", Role: RolePanel, Accepted: true}))
	h, _ := s.Get("radio-7")
	if h.State != "waiting" || h.Driver != "mqtt" || !h.Accepted {
		t.Errorf("%+v", h)
	}
	*now = now.Add(time.Second)
	if taken, _ := s.Push(Source{Via: "mqtt", ClockTrusted: true}, []Pushed{{Probe: "radio-7", Temp: Some(5)}}); taken != 1 {
		t.Error("a probe accepted before the restart is a stranger after it")
	}
	if err := s.Restore("a b", "push", Meta{}); err == nil {
		t.Error("bad name restored")
	}
}

// The witness: a pushed probe that stands still while another moves is stuck,
// and its state says so at once.
func TestSetKnowsAStuckProbe(t *testing.T) {
	s, now, _ := intake(IntakeConfig{})
	for i := range 200 {
		s.Push(local, []Pushed{{Probe: "air", Temp: Some(18 - float64(i)*.05)}, {Probe: "panel", Temp: Some(17.5)}})
		*now = now.Add(time.Minute)
	}
	h, _ := s.Get("panel")
	if h.State != "stuck" || h.Reason != "stuck" || h.Errors["stuck"] == 0 {
		t.Errorf("%s: %s", h.State, h.Why)
	}
	if _, ok := h.Now(*now); ok {
		t.Error("a stuck probe has a present")
	}
	if h, _ := s.Get("air"); h.State != "ok" {
		t.Errorf("the moving one: %s %s", h.State, h.Why)
	}
}

func TestImplausibleState(t *testing.T) {
	s, now, _ := intake(IntakeConfig{})
	for _, c := range []float64{20, 68, 68, 68} {
		s.Push(local, []Pushed{{Probe: "a", Temp: Some(c)}})
		*now = now.Add(10 * time.Second)
	}
	if h, _ := s.Get("a"); h.State != "implausible" || h.Reason != "doubted" || !strings.Contains(h.In(words.View{}).Hint, "°C") {
		t.Errorf("%+v", h)
	}
}

func TestSetIsSafeForManyCallers(t *testing.T) {
	var n sync.Map
	s := NewSet(IntakeConfig{}, func(r Reading) { n.Store(r.Probe, true) })
	var wg sync.WaitGroup
	for g := range 8 {
		wg.Go(func() {
			for i := range 200 {
				s.Push(local, []Pushed{{Probe: fmt.Sprintf("p%d", g), Temp: Some(17 + float64(i%3)*.1)}})
				s.Health()
				_ = s.SetMeta(fmt.Sprintf("p%d", g), Meta{Role: RoleAir, Accepted: true})
			}
		})
	}
	wg.Wait()
	if len(s.Health()) != 8 {
		t.Errorf("%d probes", len(s.Health()))
	}
}

// What takes the readings may ask about their probe meanwhile.
func TestSinkMayAskForHealth(t *testing.T) {
	var s *Set
	asked := 0
	s = NewSet(IntakeConfig{}, func(r Reading) {
		if h, ok := s.Get(r.Probe); ok && h.Last.Temp == r.Temp {
			asked++
		}
		s.Health()
	})
	s.Push(local, []Pushed{{Probe: "a", Temp: Some(17)}, {Probe: "b", Temp: Some(18)}})
	if asked != 2 {
		t.Errorf("%d", asked)
	}
}

func FuzzPush(f *testing.F) {
	f.Add("a", 17.0, 60.0, 500.0, int64(0), true)
	f.Add("", 0.0, 0.0, 0.0, int64(1)<<40, false)
	f.Add("shed-air", 68.0, math.NaN(), math.Inf(1), int64(-5), true)
	f.Fuzz(func(t *testing.T, id string, c, rh, co2 float64, sec int64, dated bool) {
		s, now, got := intake(IntakeConfig{})
		p := Pushed{Probe: id, Temp: Some(c), RH: Some(rh), CO2: Some(co2)}
		if dated {
			p.Time = ptr(time.Unix(sec, 0))
		}
		taken, refused := s.Push(local, []Pushed{p})
		if taken+len(refused) != 1 || taken != len(*got) {
			t.Fatalf("taken %d, refused %v, handed on %d", taken, refused, len(*got))
		}
		for _, r := range *got {
			if r.At.After(now.Add(futureMargin)) {
				t.Errorf("future %v", r.At)
			}
			if x, ok := r.Temp.Get(); ok && !(x >= -55 && x < 50) {
				t.Errorf("believed %g °C", x)
			}
			if x, ok := r.RH.Get(); ok && !(x > 0 && x <= 100) {
				t.Errorf("believed %g %%", x)
			}
			if x, ok := r.CO2.Get(); ok && !(x >= 200 && x <= 40000) {
				t.Errorf("believed %g ppm", x)
			}
			if CheckID(r.Probe) != nil {
				t.Errorf("believed %q", r.Probe)
			}
		}
	})
}
