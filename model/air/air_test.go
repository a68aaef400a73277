// SPDX-License-Identifier: Apache-2.0

package air

import (
	"math"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"curewright/internal/realpart"
)

func near(t *testing.T, what string, got, want, tol float64, unit string) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.9g %s, want %.9g ± %g", what, got, unit, want, tol)
	}
}

// The saturation line of water of IAPWS-IF97 (region 4), equations 30 and 31,
// as an oracle; the product does not use it. Coefficients of table 34 from
// memory, held by the verification values of tables 35 and 36 below.
var n4 = [11]float64{
	0, 1167.0521452767, -724213.16703206, -17.073846940092, 12020.82470247,
	-3232555.0322333, 14.91510861353, -4823.2657361591, 405113.40542057,
	-0.23855557567849, 650.17534844798,
}

// if97Pressure is the saturation pressure in Pa at T K.
func if97Pressure(T float64) float64 {
	th := T + n4[9]/(T-n4[10])
	a := th*th + n4[1]*th + n4[2]
	b := n4[3]*th*th + n4[4]*th + n4[5]
	c := n4[6]*th*th + n4[7]*th + n4[8]
	return 1e6 * math.Pow(2*c/(-b+math.Sqrt(b*b-4*a*c)), 4)
}

// if97Temperature is the saturation temperature in K at p Pa.
func if97Temperature(p float64) float64 {
	b := math.Pow(p/1e6, 0.25)
	e := b*b + n4[3]*b + n4[6]
	f := n4[1]*b*b + n4[4]*b + n4[7]
	g := n4[2]*b*b + n4[5]*b + n4[8]
	d := 2 * g / (-f - math.Sqrt(f*f-4*e*g))
	return (n4[10] + d - math.Sqrt((n4[10]+d)*(n4[10]+d)-4*(n4[9]+n4[10]*d))) / 2
}

func TestIF97(t *testing.T) {
	// IAPWS-IF97 table 35.
	for T, p := range map[float64]float64{300: 3536.58941, 500: 2.63889776e6, 600: 12.3443146e6} {
		near(t, "saturation pressure", if97Pressure(T)/p, 1, 1e-8, "")
	}
	// IAPWS-IF97 table 36.
	for p, T := range map[float64]float64{0.1e6: 372.755919, 1e6: 453.035632, 10e6: 584.149488} {
		near(t, "saturation temperature", if97Temperature(p)/T, 1, 1e-8, "")
	}
}

// The product's formula against IF97: never off by more than .31 % from 0 to
// 40 °C, which is .05 K of dew point.
func TestVapourPressureIF97(t *testing.T) {
	for c := 0.01; c <= 40; c += .5 {
		if rel := VapourPressure(c)/if97Pressure(c+273.15) - 1; math.Abs(rel) > 3.1e-3 {
			t.Errorf("%.2f °C: off by %.2f %%", c, 100*rel)
		}
		td, ok := DewPoint(if97Pressure(c + 273.15))
		if !ok || math.Abs(td-c) > .06 {
			t.Errorf("dew point of IF97's pressure at %.2f °C: %.3f, %v", c, td, ok)
		}
	}
}

func TestVapourPressureASHRAE(t *testing.T) {
	// ASHRAE Handbook—Fundamentals 2017, table 3. The oracle meets its digits;
	// the product's formula its own .31 %.
	for c, p := range map[float64]float64{5: 872.6, 25: 3169.7} {
		near(t, "IF97 to ASHRAE", if97Pressure(c+273.15)/p, 1, 3e-4, "")
		near(t, "WMO to ASHRAE", VapourPressure(c)/p, 1, 3.1e-3, "")
	}
}

func TestFormula(t *testing.T) {
	// WMO-No. 8, Annex 4.B; the figures are arithmetic on its formula.
	near(t, "es(20)", VapourPressure(20), 2332.60, .01, "Pa")
	for _, x := range []struct{ c, es float64 }{{5, 871.74}, {10, 1226.03}, {15, 1701.67}, {25, 3160.06}, {30, 4233.72}, {40, 7367.46}} {
		near(t, "es", VapourPressure(x.c), x.es, .01, "Pa")
	}
	td, _ := DewPoint(.5 * VapourPressure(20))
	near(t, "dew point 20 °C 50 %", td, 9.255, .005, "°C")
	td, _ = DewPoint(.6 * VapourPressure(25))
	near(t, "dew point 25 °C 60 %", td, 16.693, .005, "°C")
	near(t, "10 °C 80 % heated to 20 °C", PanelRH(10, 80, 20), 42.0, .1, "%")
	near(t, "10 °C 80 % heated to 25 °C", PanelRH(10, 80, 25), 31.0, .1, "%")
	near(t, "panel 15 °C in 20 °C 70 %", PanelRH(20, 70, 15), 96.0, .1, "%")
	near(t, "3 K above the dew point at 20 °C", 100*VapourPressure(17)/VapourPressure(20), 82.9, .1, "%")
	a, _ := DewPoint(.805 * VapourPressure(20))
	b, _ := DewPoint(.795 * VapourPressure(20))
	near(t, "dTd/dRH at 20 °C 80 %", a-b, .197, .002, "K/%")
	// The value of psychrolib's own test of GetHumRatioFromVapPres.
	w, ok := HumidityRatio(3169.7, 95461)
	if !ok {
		t.Fatal("no humidity ratio")
	}
	near(t, "humidity ratio", w/.02136040, 1, 1e-6, "")
}

// psychrolib (npm, 1.1.1) over a grid of what a shop can hold. It uses
// Hyland and Wexler's formula; ours differs by up to .31 % in pressure.
func TestPsychrolib(t *testing.T) {
	lib, node := realpart.NPM(t, "psychrolib"), realpart.Program(t, "node")
	var grid [][3]float64
	for c := 2.0; c <= 40; c += 2 {
		for rh := 20.0; rh <= 100; rh += 10 {
			for _, p := range []float64{90000, StandardPressure} {
				grid = append(grid, [3]float64{c, rh, p})
			}
		}
	}
	var want [][3]float64
	realpart.Ask(t, grid, &want, node, filepath.Join("testdata", "psychrolib.js"), lib)
	if len(want) != len(grid) {
		t.Fatalf("psychrolib: %d rows of %d", len(want), len(grid))
	}
	for i, g := range grid {
		r, err := Point(g[0], g[1], nil, g[2])
		if err != nil {
			t.Fatal(err)
		}
		// Below 0 °C psychrolib's dew point is over ice, ours over water.
		if want[i][0] > 0 && math.Abs(r.DewPointC-want[i][0]) > .07 {
			t.Errorf("%v: dew point %.3f, psychrolib %.3f °C", g, r.DewPointC, want[i][0])
		}
		if rel := r.HumidityRatio/want[i][1] - 1; math.Abs(rel) > 3.3e-3 {
			t.Errorf("%v: humidity ratio %.6f, psychrolib %.6f", g, r.HumidityRatio, want[i][1])
		}
		if rel := VapourPressure(g[0])/want[i][2] - 1; math.Abs(rel) > 3.1e-3 {
			t.Errorf("%v: saturation %.2f, psychrolib %.2f Pa", g, VapourPressure(g[0]), want[i][2])
		}
	}
}

// The humidity ratio that the authors of an open data set worked out from
// their own temperature and humidity: Candanedo and Feldheim, Energy and
// Buildings 112 (2016) 28, UCI "Occupancy Detection".
func TestOpenHumidityRatio(t *testing.T) {
	worst := 0.0
	for _, row := range realpart.Room(t) {
		r, err := Point(row.TempC, row.RHPct, nil, StandardPressure)
		if err != nil {
			t.Fatalf("%v: %v", row, err)
		}
		worst = max(worst, math.Abs(r.HumidityRatio/row.Ratio-1))
	}
	// They used another formula and did not say at what pressure.
	if worst > 5e-3 {
		t.Errorf("off by up to %.2f %%", 100*worst)
	}
	t.Logf("%d rows, off by at most %.3f %%", len(realpart.Room(t)), 100*worst)
}

func TestPointErrors(t *testing.T) {
	wet := math.NaN()
	r, err := Point(-80, 0, &wet, 1013)
	if err == nil {
		t.Fatal("no error")
	}
	for _, part := range []string{"temp", "rh", "panel", "pressure"} {
		if !strings.Contains(err.Error(), part+":") {
			t.Errorf("%q does not say what is wrong with %s", err, part)
		}
	}
	if r.PanelRHPct != nil || r.DewPointC != 0 || r.HumidityRatio != 0 {
		t.Errorf("a result %+v beside an error", r)
	}
	for _, rh := range []float64{-1, 100.1, math.NaN(), math.Inf(1)} {
		if _, err := Point(20, rh, nil, StandardPressure); err == nil {
			t.Errorf("rh %g accepted", rh)
		}
	}
	for _, e := range []float64{0, -1, math.NaN(), math.Inf(1), 1e300} {
		if td, ok := DewPoint(e); ok {
			t.Errorf("dew point of %g Pa: %g °C", e, td)
		}
	}
	for _, x := range [][2]float64{{-1, 1e5}, {1e5, 1e5}, {math.NaN(), 1e5}, {1, math.NaN()}} {
		if w, ok := HumidityRatio(x[0], x[1]); ok {
			t.Errorf("humidity ratio of %v: %g", x, w)
		}
	}
}

func TestPoint(t *testing.T) {
	panel := 8.0
	r, err := Point(14, 85, &panel, StandardPressure)
	if err != nil {
		t.Fatal(err)
	}
	if !*r.Condensing || *r.PanelRHPct <= 100 || *r.DewMarginK >= 0 {
		t.Errorf("a panel of 8 °C in 14 °C and 85 %%: %+v", r)
	}
	r, err = Point(14, 85, nil, StandardPressure)
	if err != nil {
		t.Fatal(err)
	}
	if r.PanelRHPct != nil || r.DewMarginK != nil || r.Condensing != nil {
		t.Errorf("panel figures without a panel: %+v", r)
	}
	if len(r.Cautions) != 0 {
		t.Errorf("cautions at 14 °C: %v", r.Cautions)
	}
	frost := -2.0
	r, err = Point(2, 90, &frost, StandardPressure)
	if err != nil || len(r.Cautions) != 1 || !strings.Contains(r.Cautions[0], "frost") {
		t.Errorf("panel of −2 °C: %v, %v", r.Cautions, err)
	}
}

func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.Float64Range(-20, 45).Draw(t, "temp")
		rh := rapid.Float64Range(1, 100).Draw(t, "rh")
		d := rapid.Float64Range(0.1, 15).Draw(t, "d")
		e := VapourPressure(c) * rh / 100
		td, ok := DewPoint(e)
		if !ok || td > c+1e-9 {
			t.Fatalf("dew point %g °C of air at %g °C", td, c)
		}
		if back := VapourPressure(td); math.Abs(back/e-1) > 1e-12 {
			t.Errorf("pressure %g comes back from its dew point as %g", e, back)
		}
		if VapourPressure(c+d) <= VapourPressure(c) {
			t.Error("saturation falls with temperature")
		}
		if PanelRH(c, rh, c+d) >= rh || PanelRH(c, rh, c-d) <= rh {
			t.Error("warming must dry, a colder panel must be wetter")
		}
		if two := PanelRH(c+d, PanelRH(c, rh, c+d), c); math.Abs(two/rh-1) > 1e-12 {
			t.Errorf("heated and cooled again: %g %% of %g", two, rh)
		}
		w, ok := HumidityRatio(e, StandardPressure)
		if !ok || math.Abs(StandardPressure*w/(.621945+w)/e-1) > 1e-12 {
			t.Errorf("ratio %g does not come back to %g Pa", w, e)
		}
		// Water forms exactly where the panel is at or under the dew point.
		panel := c - d
		r, err := Point(c, rh, &panel, StandardPressure)
		if err != nil {
			t.Fatal(err)
		}
		if *r.Condensing != (*r.PanelRHPct >= 100) && math.Abs(*r.PanelRHPct-100) > 1e-9 {
			t.Errorf("condensing %v at %g %%", *r.Condensing, *r.PanelRHPct)
		}
	})
}
