// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"errors"
	"fmt"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestResinFile(t *testing.T) {
	for _, n := range names {
		r := generic(t, n)
		tol := 3.0
		r.Name = "tab\tquote\" back\\slash ∞"
		r.RatioWeight, r.RatioVolume, r.RatioTolPct = &[2]float64{100, 27}, &[2]float64{3, 1}, &tol
		r.RecoatUntil, r.Handle = &TimeAt{24, 20}, &TimeAt{48, 20}
		r.SD = map[string]float64{"e2_j_mol": 4500, "ln_rate": .1}
		got, err := ParseResin(r.TOML())
		if err != nil {
			t.Fatalf("%v\n%s", err, r.TOML())
		}
		if !reflect.DeepEqual(got, r) {
			t.Errorf("wrote %+v, read %+v", r, got)
		}
	}
}

// Any resin that passes comes back from its file to the same bits.
func TestResinFileRound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, _ := Generic(Medium)
		r.Name = "x" + rapid.String().Draw(t, "name")
		r.A1 = rapid.Float64Range(1e4, 1e7).Draw(t, "a1")
		r.Lambda = rapid.Float64Range(.2, .8).Draw(t, "lambda")
		r.Name = strings.ToValidUTF8(r.Name, "\uFFFD")
		if r.Check() != nil {
			t.Skip()
		}
		got, err := ParseResin(r.TOML())
		if err != nil || !reflect.DeepEqual(got, r) {
			t.Errorf("%v: wrote %+v, read %+v", err, r, got)
		}
	})
}

// Every fault at once, each with its place.
func TestResinFileFaults(t *testing.T) {
	r := generic(t, Slow)
	text := string(r.TOML())
	text = strings.Replace(text, "lambda = 0.42", "lambda = 'x'", 1)
	text = strings.Replace(text, "m = 1.0\n", "m = nan\nheat = 3\n", 1)
	text = strings.Replace(text, "tginf_c = 85.0", "tginf_c = -85.0", 1)
	text = strings.Replace(text, `name = "slow"`, `name = ""`, 1)
	text = strings.Replace(text, "n = 2.0\n", "", 1)
	text += "\n[handle]\nhours = -3\ntemp_c = 20\n"
	got, err := ParseResin([]byte(text))
	if !reflect.DeepEqual(got, Resin{}) {
		t.Errorf("a resin beside an error: %+v", got)
	}
	var fs Faults
	if !errors.As(err, &fs) {
		t.Fatalf("error %v", err)
	}
	line := func(key string) int {
		for i, l := range strings.Split(text, "\n") {
			if strings.HasPrefix(l, key) {
				return i + 1
			}
		}
		return 0
	}
	want := map[string]int{
		"lambda": line("lambda"), "m": line("m ="), "heat": line("heat ="),
		"tginf_c": line("tginf_c"), "name": 1, "n": 0, "handle.hours": line("hours"),
	}
	for _, f := range fs {
		l, ok := want[f.Key]
		if !ok {
			t.Errorf("unexpected: %v", f)
			continue
		}
		if f.Line != l || l > 0 && f.Col != 1 {
			t.Errorf("%v: want line %d", f, l)
		}
		delete(want, f.Key)
	}
	for k := range want {
		t.Errorf("%s is wrong and was not said", k)
	}
	if _, err := ParseResin([]byte("name = \"a\"\nname = \"b\"\n")); err == nil || !strings.HasPrefix(err.Error(), "2:") {
		t.Errorf("a key twice: %v", err)
	}
}

// The units trap: 1/min read as 1/s, and kJ as J.
func TestCheckUnits(t *testing.T) {
	r := generic(t, Fast)
	r.E1, r.E2 = 57, 57
	if errs := r.Check(); len(errs) != 2 {
		t.Errorf("57 J/mol: %v", errs)
	}
	r = generic(t, Fast)
	r.A1, r.A2 = r.A1*1e5, r.A2*1e5
	if errs := r.Check(); len(errs) != 1 {
		t.Errorf("rates 1e5 too large: %v", errs)
	}
}

func FuzzParseResin(f *testing.F) {
	r, _ := Generic(Fast)
	f.Add(r.TOML())
	f.Add([]byte("name = 1\n[sd]\na = -1\n"))
	f.Add([]byte("[handle]\nhours = inf\n[[handle]]\n"))
	f.Add([]byte("recoat_until = {hours = 3, temp_c = [1]}\nratio_by_weight = [1, 2, 3]"))
	f.Fuzz(func(t *testing.T, b []byte) {
		r, err := ParseResin(b)
		if err != nil {
			if !reflect.DeepEqual(r, Resin{}) {
				t.Errorf("a resin %+v beside %v", r, err)
			}
			return
		}
		if errs := r.Check(); errs != nil {
			t.Errorf("accepted, yet %v", errs)
		}
		if _, err := ParseResin(r.TOML()); err != nil {
			t.Errorf("its own file is not accepted: %v", err)
		}
	})
}

// What is wrong with a resin is told in the same order every time.
func TestFaultsKeepTheirOrder(t *testing.T) {
	r := genericOf("medium")
	r.RatioWeight, r.RatioVolume = &[2]float64{0, 1}, &[2]float64{1, 0}
	r.RecoatUntil, r.Handle = &TimeAt{Hours: -1, TempC: 20}, &TimeAt{Hours: -1, TempC: 20}
	r.SD = map[string]float64{"a": -1, "b": -1, "c": -1}
	want := fmt.Sprint(r.Check())
	for range 50 {
		if got := fmt.Sprint(r.Check()); got != want {
			t.Fatalf("%s\nand %s", want, got)
		}
	}
}
