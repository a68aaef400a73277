// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"fmt"
	"math"
	"testing"
	"time"

	"curewright/model/air"
	"curewright/model/cure"
	"curewright/model/words"

	"pgregory.net/rapid"
)

var zero = time.Date(2026, 10, 10, 8, 40, 0, 0, time.UTC)

func generic(t testing.TB, name string) *cure.Resin {
	t.Helper()
	r, ok := cure.Generic(name)
	if !ok {
		t.Fatalf("no generic resin %q", name)
	}
	return &r
}

// steadyTrack follows a coat at one temperature, minute by minute.
func steadyTrack(r *cure.Resin, tC, hours float64, feels ...Feel) *Track {
	tr := NewTrack(TrackOptions{Resin: r, Mixed: zero, Applied: zero, Feels: feels})
	for m := 0; m <= int(hours*60); m++ {
		tr.Feed(Point{At: zero.Add(time.Duration(m) * time.Minute), TempC: tC, VapourPa: math.NaN(), CO2: math.NaN()})
	}
	return tr
}

func hoursOf(tr *Track, m cure.Mark) float64 {
	return tr.law[midRail][nodeN/2].At(m, &tr.path.Ages) / 3600
}

// TestSteadyTimes checks the arithmetic of the marks against times worked out
// by quadrature for the generic sets: arithmetic only, it does not show that
// the model is right about resin.
func TestSteadyTimes(t *testing.T) {
	for _, tt := range []struct {
		resin string
		tC    float64
		want  [5]float64 // tacky, opens, green, firm = closes, hard, in h
	}{
		{"fast", 15, [5]float64{1.93, 2.67, 4.62, 5.16, 9.7}},
		{"fast", 20, [5]float64{1.28, 1.78, 3.00, 3.78, 4.87}},
		{"fast", 27, [5]float64{.74, 1.03, 1.72, 2.49, 3.20}},
		{"fast", 30, [5]float64{.59, .82, 1.37, 2.10, 2.70}},
		{"medium", 10, [5]float64{5.13, 7.11, 12.12, 15.0, 58.6}},
		{"medium", 15, [5]float64{3.37, 4.67, 7.84, 11.0, 22.3}},
		{"medium", 20, [5]float64{2.25, 3.11, 5.20, 8.14, 10.9}},
		{"medium", 30, [5]float64{1.04, 1.44, 2.40, 4.69, 6.35}},
		{"slow", 15, [5]float64{6.74, 9.33, 15.6, 23.7, 50.0}},
		{"slow", 20, [5]float64{4.49, 6.22, 10.4, 17.7, 24.1}},
		{"slow", 25, [5]float64{3.03, 4.20, 7.00, 13.5, 18.5}},
		{"slow", 30, [5]float64{2.08, 2.88, 4.88, 10.4, 14.5}},
	} {
		tr := steadyTrack(generic(t, tt.resin), tt.tC, tt.want[4]*1.2)
		for i, m := range []cure.Mark{cure.Tacky, cure.Opens, cure.Green, cure.Firm, cure.Hard} {
			if got := hoursOf(tr, m); math.Abs(got-tt.want[i]) > 0.006*tt.want[i]+0.006 {
				t.Errorf("%s at %g °C: mark %d at %.3f h, want %.2f h", tt.resin, tt.tC, m, got, tt.want[i])
			}
		}
		if got, want := hoursOf(tr, cure.Closes), hoursOf(tr, cure.Firm); got != want {
			t.Errorf("%s at %g °C: closes at %.3f h, firm at %.3f h", tt.resin, tt.tC, got, want)
		}
	}
}

// TestFastAt27 is common practice, no source: a thin film of a fast hardener
// at 27 °C takes a gloved fingerprint and lets go after 30 to 60 minutes, is
// tack-free but thumbnail-soft at about two hours and then still takes a
// chemical bond.
func TestFastAt27(t *testing.T) {
	tr := steadyTrack(generic(t, "fast"), 27, 4)
	if h := hoursOf(tr, cure.Tacky); h < 0.5 || h > 1 {
		t.Errorf("tacky at %.0f min, want 30 to 60", 60*h)
	}
	if g, c := hoursOf(tr, cure.Green), hoursOf(tr, cure.Closes); g > 2 || c < 2 {
		t.Errorf("green at %.2f h and closed at %.2f h: at 2 h it should be green and open", g, c)
	}
}

// TestOrderOfMarks: tacky ≤ opens ≤ green ≤ firm = closes ≤ hard ≤ handle, or
// never, for every set and rate factor over wandering temperatures of 0 to
// 35 °C, past and forecast alike.
func TestOrderOfMarks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, _ := cure.Generic(rapid.SampledFrom([]string{"fast", "medium", "slow"}).Draw(t, "resin"))
		tr := NewTrack(TrackOptions{Resin: &r, Mixed: zero, Applied: zero})
		c := rapid.Float64Range(0, 35).Draw(t, "start")
		hours := rapid.IntRange(1, 60).Draw(t, "hours")
		for h := range hours {
			c = min(35, max(0, c+rapid.Float64Range(-4, 4).Draw(t, "step")))
			tr.Feed(Point{At: zero.Add(time.Duration(h) * time.Hour), TempC: c, VapourPa: math.NaN(), CO2: math.NaN()})
		}
		for j := range nodeN {
			checkOrder(t, func(m cure.Mark) float64 { return tr.law[midRail][j].At(m, &tr.path.Ages) }, math.Exp(nodeLn(j)))
			if tr.law[midRail][j].At(cure.Closes, &tr.path.Ages) != tr.law[midRail][j].At(cure.Firm, &tr.path.Ages) {
				t.Fatalf("κ %.2f: closes at %g s, firm at %g s", math.Exp(nodeLn(j)), tr.law[midRail][j].At(cure.Closes, &tr.path.Ages), tr.law[midRail][j].At(cure.Firm, &tr.path.Ages))
			}
			if a := tr.alpha[j]; !(a >= 0 && a < 1) || j > 0 && a < tr.alpha[j-1] {
				t.Fatalf("κ %.2f: α %g after %g", math.Exp(nodeLn(j)), a, tr.alpha[max(j-1, 0)])
			}
		}
		o := &Outlook{Start: tr.Last(), StepS: 900, Paths: 3, Len: 289, VapourPa: math.NaN()}
		for p := range o.Paths {
			x := c
			for range o.Len {
				o.TempC = append(o.TempC, float32(x))
				x = min(35, max(0, x+float64(p-1)*0.05))
			}
		}
		var w Weights
		w.normal(0.25)
		ws := new(Workspace)
		f := ws.spreadOut(tr, &Belief{W: w}, o)
		f.accumulate()
		for i, q := range bandQ {
			checkOrder(t, func(m cure.Mark) float64 { return f.times[m][i] }, q)
		}
		for m := range f.times {
			if a := f.times[m]; a[0] > a[1] || a[1] > a[2] {
				t.Fatalf("mark %d: p10, p50, p90 at %.0f, %.0f, %.0f s", m, a[0], a[1], a[2])
			}
		}
	})
}

func checkOrder(t *rapid.T, when func(cure.Mark) float64, of float64) {
	order := []cure.Mark{cure.Tacky, cure.Opens, cure.Green, cure.Firm, cure.Hard, cure.Handle}
	for i := 1; i < len(order); i++ {
		// Quantiles are read to a second.
		if a, b := when(order[i-1]), when(order[i]); a > b+1 {
			t.Fatalf("at %.2f: mark %d at %.1f s, after mark %d at %.1f s", of, order[i-1], a, order[i], b)
		}
	}
}

// TestNormalBelief is the textbook case: a normal prior of mean 0 and sd .25
// with one observation ln .77 ± .15 has mean −.192, median κ .825 and sd .129
// (conjugate normal, closed form).
func TestNormalBelief(t *testing.T) {
	var w Weights
	w.normal(0.25)
	for i := range w {
		x := (gridLn(i) - math.Log(0.77)) / 0.15
		w[i] *= math.Exp(-x * x / 2)
	}
	w.normalise()
	m, sd := w.Moments()
	prec := 1/(0.25*0.25) + 1/(0.15*0.15)
	want := math.Log(0.77) / (0.15 * 0.15) / prec
	if math.Abs(m-want) > 1e-6 || math.Abs(sd-math.Sqrt(1/prec)) > 1e-6 {
		t.Errorf("mean %.6f sd %.6f, closed form %.6f and %.6f", m, sd, want, math.Sqrt(1/prec))
	}
	if math.Abs(m+0.1922) > 1e-3 || math.Abs(sd-0.1286) > 1e-3 || math.Abs(math.Exp(w.Quantile(0.5))-0.8252) > 1e-3 {
		t.Errorf("mean %.4f, sd %.4f, κ %.4f; worked example −.1922, .1286, .8252", m, sd, math.Exp(w.Quantile(0.5)))
	}
	for _, q := range []float64{0.1, 0.5, 0.9} {
		z := math.Sqrt2 * math.Erfinv(2*q-1)
		if got := w.Quantile(q); math.Abs(got-(want+z*math.Sqrt(1/prec))) > 2e-3 {
			t.Errorf("quantile %g is %.4f, closed form %.4f", q, got, want+z*math.Sqrt(1/prec))
		}
	}
}

func feel(h float64, s State) Feel {
	return Feel{Coat: "c", At: zero.Add(time.Duration(h * float64(time.Hour))), State: s}
}

func beliefOf(r *cure.Resin, tr *Track) Belief {
	return Believe(r.LnKappaSD, 0, tr.TempSD(0.25), tr.Judge(), Family{})
}

// TestFingerTests: an early "tacky" means a fast batch, a late "wet" a slow
// one, and each narrows the doubt.
func TestFingerTests(t *testing.T) {
	r := generic(t, "medium")
	before := beliefOf(r, steadyTrack(r, 20, 3))
	_, sd0 := before.W.Moments()
	fast := beliefOf(r, steadyTrack(r, 20, 3, feel(1.5, Tacky)))
	slow := beliefOf(r, steadyTrack(r, 20, 3, feel(2.8, Wet)))
	mf, sf := fast.W.Moments()
	ms, ss := slow.W.Moments()
	if mf < 0.05 || ms > -0.05 {
		t.Errorf("mean ln κ after an early tacky %.3f, after a late wet %.3f", mf, ms)
	}
	if sf >= sd0 || ss >= sd0 {
		t.Errorf("sd %.3f and %.3f, prior %.3f: a finger test should narrow it", sf, ss, sd0)
	}
	if fast.Used != 1 || fast.LastUsed == nil || fast.LastUsed.State != Tacky {
		t.Errorf("used %d, last %v", fast.Used, fast.LastUsed)
	}
}

// TestContradictingTests: what wet after green means nobody knows; neither
// counts, and it is said. A single odd one among three is dropped alone.
func TestContradictingTests(t *testing.T) {
	r := generic(t, "medium")
	prior := beliefOf(r, steadyTrack(r, 20, 6))
	b := beliefOf(r, steadyTrack(r, 20, 6, feel(4.5, Green), feel(5.5, Wet)))
	if b.Used != 0 || b.Ignored != 2 || b.W != prior.W {
		t.Errorf("used %d, ignored %d, belief changed %v", b.Used, b.Ignored, b.W != prior.W)
	}
	if len(b.Notes) != 1 || b.Notes[0].Code != "tests_disagree" || len(b.Notes[0].Feels) != 2 {
		t.Errorf("notes %v", b.Notes)
	}
	b = beliefOf(r, steadyTrack(r, 20, 6, feel(2, Green), feel(3, Tacky), feel(4, Tacky), feel(5.5, Green)))
	if b.Used != 3 || b.Ignored != 1 {
		t.Errorf("used %d, ignored %d, want the one odd test dropped", b.Used, b.Ignored)
	}
}

// TestTestsAfterDew: a finger test on a wet surface says nothing about cure.
func TestTestsAfterDew(t *testing.T) {
	r := generic(t, "medium")
	tr := NewTrack(TrackOptions{Resin: r, Mixed: zero, Applied: zero, Feels: []Feel{feel(3, Tacky)}})
	for m := range 5 * 60 {
		tr.Feed(Point{At: zero.Add(time.Duration(m) * time.Minute), TempC: 15, VapourPa: air.VapourPressure(16), CO2: math.NaN()})
	}
	b := beliefOf(r, tr)
	if b.Used != 0 || b.Ignored != 1 {
		t.Fatalf("used %d, ignored %d", b.Used, b.Ignored)
	}
	if bl := blush(tr, 0); !bl.Condensed || bl.Band != "high" {
		t.Errorf("blush %+v, want condensed and high", bl)
	}
}

// TestImpossibleBatch: a rate factor that no batch of a resin has is a
// mistake somewhere: it is asked about, not adapted to.
func TestImpossibleBatch(t *testing.T) {
	r := generic(t, "slow")
	r.LnKappaSD = 0.5
	tr := steadyTrack(r, 20, 3, feel(1.2, Tacky), feel(1.4, Tacky), feel(2.9, Green))
	b := beliefOf(r, tr)
	if !b.Asked {
		t.Errorf("not asked; median κ %.2f", math.Exp(b.W.Quantile(0.5)))
	}
	if k := math.Exp(b.W.Quantile(0.5)); math.Abs(k-1) > 0.01 {
		t.Errorf("κ adapted to %.2f", k)
	}
}

// TestFamily: a cup of the same lot that proved slow makes this one likely
// slow, by less; the same cup by more.
func TestFamily(t *testing.T) {
	r := generic(t, "medium")
	other := steadyTrack(r, 20, 4, feel(2.8, Wet), feel(3.4, Wet))
	l := other.Judge()
	own := steadyTrack(r, 20, 1)
	none := own.Judge()
	alone := Believe(0.25, 0, 0, none, Family{})
	cup := Believe(0.25, 0, 0, none, Family{SameBatch: []Likelihood{l}})
	lot := Believe(0.25, 0, 0, none, Family{SameLot: [][]Likelihood{{l}}})
	ma, _ := alone.W.Moments()
	mc, sc := cup.W.Moments()
	ml, sl := lot.W.Moments()
	if !(mc < ml && ml < ma-0.02) {
		t.Errorf("mean ln κ: same cup %.3f, same lot %.3f, alone %.3f; want in this order", mc, ml, ma)
	}
	if !(sc < sl && sl < 0.25) {
		t.Errorf("sd: same cup %.3f, same lot %.3f, prior .25", sc, sl)
	}
}

// TestColdGlass: below the temperature where it stiffens before it gels, the
// coat is not known from then until it has surely gelled in the cold, or until
// a finger inside the range was there.
func TestColdGlass(t *testing.T) {
	for name, limit := range map[string]float64{"fast": 14.4, "medium": 6.4, "slow": 3.3} {
		r := generic(t, name)
		r.MinC = 0
		for _, d := range []float64{-2, 0.6} {
			tr := NewTrack(TrackOptions{Resin: r, Mixed: zero, Applied: zero})
			b := &Belief{}
			b.W.normal(0.05)
			was, end := 0.0, false
			for h := 0.0; h < 21*24; h += 0.25 {
				tr.Feed(Point{At: zero.Add(time.Duration(h * float64(time.Hour))), TempC: limit + d, VapourPa: math.NaN(), CO2: math.NaN()})
				if cold := tr.coldGlass(b); cold {
					was += 0.25
				} else if was > 0 {
					end = true
					if tr.gelled(b) < gelledP {
						t.Errorf("%s at %.1f °C: no longer cold glass though gelled with %.2f only", name, limit+d, tr.gelled(b))
					}
					break
				}
			}
			if (was > 0) != (d < 0) || d < 0 && !end {
				t.Errorf("%s at %.1f °C: cold glass for %.1f h, ended %v", name, limit+d, was, end)
			}
		}
	}
}

// TestBlushExamples are worked from the index's own definition (arithmetic).
func TestBlushExamples(t *testing.T) {
	for _, tt := range []struct {
		resin         string
		panel, airC   float64
		rh, co2, want float64
	}{
		{"medium", 22, 22, 50, 420, 0.02},
		{"medium", 15, 18, 75, 420, 0.780},
		{"medium", 15, 18, 75, 5000, 2.692},
		{"fast", 12, 14, 85, 420, 1.104},
	} {
		r := generic(t, tt.resin)
		tr := NewTrack(TrackOptions{Resin: r, Mixed: zero, Applied: zero})
		for m := range 72 * 60 {
			tr.Feed(Point{At: zero.Add(time.Duration(m) * time.Minute), TempC: tt.panel, VapourPa: tt.rh / 100 * air.VapourPressure(tt.airC), CO2: tt.co2})
		}
		if got := tr.BlushIndex(0); math.Abs(got-tt.want) > 0.01*tt.want+0.005 {
			t.Errorf("%s panel %g, air %g °C %g %%, %g ppm: J %.3f, want %.3f", tt.resin, tt.panel, tt.airC, tt.rh, tt.co2, got, tt.want)
		}
	}
}

func TestHysteresisAndSoftening(t *testing.T) {
	r := generic(t, "medium")
	tr := NewTrack(TrackOptions{Resin: r, Mixed: zero, Applied: zero})
	feed := func(h, c float64) {
		tr.Feed(Point{At: zero.Add(time.Duration(h * float64(time.Hour))), TempC: c, VapourPa: math.NaN(), CO2: math.NaN()})
	}
	var w Weights
	w.normal(0.02)
	state := func() State {
		b := &Belief{W: w}
		s, _ := settle(tr.cumulative(b, &tr.alpha), tr, 0, &tr.alpha)
		return s
	}
	for h := 0.0; h <= 10.5; h += 0.1 {
		feed(h, 18)
	}
	if s := state(); s != Firm {
		t.Fatalf("at 18 °C after 10.5 h it is %s, want firm", s)
	}
	for h := 10.55; h <= 10.85; h += 0.05 {
		feed(h, 29)
	}
	if s := state(); s != Green {
		t.Errorf("warmed to 29 °C it is %s, want green again", s)
	}
	if math.IsNaN(tr.softened) {
		t.Error("softening went unnoticed")
	}
	if math.IsInf(tr.law[midRail][nodeN/2].When[cure.Firm], 1) {
		t.Error("the first crossing is forgotten")
	}
}

func TestSentences(t *testing.T) {
	now := zero
	at := zero.Add(90 * time.Minute).Add(3 * time.Minute)
	c := Case{Now: now, Loc: time.FixedZone("", 3600)}
	y := c.say("order.recoat_until", words.Facts{"do": words.Temp(16.2), "until": c.at(at, earlier)})
	if got, want := y.Text(now, words.View{}), "16 °C before 11:10."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	for _, tt := range []struct {
		d    direction
		in   time.Duration
		want string
	}{
		{later, 2*time.Hour + time.Minute, "10:45"}, {earlier, 2*time.Hour + 4*time.Minute, "10:40"},
		{nearest, 2*time.Hour + 3*time.Minute, "10:45"}, {nearest, 31 * time.Minute, "09:11"}, {later, 31*time.Minute + time.Second, "09:12"},
	} {
		if got := clock(now.Add(tt.in), now, tt.d).Format("15:04"); got != tt.want {
			t.Errorf("%v in direction %d: %s, want %s", tt.in, tt.d, got, tt.want)
		}
	}
}

func ExampleWorkspace_Estimate() {
	r, _ := cure.Generic("medium")
	mixed := time.Date(2026, 10, 10, 9, 40, 0, 0, time.UTC)
	tr := NewTrack(TrackOptions{Resin: &r, Mixed: mixed, Applied: mixed})
	now := mixed.Add(time.Hour)
	for at := mixed; !at.After(now); at = at.Add(time.Minute) {
		tr.Feed(Point{At: at, TempC: 20, VapourPa: math.NaN(), CO2: math.NaN()})
	}
	e := new(Workspace).Estimate(&Case{
		Now: now, Coat: Coat{ID: "tack", Panel: "lid-outer", Resin: "medium", Kind: TackCoat, Applied: mixed},
		Resin: &r, Track: tr, PanelFrom: "probe", Outlook: steady(now, 20, 72),
		Belief: Believe(r.LnKappaSD, 0, 0, tr.Judge(), Family{}),
	})
	fmt.Println(e.State)
	fmt.Println(e.Advice)
	// Output:
	// wet
	// Feel it at 12:25.
}

// steady is an outlook in which the temperature stays.
func steady(start time.Time, tC float64, hours float64) *Outlook {
	o := &Outlook{Start: start, StepS: 900, Paths: 1, Len: int(hours*4) + 1, VapourPa: math.NaN()}
	o.TempC = make([]float32, o.Len)
	for i := range o.TempC {
		o.TempC[i] = float32(tC)
	}
	return o
}
