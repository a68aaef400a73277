// SPDX-License-Identifier: Apache-2.0

package shop

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"testing"
)

// TestFigure draws the forecast's scores as an SVG where CUREWRIGHT_FIGURE
// names a file: loss by lead against the two baselines, and how often the
// p10–p90 interval held.
func TestFigure(t *testing.T) {
	path := os.Getenv("CUREWRIGHT_FIGURE")
	if path == "" {
		t.Skip("no figure asked for: CUREWRIGHT_FIGURE names none")
	}
	all := scores(t)
	var b bytes.Buffer
	const w, h, left, top = 300.0, 200.0, 50.0, 40.0
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" font-family="sans-serif" font-size="11">`+"\n", 2*(w+left)+40, 2*(h+top)+60)
	fmt.Fprintln(&b, `<title>Shop forecast: pinball loss and coverage by lead</title><rect width="100%" height="100%" fill="#fff"/>`)
	for col, name := range []string{"room", "normals"} {
		ss := all[name]
		x0 := left + float64(col)*(w+left+10)
		x := func(i int) float64 { return x0 + (float64(i)+0.5)*w/float64(len(ss)) }
		// A decade is a third and a bit: losses span .01 to 3 K.
		y := func(v float64) float64 { return top + h - h*math.Log(v/0.01)/math.Log(300) }
		fmt.Fprintf(&b, `<text x="%.1f" y="20" font-weight="bold">%s: mean pinball loss, K (lower is better)</text>`+"\n", x0, name)
		for k, line := range []struct {
			word, dash string
			of         func(score) float64
		}{
			{"forecast", "", func(s score) float64 { return s.pin }},
			{"as now", "6 3", func(s score) float64 { return s.now }},
			{"as yesterday", "2 3", func(s score) float64 { return s.yesterday }},
		} {
			fmt.Fprintf(&b, `<polyline fill="none" stroke="#222" stroke-width="1.5" stroke-dasharray="%s" points="`, line.dash)
			for i, s := range ss {
				fmt.Fprintf(&b, "%.1f,%.1f ", x(i), y(line.of(s)))
			}
			lx, ly := x0+float64(k)*95, top+h+185
			fmt.Fprintf(&b, `"/><line x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f" stroke="#222" stroke-width="1.5" stroke-dasharray="%s"/><text x="%.1f" y="%.1f">%s</text>`+"\n",
				lx, lx+24, ly-4, ly-4, line.dash, lx+28, ly, line.word)
		}
		y1 := top + h + 50
		fmt.Fprintf(&b, `<text x="%.1f" y="%.1f" font-weight="bold">%s: share within p10 to p90 (line: 80 %%)</text>`+"\n", x0, y1-15, name)
		for i, s := range ss {
			fmt.Fprintf(&b, `<text x="%.1f" y="%.1f" text-anchor="middle">%g h</text>`, x(i), top+h+14, s.lead)
			bar := 100 * s.cover
			fmt.Fprintf(&b, `<rect x="%.1f" y="%.1f" width="24" height="%.1f" fill="#bbb" stroke="#222"/><text x="%.1f" y="%.1f" text-anchor="middle">%.0f</text>`+"\n",
				x(i)-12, y1+100-bar, bar, x(i), y1+114, bar)
		}
		fmt.Fprintf(&b, `<line x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f" stroke="#222" stroke-dasharray="4 3"/>`+"\n", x0, x0+w, y1+20, y1+20)
		for _, v := range []float64{0.01, 0.1, 1} {
			fmt.Fprintf(&b, `<text x="%.1f" y="%.1f" text-anchor="end">%g</text><line x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f" stroke="#ddd"/>`+"\n", x0-4, y(v)+4, v, x0, x0+w, y(v), y(v))
		}
	}
	fmt.Fprintln(&b, "</svg>")
	if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}
