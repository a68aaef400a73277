// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/model/air"
	"curewright/model/cure"
	"curewright/model/words"
)

// judged is a coat at a steady temperature, judged some hours after mixing.
func judged(t testing.TB, resin string, tC, hours float64, kind, next string, feels ...Feel) Estimate {
	t.Helper()
	r := generic(t, resin)
	tr := steadyTrack(r, tC, hours, feels...)
	now := tr.Last()
	return new(Workspace).Estimate(&Case{
		Now: now, Coat: Coat{ID: "c", Panel: "p", Resin: resin, Kind: kind, Next: next, Applied: zero}, Panel: Panel{ID: "p", Core: "foam"},
		Resin: r, Track: tr, PanelFrom: "probe", Outlook: steady(now, tC, 72), Belief: Believe(r.LnKappaSD, 0, 0, tr.Judge(), Family{}), Feels: feels,
	})
}

func TestWindows(t *testing.T) {
	for name, tt := range map[string]struct {
		e      Estimate
		kind   string
		status string
		code   string
		say    string
	}{
		"cloth, by the tack coat's kind":              {judged(t, "medium", 20, 1, TackCoat, ""), WindowCloth, "before", AdviseFeel, "Feel it at"},
		"wet on wet is open at once":                  {judged(t, "medium", 20, 0.5, WetOut, "wet"), WindowWet, "open", AdviseRecoat, "Lay the next cloth in, wet on wet before"},
		"coat on coat":                                {judged(t, "slow", 20, 1, Seal, ""), WindowCoat, "before", AdviseFeel, "Feel it at"},
		"fill over cloth is coat on coat, best later": {judged(t, "medium", 20, 4.8, WetOut, "", feel(4, Tacky)), WindowFill, "open", AdviseRecoat, "Roll the fill coat on before"},
		"a finger opens it at once":                   {judged(t, "medium", 20, 2, TackCoat, "", feel(1.9, Tacky)), WindowCloth, "open", AdviseRecoat, "Lay the cloth in before"},
		"a finger closes it":                          {judged(t, "medium", 20, 5.6, WetOut, "", feel(5.5, Firm)), WindowFill, "closed", AdviseWaitAbrade, "Let it get hard until"},
		"closed, not hard":                            {judged(t, "medium", 20, 10, FillCoat, ""), WindowCoat, "closed", AdviseWaitAbrade, "Let it get hard until"},
		"hard":                                        {judged(t, "medium", 20, 40, FillCoat, ""), WindowCoat, "closed", AdviseAbradeRecoat, "Wash, abrade and coat it"},
		"hard and stalled":                            {judged(t, "slow", 14, 160, FillCoat, ""), WindowCoat, "closed", AdviseStalled, "Warm it to 17 °C or more"},
		"shut while cold":                             {judged(t, "medium", 11, 15, FillCoat, ""), WindowCoat, "cold", AdviseWarm, "Warm it to 1"},
		"cold glass":                                  {judged(t, "fast", 10.5, 6.8, FillCoat, ""), WindowCoat, "cold", AdviseNotKnown, "Not known: warm it to"},
	} {
		w := tt.e.NextWindow
		if w == nil || w.Kind != tt.kind || w.Status != tt.status || tt.e.AdviceCode != tt.code || !strings.Contains(tt.e.Advice, tt.say) {
			t.Errorf("%s: window %+v, advice %s: %q", name, w, tt.e.AdviceCode, tt.e.Advice)
			continue
		}
		if w.Permits != (tt.code == AdviseRecoat) || (w.FeelFrom != nil) != (tt.code == AdviseFeel) {
			t.Errorf("%s: permits %v, feel from %v", name, w.Permits, w.FeelFrom)
		}
		said := tt.e.Advice + tt.e.Because.String()
		for _, bad := range []string{"safe", "cured", "κ", "posterior", "p10"} {
			if strings.Contains(said, bad) {
				t.Errorf("%s: %q says %q", name, said, bad)
			}
		}
		if n := len(strings.Fields(tt.e.Advice)); n > 14 {
			t.Errorf("%s: %d words: %q", name, n, tt.e.Advice)
		}
	}
	if e := judged(t, "medium", 20, 1, Bond, ""); e.NextWindow != nil || !strings.HasPrefix(e.Advice, "Leave it.") {
		t.Errorf("a bond: window %+v, %q", e.NextWindow, e.Advice)
	}
}

// TestStall holds the forecast of a stall to its definition's own table:
// steady 5, 10, 15, 20 °C stall fast only at 5, medium to 10, slow to 15; a
// week reaches the target from 9.5, 13.2 and 16.7 °C on.
func TestStall(t *testing.T) {
	for name, tt := range map[string]struct {
		to   float64
		need float64
	}{"fast": {5, 9.5}, "medium": {10, 13.2}, "slow": {15, 16.7}} {
		for _, tC := range []float64{5, 10, 15, 20} {
			e := judged(t, name, tC, 120, Seal, "")
			if e.Stall != (tC <= tt.to) {
				t.Errorf("%s at %g °C: stall %v", name, tC, e.Stall)
			}
			if e.Stall && (e.TNeedC == nil || math.Abs(*e.TNeedC-tt.need) > 0.1) {
				t.Errorf("%s at %g °C: needs %v, want %.1f °C", name, tC, e.TNeedC, tt.need)
			}
			if !e.Stall && e.TNeedC != nil {
				t.Errorf("%s at %g °C: needs %v without a stall", name, tC, *e.TNeedC)
			}
		}
	}
}

func TestBlushAdvice(t *testing.T) {
	r := generic(t, "medium")
	at := func(rhPct, hours float64) Estimate {
		tr := NewTrack(TrackOptions{Resin: r, Mixed: zero, Applied: zero, Feels: []Feel{feel(hours-0.1, Green)}})
		for m := 0.0; m <= hours*60; m++ {
			tr.Feed(Point{At: zero.Add(time.Duration(m) * time.Minute), TempC: 15, VapourPa: rhPct / 100 * air.VapourPressure(15), CO2: math.NaN()})
		}
		now := tr.Last()
		return new(Workspace).Estimate(&Case{Now: now, Coat: Coat{ID: "c", Kind: FillCoat, Applied: zero}, Resin: r, Track: tr, PanelFrom: "probe",
			Outlook: steady(now, 15, 72), Belief: Believe(r.LnKappaSD, 0, 0, tr.Judge(), Family{})})
	}
	for _, tt := range []struct {
		rh, hours float64
		band      string
		code      string
	}{{50, 8, "low", AdviseRecoat}, {90, 8, "elevated", AdviseWashRecoat}, {101, 3, "high", AdviseWashAbrade}} {
		e := at(tt.rh, tt.hours)
		if e.Blush.Band != tt.band || e.AdviceCode != tt.code {
			t.Errorf("at %g %%: %+v (J %.2f), advice %s %q, want %s and %s", tt.rh, e.Blush, *e.Blush.Index, e.AdviceCode, e.Advice, tt.band, tt.code)
		}
	}
	e := judged(t, "medium", 20, 2, FillCoat, "")
	if e.Blush.Index != nil || e.Blush.Band != "unknown" {
		t.Errorf("without humidity: %+v", e.Blush)
	}
}

// TestOutgassing: a panel of foam that warms more than 2 K under fresh resin
// blows bubbles; a metal one does not, nor one that cools.
func TestOutgassing(t *testing.T) {
	r := generic(t, "slow")
	for _, tt := range []struct {
		core string
		rate float64 // K/h
		want bool
	}{{"foam", 3, true}, {"wood", 3, true}, {"metal", 3, false}, {"foam", 1, false}, {"foam", -3, false}} {
		tr := NewTrack(TrackOptions{Resin: r, Mixed: zero, Applied: zero})
		for m := range 60 {
			tr.Feed(Point{At: zero.Add(time.Duration(m) * time.Minute), TempC: 18 + tt.rate*float64(m)/60, VapourPa: math.NaN(), CO2: math.NaN()})
		}
		e := new(Workspace).Estimate(&Case{Now: tr.Last(), Coat: Coat{Applied: zero, Kind: Seal}, Panel: Panel{Core: tt.core}, Resin: r, Track: tr,
			PanelFrom: "probe", Belief: Believe(0.25, 0, 0, tr.Judge(), Family{})})
		if e.Outgassing != tt.want {
			t.Errorf("%s warming %g K/h: %v", tt.core, tt.rate, e.Outgassing)
		}
	}
}

// TestSheetLimit: the sheet's recoat limit closes the window although the coat
// is still soft, after as many hours as the sheet says, by equivalent age
// (Arrhenius: at E = 57 kJ/mol an hour at 15 °C is .450 h at 25 °C).
func TestSheetLimit(t *testing.T) {
	r := generic(t, "slow")
	r.RecoatUntil = &cure.TimeAt{Hours: 3, TempC: 25}
	r.Handle = &cure.TimeAt{Hours: 72, TempC: 25}
	want := 3 / math.Exp(-57e3/8.314462618*(1/288.15-1/298.15))
	tr := steadyTrack(r, 15, 1)
	var w Weights
	w.normal(0.25)
	ws := new(Workspace)
	f := ws.spreadOut(tr, &Belief{W: w}, steady(tr.Last(), 15, 72))
	f.accumulate()
	for _, s := range f.times[cure.Closes] {
		if math.Abs(s/3600-want) > 0.035 { // times to come are told to two minutes
			t.Errorf("forecast to close at %.3f h, want %.3f", s/3600, want)
		}
	}
	if got := hoursOf(steadyTrack(r, 15, 10), cure.Closes); math.Abs(got-want) > 0.01 {
		t.Errorf("closed at %.3f h, want %.3f", got, want)
	}
}

// TestBeliefIsCalibrated draws rate factors from the prior and finger tests
// from what the definition says a finger finds (thresholds that wander by
// their standard deviation, one report in thirty-three at random), and counts
// how often the 80 % interval holds the truth: simulation-based calibration.
func TestBeliefIsCalibrated(t *testing.T) {
	r := generic(t, "medium")
	rng := rand.New(rand.NewPCG(7, 11))
	const n = 300
	hit, narrower := 0, 0
	for range n {
		ln := 0.25 * rng.NormFloat64()
		var feels []Feel
		for _, h := range []float64{1.5, 2.5, 4, 6} {
			a := r.SteadyAlpha(0, 20, math.Exp(ln), h*3600)
			p := states(whole.above(r, a, r.Tg(a), 20, 20, 1, false))
			x := rng.Float64()
			s := Wet
			if rng.Float64() < misreport {
				s = States[rng.IntN(5)]
			} else {
				for _, o := range States {
					if x -= p.of(o); x < 0 {
						s = o
						break
					}
				}
			}
			feels = append(feels, feel(h, s))
		}
		b := beliefOf(r, steadyTrack(r, 20, 6.1, feels...))
		if lo, hi := b.W.Quantile(0.1), b.W.Quantile(0.9); ln >= lo && ln <= hi {
			hit++
		}
		if _, sd := b.W.Moments(); sd < 0.22 {
			narrower++
		}
	}
	share := 100 * float64(hit) / n
	t.Logf("the 80 %% interval of the rate factor holds the truth in %.0f %% of %d draws; narrower than the prior in %d", share, n, narrower)
	// Three standard deviations of a binomial count are 7 points.
	if share < 73 || share > 90 {
		t.Errorf("covers %.0f %%", share)
	}
	if narrower < n/2 {
		t.Errorf("four finger tests narrowed the belief in only %d of %d draws", narrower, n)
	}
}

// TestDoubtOfTemperature: at 20 °C and 57 kJ/mol a kelvin is worth
// E/(R·T²) = .0798 in ln κ; 6 kJ/mol of doubt in the activation energy are
// worth .128 at 10 °C, where the sheet's rate is for 25 °C (Arrhenius).
func TestDoubtOfTemperature(t *testing.T) {
	r := generic(t, "medium")
	tr := steadyTrack(r, 20, 2)
	if got, want := tr.TempSD(0.5), 0.5*57e3/(8.314462618*293.15*293.15); math.Abs(got-want) > 1e-6 {
		t.Errorf("half a kelvin is worth %.5f, want %.5f", got, want)
	}
	r.SD = map[string]float64{cure.SDE: 6000}
	tr = steadyTrack(r, 10, 2)
	if got, want := tr.TempSD(0), 6000/8.314462618*(1/283.15-1/298.15); math.Abs(got-want) > 1e-6 {
		t.Errorf("the activation energy's doubt is worth %.5f, want %.5f", got, want)
	}
	air := NewTrack(TrackOptions{Resin: generic(t, "medium"), Mixed: zero, Applied: zero})
	for m := range 120 {
		air.Feed(Point{At: zero.Add(time.Duration(m) * time.Minute), TempC: 20, SDK: 1.5, Source: FromAir, VapourPa: math.NaN(), CO2: math.NaN()})
	}
	if got, want := air.TempSD(0), 1.5*57e3/(8.314462618*293.15*293.15); math.Abs(got-want) > 1e-6 {
		t.Errorf("1.5 K of a stand-in are worth %.5f, want %.5f", got, want)
	}
	if got, want := air.degraded/60, 119.0; math.Abs(got-want) > 1e-6 {
		t.Errorf("%g degraded minutes, want %g", got, want)
	}
}

// TestStripClaimsNoMore: what the state does not claim, the forecast part of
// the strip doesn't either. A fast hardener is cold glass below 14.4 °C, and
// below the range's 10 °C green and above are not known.
func TestStripClaimsNoMore(t *testing.T) {
	for name, tt := range map[string]struct {
		e   Estimate
		why string
	}{
		"cold glass":        {judged(t, "fast", 10.5, 6.8, FillCoat, ""), ColdGlass},
		"below the minimum": {judged(t, "medium", 9.5, 24, FillCoat, ""), BelowMinimum},
		"at home":           {judged(t, "medium", 20, 1, FillCoat, ""), ""},
	} {
		if tt.why != "" && (tt.e.State != Unknown || !slices.Contains(tt.e.UnknownWhy, tt.why)) {
			t.Errorf("%s: %s for %v", name, tt.e.State, tt.e.UnknownWhy)
		}
		ahead := 0
		for _, s := range tt.e.Strip.Segments {
			if s.From.After(s.To) {
				t.Errorf("%s: backwards: %+v", name, s)
			}
			if !s.Future {
				continue
			}
			ahead++
			if (s.State == Unknown) != (tt.why != "") {
				t.Errorf("%s: the strip says %s from %v", name, s.State, s.From)
			}
		}
		if ahead == 0 || tt.why != "" && ahead != 1 {
			t.Errorf("%s: %d stretches ahead: %+v", name, ahead, tt.e.Strip.Segments)
		}
	}
}

// TestPermissionsSpeakLate: sanding and flipping are permitted once it is hard
// with a probability of .8, or once a finger found it; from the middle on it is
// to be tried.
func TestPermissionsSpeakLate(t *testing.T) {
	for name, tt := range map[string]struct {
		hours     float64
		feels     []Feel
		code, say string
		permit    bool
	}{
		"not even in the middle": {10, nil, AdviseWaitAbrade, "Let it get hard until ", false},
		"past the middle":        {12, nil, AdviseWaitAbrade, "Try sanding it.", false},
		"surely enough":          {40, nil, AdviseAbradeRecoat, "or sand or flip it", true},
		"a finger found it":      {11.6, []Feel{feel(11.5, Hard)}, AdviseAbradeRecoat, "or sand or flip it", true},
		"a finger found it firm": {10.5, []Feel{feel(10.4, Firm)}, AdviseWaitAbrade, "Let it get hard until ", false},
	} {
		e := judged(t, "medium", 20, tt.hours, FillCoat, "", tt.feels...)
		if e.AdviceCode != tt.code || !strings.Contains(e.Advice, tt.say) || strings.Contains(e.Advice, "or sand or flip it") != tt.permit {
			t.Errorf("%s: %s %q (%s)", name, e.AdviceCode, e.Advice, e.State)
		}
	}
}

// TestTooLateForCloth: a coat that no longer takes cloth still bonds to a fresh
// one until it is firm, and is not to be left to harden as if all were lost.
func TestTooLateForCloth(t *testing.T) {
	for name, tt := range map[string]struct {
		e    Estimate
		want string // "" for no way out
	}{
		"green under a tack coat":   {judged(t, "slow", 20, 10.5, TackCoat, "", feel(4.5, Tacky), feel(10.4, Green)), "Roll a fresh coat on before"},
		"tacky under wet on wet":    {judged(t, "slow", 20, 5.5, WetOut, "wet", feel(5.4, Tacky)), "Roll a fresh coat on from"},
		"green, never felt":         {judged(t, "medium", 20, 5.6, TackCoat, ""), "Roll a fresh coat on"},
		"firm by the finger":        {judged(t, "medium", 20, 6, TackCoat, "", feel(5.9, Firm)), ""},
		"firm":                      {judged(t, "medium", 20, 10, TackCoat, ""), ""},
		"a fill coat has no cloth":  {judged(t, "medium", 20, 10, FillCoat, ""), ""},
		"still open: nothing fresh": {judged(t, "medium", 20, 2.5, TackCoat, "", feel(2.4, Tacky)), ""},
	} {
		got := tt.e.Facts.Fresh != nil
		if got != (tt.want != "") || !strings.Contains(tt.e.Advice, tt.want) {
			t.Errorf("%s: %s %s %q", name, tt.e.State, tt.e.NextWindow.Status, tt.e.Advice)
		}
	}
}

// TestStripRemembersNoMore: what was not known at a time is not drawn as known
// when that time has passed.
func TestStripRemembersNoMore(t *testing.T) {
	r := generic(t, "medium")
	tr := NewTrack(TrackOptions{Resin: r, Mixed: zero, Applied: zero})
	at := func(h float64) time.Time { return zero.Add(time.Duration(h * float64(time.Hour))) }
	for m := range 60 * 60 {
		h, tC := float64(m)/60, 20.0
		if h > 4.5 && h < 40 {
			tC = 9.5 // under the minimum: it gels there by the law alone
		}
		tr.Feed(Point{At: at(h), TempC: tC, VapourPa: math.NaN(), CO2: math.NaN()})
	}
	now := tr.Last()
	e := new(Workspace).Estimate(&Case{Now: now, Coat: Coat{ID: "c", Kind: Bond, Applied: zero}, Resin: r, Track: tr, PanelFrom: "probe",
		Outlook: steady(now, 20, 72), Belief: Believe(r.LnKappaSD, 0, 0, tr.Judge(), Family{})})
	if e.State == Unknown {
		t.Fatalf("12 h in the warm again: %v", e.UnknownWhy)
	}
	// In the cold the law soon has it green; inside the range it only is half an
	// hour after the warmth comes back.
	for _, h := range []float64{1, 3, 4, 20, 39, 55} {
		state := State("nothing")
		for _, s := range e.Strip.Segments {
			if !at(h).Before(s.From) && at(h).Before(s.To) {
				state = s.State
			}
		}
		if (state == Unknown) != (h > 10 && h < 40) || state == "nothing" {
			t.Errorf("after %g h the strip says %s", h, state)
		}
	}
	for i, s := range e.Strip.Segments {
		if !s.To.After(s.From) || i > 0 && !s.From.Equal(e.Strip.Segments[i-1].To) {
			t.Errorf("stretch %d does not follow: %+v", i, s)
		}
	}
	// Cold glass: from when it stiffens until it has gelled in the cold.
	fast := generic(t, "fast")
	tr = NewTrack(TrackOptions{Resin: fast, Mixed: zero, Applied: zero})
	for m := range 72 * 60 {
		tr.Feed(Point{At: at(float64(m) / 60), TempC: 10.5, VapourPa: math.NaN(), CO2: math.NaN()})
	}
	now = tr.Last()
	e = new(Workspace).Estimate(&Case{Now: now, Coat: Coat{ID: "c", Kind: Bond, Applied: zero}, Resin: fast, Track: tr, PanelFrom: "probe",
		Outlook: steady(now, 10.5, 72), Belief: Believe(fast.LnKappaSD, 0, 0, tr.Judge(), Family{})})
	cold := 0.0
	for _, s := range e.Strip.Segments {
		if s.State == Unknown && !s.Future {
			cold += s.To.Sub(s.From).Hours()
		}
	}
	if cold < 0.5 || cold > 10 {
		t.Errorf("%.1f h of cold glass on the strip: %+v", cold, e.Strip.Segments)
	}
}

// TestBeforeSleep: a step that only a finger can permit before sleep is not
// told as if it were permitted.
func TestBeforeSleep(t *testing.T) {
	r := generic(t, "slow")
	say := func(feels ...Feel) string {
		tr := steadyTrack(r, 20, 6, feels...)
		now := tr.Last()
		asleep := Span{now.Add(90 * time.Minute), now.Add(14 * time.Hour)}
		e := new(Workspace).Estimate(&Case{Now: now, Coat: Coat{ID: "c", Kind: WetOut, Applied: zero}, Resin: r, Track: tr, PanelFrom: "probe",
			Outlook: steady(now, 20, 72), Belief: Believe(r.LnKappaSD, 0, 0, tr.Judge(), Family{}), Asleep: &asleep, Feels: feels})
		if e.Overnight == nil || e.Overnight.WindowCloses < worthSaying {
			t.Fatalf("overnight %+v", e.Overnight)
		}
		return e.Overnight.Say.Text(now, words.View{Loc: time.UTC})
	}
	const feelIt, roll = "Feel it, and once it is ready roll the fill coat on before ", "Roll the fill coat on before "
	if s := say(); !strings.Contains(s, feelIt) {
		t.Errorf("before anybody felt it: %q", s)
	}
	if s := say(feel(5.9, Green)); !strings.Contains(s, roll) || strings.Contains(s, feelIt) {
		t.Errorf("felt soft and dry: %q", s)
	}
}

// TestLastMinute: the sign that a window is over is the finger's sign for that
// window: cloth wants a coat that sticks, the next layer wet on wet one that
// strings, a fill coat one that takes a dent.
func TestLastMinute(t *testing.T) {
	for _, tt := range []struct {
		kind, next string
		felt       State
		want       string
	}{
		{TackCoat, "", Tacky, "If it no longer sticks, stop"},
		{WetOut, "wet", Wet, "If it sticks and lifts clean, stop"},
		{WetOut, "", Green, "If it no longer takes a dent, stop"},
	} {
		n := 0
		for h := 0.5; h < 9; h += 0.25 {
			e := judged(t, "medium", 20, h, tt.kind, tt.next, feel(h-0.1, tt.felt))
			if because := e.Because.String(); strings.Contains(because, "may close any minute") {
				if n++; !strings.Contains(because, tt.want) {
					t.Errorf("%s for %q: %q", tt.kind, tt.next, because)
				}
			}
		}
		if n == 0 {
			t.Errorf("%s for %q: never at its last minute", tt.kind, tt.next)
		}
	}
}
