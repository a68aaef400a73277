// SPDX-License-Identifier: Apache-2.0

package memory

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/words"
)

var start = time.Date(2026, 1, 10, 9, 0, 0, 0, time.UTC)

// shopOf makes lessons of n coats of a resin whose rate at 25 °C and activation
// energy are off the sheet's by so much, cured steadily at the temperatures in
// turn, each felt at the marks of the true law; made up, to test the arithmetic.
func shopOf(board string, n int, ln, deKJ float64, temps ...float64) *Memory {
	r, _ := cure.Generic(cure.Medium)
	rng := rand.New(rand.NewPCG(3, uint64(n)))
	m := &Memory{}
	for i := range n {
		c := temps[i%len(temps)]
		x := (1/(c+273.15) - 1/298.15) / cure.GasConstant * 1000
		kappa := math.Exp(ln - deKJ*x + 0.05*rng.NormFloat64())
		l := Lesson{Coat: fmt.Sprintf("c%d", i), Board: board, Resin: r.Name, Law: LawOf(&r), Lot: "L1", Applied: start.Add(time.Duration(i) * 48 * time.Hour), Contrast: x, WarmthC: c, Teaches: true, SD: 0.02}
		s := cure.Steady(r, c, kappa, true).TimesMin
		for _, f := range []struct {
			min float64
			s   coat.State
		}{{*s.Tacky * 0.93, coat.Wet}, {*s.Tacky * 1.07, coat.Tacky}, {*s.Green * 0.93, coat.Tacky}, {*s.Green * 1.07, coat.Green}} {
			t := coat.Touch{At: l.Applied.Add(time.Duration(f.min) * time.Minute), State: f.s, NowC: c, By: "somebody"}
			it := cure.NewIntegrator(r)
			for k := range t.Alpha {
				a, kk := []float64{0}, []float64{math.Exp(coat.TouchFirst + coat.TouchStep*float64(k))}
				for range int(f.min / 2) {
					it.Advance(a, kk, 120, c, c)
				}
				t.Alpha[k] = a[0]
			}
			l.Touches = append(l.Touches, t)
		}
		m.Put(l)
	}
	return m
}

func medium() cure.Resin { r, _ := cure.Generic(cure.Medium); return r }

// A rate and an energy that are put in come out; the refitted resin has them, its
// sheet's rate at 25 °C times the factor, and both doubts are smaller than
// before.
func TestRateAndEnergyComeBack(t *testing.T) {
	m := Learn(medium(), shopOf("a", 20, 0.2, -12, 10, 30), "a")
	f := m.Refit("shed")
	if k := f.Moved[0]; math.Abs(math.Log(k.After)-0.2) > 2*k.SDNow || k.SDNow > 0.8*k.SD {
		t.Errorf("rate %+v, put in %.2f", k, math.Exp(0.2))
	}
	if k := f.Moved[1]; math.Abs(k.After-45) > 2*k.SDNow || k.SDNow > 0.7*k.SD || k.After > 51 {
		t.Errorf("energy %+v, put in 45", k)
	}
	was, now := medium(), f.Resin
	k25 := cure.Arrhenius(now.A2, now.E2, 25) / cure.Arrhenius(was.A2, was.E2, 25)
	if math.Abs(k25-f.Moved[0].After) > 1e-9 {
		t.Errorf("rate at 25 °C %.4f times the sheet's, said %.4f", k25, f.Moved[0].After)
	}
	if _, err := cure.ParseResin(now.TOML()); err != nil {
		t.Errorf("the refitted resin's file: %v", err)
	}
	right := [2]int{}
	for _, c := range f.Coats {
		right[0] += c.Right[0]
		right[1] += c.Right[1]
	}
	if right[1] <= right[0] {
		t.Errorf("finger tests read right: %d by the sheet, %d refitted", right[0], right[1])
	}
	for _, c := range m.Claims(words.View{}) {
		if strings.ContainsAny(c.Say, "{}") || c.Say == "" || len(c.Coats) == 0 {
			t.Errorf("%s: %q from %v", c.Code, c.Say, c.Coats)
		}
	}
}

// What a board tells the yard is what it knows: taken by a board without coats, it
// gives the same rate of the lot, and nobody's finger is in it.
func TestSharedIsWhatWasLearnt(t *testing.T) {
	r := medium()
	own := Learn(r, shopOf("a", 8, 0.25, 0, 20), "a")
	s := own.Share("a")
	there := Learn(r, &Memory{Shared: []Shared{*s}}, "b")
	want := own.Prior(About{Lot: "L1", Who: "nobody known"}).Parts
	got := there.Prior(About{Lot: "L1", Who: "nobody known"}).Parts
	if d := want[2].Mean[0] - got[2].Mean[0]; math.Abs(d) > 0.03 {
		t.Errorf("ln κ %.3f there, %.3f here", got[2].Mean[0], want[2].Mean[0])
	}
	b, err := Write(&Memory{Shared: []Shared{*s}}, "a", start)
	if err != nil || strings.Contains(string(b), "somebody") {
		t.Errorf("%v: %s", err, b)
	}
	// The opposite of what is known here is set aside and said; the coats here go
	// on, and without any the sheet does.
	other := shopOf("b", 8, -0.45, 0, 20)
	other.Shared = []Shared{*s}
	m := Learn(r, other, "b")
	if len(m.Aside) != 1 || len(m.Shared) != 0 || m.Claims(words.View{})[0].Code != "aside" {
		t.Errorf("%+v", m.Aside)
	}
	two := Learn(r, shopOf("b", 8, -0.45, 0, 20), "b").Share("b")
	if m = Learn(r, &Memory{Shared: []Shared{*s, *two}}, "c"); m.Knows() || len(m.Aside) != 1 {
		t.Errorf("two that are opposite, and a third board believes one: %+v", m)
	}
}

// A bottle that turns slow is said, and what it was is no longer what its next
// coat is foreseen by.
func TestDrift(t *testing.T) {
	m := shopOf("a", 8, 0.15, 0, 20)
	for _, l := range shopOf("a", 5, -0.45, 0, 20).Lessons {
		l.Coat, l.Applied = "late-"+l.Coat, l.Applied.Add(60*24*time.Hour)
		m.Put(l)
	}
	got := Learn(medium(), m, "a")
	codes := ""
	for _, c := range got.Claims(words.View{}) {
		codes += c.Code + " "
	}
	if !strings.Contains(codes, "changed") && !strings.Contains(codes, "drift_slower") {
		t.Errorf("claims: %s", codes)
	}
	mean := 0.0
	for _, p := range got.Prior(About{Lot: "L1", Who: "somebody"}).Parts {
		mean += p.Share * p.Mean[0]
	}
	if mean > -0.15 {
		t.Errorf("the next coat's ln κ %.2f: averaged away", mean)
	}
}

// Files that cannot be are refused with the reason, and never panic.
func TestFiles(t *testing.T) {
	m := shopOf("a", 2, 0, 0, 20)
	b, err := Write(m, "a", start)
	if err != nil {
		t.Fatal(err)
	}
	if got, board, err := Read(b); err != nil || board != "a" || len(got.Lessons) != 2 {
		t.Errorf("%v %q", err, board)
	}
	for _, x := range []struct {
		old, new string
		want     error
	}{{`"version": 1`, `"version": 2`, ErrNewer}, {`"coat": "c1"`, `"coat": "c9"`, ErrDamaged}, {`curewright memory`, `something else`, ErrOther}, {`"lessons"`, `"lesson"`, ErrDamaged}} {
		s := strings.Replace(string(b), x.old, x.new, 1)
		if s == string(b) {
			t.Fatalf("%q is not in the file", x.old)
		}
		if _, _, err := Read([]byte(s)); !errors.Is(err, x.want) {
			t.Errorf("%s: %v", x.new, err)
		}
	}
	for i := 0; i < len(b); i += 97 {
		if _, _, err := Read(b[:i]); err == nil {
			t.Fatalf("cut at byte %d it was taken", i)
		}
	}
}

func TestForgetting(t *testing.T) {
	m := shopOf("a", 4, 0.2, 0, 20)
	who := "somebody"
	if n := m.Forget(Forgotten{At: start.Add(4 * 24 * time.Hour), Person: &who}); n != 3 {
		t.Errorf("%d coats forgotten, three were before", n)
	}
	// Drawn again from the history, it stays forgotten.
	again := shopOf("a", 4, 0.2, 0, 20)
	for _, l := range again.Lessons {
		m.Put(l)
	}
	if got := Learn(medium(), m, "a"); len(got.Lessons) != 1 {
		t.Errorf("%d coats teach", len(got.Lessons))
	}
}
