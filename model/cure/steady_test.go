// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// The table of steady times that goes with the generic sets' definition. It
// tests arithmetic only: the same law solved by other hands. Hours to tacky,
// recoat opens, green, firm and hard.
func TestSteadyTable(t *testing.T) {
	for _, tt := range []struct {
		set  string
		c    float64
		want [5]float64
	}{
		{Fast, 15, [5]float64{1.93, 2.67, 4.62, 5.16, 9.7}},
		{Fast, 20, [5]float64{1.28, 1.78, 3.00, 3.78, 4.87}},
		{Fast, 25, [5]float64{.87, 1.20, 2.01, 2.80, 3.60}},
		{Fast, 27, [5]float64{.74, 1.03, 1.72, 2.49, 3.20}},
		{Fast, 30, [5]float64{.59, .82, 1.37, 2.10, 2.70}},
		{Medium, 10, [5]float64{5.13, 7.11, 12.12, 15.0, 58.6}},
		{Medium, 15, [5]float64{3.37, 4.67, 7.84, 11.0, 22.3}},
		{Medium, 20, [5]float64{2.25, 3.11, 5.20, 8.14, 10.9}},
		{Medium, 25, [5]float64{1.52, 2.10, 3.50, 6.13, 8.24}},
		{Medium, 30, [5]float64{1.04, 1.44, 2.40, 4.69, 6.35}},
		{Slow, 10, [5]float64{10.3, 14.2, 24.0, 32.3, 133}},
		{Slow, 15, [5]float64{6.74, 9.33, 15.6, 23.7, 50.0}},
		{Slow, 20, [5]float64{4.49, 6.22, 10.4, 17.7, 24.1}},
		{Slow, 25, [5]float64{3.03, 4.20, 7.00, 13.5, 18.5}},
		{Slow, 30, [5]float64{2.08, 2.88, 4.88, 10.4, 14.5}},
	} {
		s := Steady(generic(t, tt.set), tt.c, 1, true)
		m := s.TimesMin
		for i, p := range []*float64{m.Tacky, m.RecoatOpens, m.Green, m.Firm, m.Hard} {
			if p == nil {
				t.Errorf("%s at %g °C: mark %d is never", tt.set, tt.c, i)
				continue
			}
			// The table's last digit, and .3 % for α_gel rounded to .577 in it.
			tol := 0.003 * tt.want[i]
			switch {
			case tt.want[i] == 9.7: // given to one digit
				tol = max(tol, 0.051)
			case tt.want[i] < 10:
				tol = max(tol, 0.0051)
			default:
				tol = max(tol, 0.051)
			}
			near(t, fmt.Sprintf("%s at %g °C, mark %d", tt.set, tt.c, i), *p/60, tt.want[i], tol, "h")
		}
		if m.RecoatCloses == nil || *m.RecoatCloses != *m.Firm {
			t.Errorf("%s at %g °C: recoat closes at %v, firm at %v", tt.set, tt.c, m.RecoatCloses, *m.Firm)
		}
	}
}

// Common practice, no source: a thin film of a fast hardener at 27 °C takes a
// gloved fingerprint and lets go after 30 to 60 minutes, is tack-free but
// thumbnail-soft at about two hours and then still takes a chemical bond; a
// slow one at 20 °C can be recoated overnight; speed about doubles per 10 °C.
func TestCommonPractice(t *testing.T) {
	f := Steady(generic(t, Fast), 27, 1, true).TimesMin
	if *f.Tacky < 30 || *f.Tacky > 60 {
		t.Errorf("fast at 27 °C is tacky after %.0f min, practice says 30 to 60", *f.Tacky)
	}
	if *f.Green > 120 || *f.RecoatCloses < 120 {
		t.Errorf("fast at 27 °C: green at %.0f, closed at %.0f min; practice has it green and open at 120", *f.Green, *f.RecoatCloses)
	}
	s := Steady(generic(t, Slow), 20, 1, true).TimesMin
	if *s.RecoatOpens > 8*60 || *s.RecoatCloses < 12*60 {
		t.Errorf("slow at 20 °C: window %.1f to %.1f h; practice recoats it after a night of 8 to 12 h",
			*s.RecoatOpens/60, *s.RecoatCloses/60)
	}
	for _, n := range names {
		r := generic(t, n)
		q := *Steady(r, 15, 1, true).TimesMin.Tacky / *Steady(r, 25, 1, true).TimesMin.Tacky
		if q < 1.8 || q > 2.5 {
			t.Errorf("%s: 10 °C makes it %.2f times faster, practice says about 2", n, q)
		}
	}
}

// From memory: epoxies cured at room temperature for a week end with a glass
// transition of some 45 to 60 °C. The diffusion factor was set with this
// range in view, so this holds the setting, it does not confirm it.
func TestRoomTemperatureTg(t *testing.T) {
	for _, n := range names {
		for _, c := range []float64{20, 25} {
			if tg := Steady(generic(t, n), c, 1, true).TgCAtH.H168; tg < 42 || tg > 62 {
				t.Errorf("%s after 7 d at %g °C: Tg %.0f °C", n, c, tg)
			}
		}
	}
}

// Degree of cure and Tg after 24 h and 7 d (arithmetic, two digits).
func TestSteadyHours(t *testing.T) {
	for _, tt := range []struct {
		set              string
		c                float64
		a24, t24, a7, t7 float64
	}{
		{Fast, 5, .62, 22, .69, 34}, {Fast, 15, .71, 37, .76, 47}, {Fast, 25, .77, 51, .81, 60},
		{Medium, 10, .69, 22, .77, 36}, {Medium, 20, .78, 38, .83, 48},
		{Slow, 5, .43, -12, .72, 25}, {Slow, 20, .76, 30, .83, 44}, {Slow, 25, .80, 38, .86, 50},
	} {
		s := Steady(generic(t, tt.set), tt.c, 1, true)
		what := fmt.Sprintf("%s at %g °C, ", tt.set, tt.c)
		near(t, what+"α 24 h", s.AlphaAtH.H24, tt.a24, .0051, "")
		near(t, what+"Tg 24 h", s.TgCAtH.H24, tt.t24, .51, "°C")
		near(t, what+"α 7 d", s.AlphaAtH.H168, tt.a7, .0051, "")
		near(t, what+"Tg 7 d", s.TgCAtH.H168, tt.t7, .51, "°C")
	}
}

// Stall and cold glass of the generic sets (arithmetic on their definition).
func TestStall(t *testing.T) {
	for set, want := range map[string][3]bool{
		Fast: {true, false, false}, Medium: {true, true, false}, Slow: {true, true, true},
	} {
		r := generic(t, set)
		for i, c := range []float64{5, 10, 15} {
			if got := Steady(r, c, 1, true).Stall; got != want[i] {
				t.Errorf("%s at %g °C: stall %v", set, c, got)
			}
		}
		if Steady(r, 20, 1, true).Stall {
			t.Errorf("%s stalls at 20 °C", set)
		}
	}
	for set, want := range map[string]struct{ target, week, days3, glass float64 }{
		Fast:   {.724, 9.5, 12.7, 14.4},
		Medium: {.789, 13.2, 16.6, 6.4},
		Slow:   {.813, 16.7, 20.4, 3.3},
	} {
		r := generic(t, set)
		near(t, set+" α of 40 °C", r.AlphaTarget(), want.target, 6e-4, "")
		for h, w := range map[float64]float64{168: want.week, 72: want.days3} {
			if !(r.SteadyTime(0, r.AlphaTarget(), w+.06, 1) < h*3600 && r.SteadyTime(0, r.AlphaTarget(), w-.06, 1) > h*3600) {
				t.Errorf("%s: %g °C is not what reaches the target in %g h", set, w, h)
			}
		}
		for d, cold := range map[float64]bool{-.15: true, .15: false} {
			trace := make([]float64, 4*24*21)
			for i := range trace {
				trace[i] = want.glass + d
			}
			m, _ := follow(r, trace, 1, 60, Film{})
			if got := m.Glass < m.When[Green]; got != cold {
				t.Errorf("%s at %.2f °C: cold glass %v", set, want.glass+d, got)
			}
		}
	}
}

// Marks come in order, or are never, for every set from 0 to 35 °C.
func TestSteadyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, _ := Generic(rapid.SampledFrom(names).Draw(t, "set"))
		if rapid.Bool().Draw(t, "wide range") {
			r.MinC, r.MaxC = -10, 60
		}
		c := rapid.Float64Range(0, 35).Draw(t, "temp")
		k := rapid.Float64Range(0.4, 2.5).Draw(t, "kappa")
		m := Steady(r, c, k, true).TimesMin
		last, never := 0.0, false
		for i, p := range []*float64{m.Tacky, m.RecoatOpens, m.Green, m.Firm, m.Hard} {
			switch {
			case p == nil:
				never = true
			case never:
				t.Errorf("mark %d comes after one that never does", i)
			case *p < last:
				t.Errorf("mark %d at %g min, before %g", i, *p, last)
			default:
				last = *p
			}
		}
		if (m.Firm == nil) != (m.RecoatCloses == nil) || m.Firm != nil && *m.Firm != *m.RecoatCloses {
			t.Errorf("firm %v and recoat closes %v differ", m.Firm, m.RecoatCloses)
		}
		if m.Firm != nil {
			// Warmer is sooner; twice the rate factor is half the time.
			if w := Steady(r, c+1, k, true).TimesMin; *w.Tacky >= *m.Tacky {
				t.Errorf("tacky no sooner at %g °C", c+1)
			}
			if w := Steady(r, c, 2*k, true).TimesMin; math.Abs(*w.Hard*2 / *m.Hard - 1) > 1e-9 {
				t.Errorf("twice κ: hard after %g instead of %g min", *w.Hard, *m.Hard)
			}
		}
	})
}

// A sheet's recoat limit closes the window before firm does, at its own
// temperature after its own time, and sooner when warmer.
func TestSteadySheetLimit(t *testing.T) {
	r := generic(t, Slow)
	r.RecoatUntil = &TimeAt{Hours: 9, TempC: 20}
	near(t, "closes at 20 °C", *Steady(r, 20, 1, true).TimesMin.RecoatCloses, 540, 1e-9, "min")
	near(t, "closes at 30 °C", *Steady(r, 30, 1, true).TimesMin.RecoatCloses, 540/2.163, .5, "min")
	// Outside the range the limit still warns, though firm is not claimed.
	s := Steady(r, 5, 1, true).TimesMin
	if s.Firm != nil || s.RecoatCloses == nil {
		t.Errorf("at 5 °C: firm %v, closes %v", s.Firm, s.RecoatCloses)
	}
}

func TestSteadyJSON(t *testing.T) {
	b, err := json.Marshal(Steady(generic(t, Fast), 5, 1, true))
	if err != nil {
		t.Fatal(err)
	}
	var m map[string]any
	if err := json.Unmarshal(b, &m); err != nil {
		t.Fatal(err)
	}
	times := m["times_min"].(map[string]any)
	for _, k := range []string{"alpha_0.30", "gel", "alpha_0.80", "tacky", "recoat_opens", "green", "firm", "recoat_closes", "hard"} {
		if _, ok := times[k]; !ok {
			t.Errorf("times_min has no %q", k)
		}
	}
	if times["green"] != nil || times["hard"] != nil {
		t.Errorf("at 5 °C green %v, hard %v: must be null below the minimum", times["green"], times["hard"])
	}
	for _, k := range []string{"alpha_at_h", "tg_c_at_h"} {
		h := m[k].(map[string]any)
		for _, x := range []string{"1", "2", "4", "8", "24", "168"} {
			if _, ok := h[x].(float64); !ok {
				t.Errorf("%s has no number at %q", k, x)
			}
		}
	}
	if _, ok := m["stall"].(bool); !ok {
		t.Error("no stall")
	}
}
