// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"encoding/csv"
	"errors"
	"io"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"curewright/internal/realpart"
)

var t0 = time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC)

func at(d time.Duration, c float64) Reading { return Reading{At: t0.Add(d), Temp: Some(c)} }

func TestFilterOneReading(t *testing.T) {
	for _, tt := range []struct {
		name   string
		role   string
		pushed bool
		r      Reading
		want   error
	}{
		{"a shed", RoleAir, true, Reading{Temp: Some(17), RH: Some(60), CO2: Some(600)}, nil},
		{"frost", RoleAir, true, Reading{Temp: Some(-12)}, nil},
		{"a shed at 68 °F", RoleAir, true, Reading{Temp: Some(68)}, ErrDoubted},
		{"a shed at 50 °F", RoleAir, true, Reading{Temp: Some(50)}, ErrDoubted},
		{"a panel at 110 °F", RolePanel, true, Reading{Temp: Some(110)}, ErrDoubted},
		{"a probe without a role at 64 °F", "", true, Reading{Temp: Some(64)}, ErrDoubted},
		{"a wired panel in the sun", RolePanel, false, Reading{Temp: Some(58)}, nil},
		{"a pushed panel in the sun", RolePanel, true, Reading{Temp: Some(48)}, nil},
		{"a hot cup", RolePot, true, Reading{Temp: Some(95)}, nil},
		{"a cup past all sense", RolePot, true, Reading{Temp: Some(400)}, ErrRange},
		{"what an unplugged DS18B20 is often reported as", RolePanel, true, Reading{Temp: Some(-127)}, ErrRange},
		{"power-on handed on", RolePanel, true, Reading{Temp: Some(85)}, ErrPowerOn},
		{"power-on handed on by an air probe", RoleAir, true, Reading{Temp: Some(85)}, ErrPowerOn},
		{"no humidity at all", RoleAir, true, Reading{Temp: Some(17), RH: Some(0)}, ErrRange},
		{"saturated", RoleAir, true, Reading{Temp: Some(8), RH: Some(100)}, nil},
		{"beyond saturated", RoleAir, true, Reading{Temp: Some(8), RH: Some(100.5)}, ErrRange},
		{"negative humidity", RoleAir, true, Reading{RH: Some(-1)}, ErrRange},
		{"a carbon dioxide probe starting", RoleAir, true, Reading{Temp: Some(17), CO2: Some(0)}, ErrRange},
		{"under outdoor air by half", RoleAir, true, Reading{CO2: Some(150)}, ErrRange},
		{"beyond the chip", RoleAir, true, Reading{CO2: Some(65535)}, ErrRange},
		{"nothing", RoleAir, true, Reading{}, ErrEmpty},
	} {
		tt.r.At = t0
		if err := NewFilter(DefaultLimits(tt.role, tt.pushed)).Check(tt.r, nil); !errors.Is(err, tt.want) || (err == nil) != (tt.want == nil) {
			t.Errorf("%s: %v, want %v", tt.name, err, tt.want)
		}
	}
}

// Some never lets a number through that is none.
func TestSomeIsANumber(t *testing.T) {
	for _, x := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if Some(x).OK() {
			t.Errorf("%g is present", x)
		}
	}
}

func TestFilterJump(t *testing.T) {
	type step struct {
		at   time.Duration
		c    float64
		want error
	}
	for name, tt := range map[string][]step{
		"a door opens: 5 K in a minute": {{0, 18, nil}, {time.Minute, 13, nil}, {2 * time.Minute, 10, nil}},
		"a lone spike":                  {{0, 18, nil}, {10 * time.Second, 40, ErrJump}, {20 * time.Second, 18.1, nil}},
		"a hand on the probe is not the panel": {{0, 14, nil}, {10 * time.Second, 22, ErrJump}, {20 * time.Second, 27, ErrJump},
			{40 * time.Second, 16, nil}},
		"the probe was moved for good": {{0, 18, nil}, {30 * time.Second, 50, ErrJump}, {60 * time.Second, 50.2, ErrJump},
			{90 * time.Second, 50.1, ErrJump}, {151 * time.Second, 50, nil}, {180 * time.Second, 50, nil}},
		"spikes that do not agree are never believed": {{0, 18, nil}, {time.Minute, 60, ErrJump}, {2 * time.Minute, 90, ErrJump},
			{3 * time.Minute, 45, ErrJump}, {4 * time.Minute, 80, ErrJump}},
		"the first after a gap": {{0, 18, nil}, {11 * time.Minute, 2, nil}},
		"late ones in between":  {{time.Hour, 18, nil}, {0, 2, nil}, {time.Hour + time.Second, 18, nil}},
	} {
		lim := DefaultLimits(RolePanel, false)
		if name == "a door opens: 5 K in a minute" {
			lim = DefaultLimits(RoleAir, false)
		}
		if name == "the first after a gap" {
			lim.JumpKMin = .5 // so that the time alone does not allow it
		}
		f := NewFilter(lim)
		for i, s := range tt {
			if err := f.Check(at(s.at, s.c), nil); !errors.Is(err, s.want) || (err == nil) != (s.want == nil) {
				t.Errorf("%s: step %d: %v, want %v", name, i, err, s.want)
			}
		}
	}
}

// A reading that comes late is judged by its neighbours in time: a radio probe
// that hands in what it missed gets no spike past the filter by it.
func TestFilterOutOfOrder(t *testing.T) {
	min := time.Minute
	for _, tt := range []struct {
		name string
		had  []Reading
		late Reading
		want error
	}{
		{"between two that it fits", []Reading{at(0, 18), at(2*min, 18.2)}, at(min, 18.1), nil},
		{"a spike between two", []Reading{at(0, 18), at(2*min, 18.2)}, at(min, 44), ErrJump},
		{"a spike down", []Reading{at(0, 18), at(2*min, 18.2)}, at(min, -20), ErrJump},
		{"a spike before all", []Reading{at(0, 18), at(2*min, 18.2)}, at(-min, 44), ErrJump},
		{"before all, beyond the gap", []Reading{at(0, 18), at(2*min, 18.2)}, at(-time.Hour, 30), nil},
		{"the same one again", []Reading{at(0, 18), at(2*min, 18.2)}, at(2*min, 18.2), nil},
		{"another value of the same time", []Reading{at(0, 18), at(2*min, 18.2)}, at(2*min, 30), ErrJump},
		{"within a gap of the record", []Reading{at(0, 18), at(time.Hour, 30)}, at(30*min, 25), nil},
		{"beside one end of a gap, and off it", []Reading{at(0, 18), at(time.Hour, 30)}, at(59*min, 5), ErrJump},
		{"the old level beside a move", []Reading{at(0, 18), at(min, 43), at(2*min, 43), at(3*min, 43)}, at(30*time.Second, 18), nil},
		{"the new level beside a move", []Reading{at(0, 18), at(min, 43), at(2*min, 43), at(3*min, 43)}, at(2*min+30*time.Second, 43.1), nil},
		{"neither level of a move", []Reading{at(0, 18), at(min, 43), at(2*min, 43), at(3*min, 43)}, at(90*time.Second, -10), ErrJump},
	} {
		f := NewFilter(DefaultLimits(RoleAir, true))
		for _, r := range tt.had {
			f.Check(r, nil) // the first ones of a new level are doubted
		}
		if err := f.Check(tt.late, nil); !errors.Is(err, tt.want) || (err == nil) != (tt.want == nil) {
			t.Errorf("%s: %v, want %v", tt.name, err, tt.want)
		}
	}

	// However many come, what is held is bounded, and late ones are each
	// other's neighbours.
	f := NewFilter(DefaultLimits(RoleAir, true))
	for i := range 1000 {
		must(t, f.Check(at(time.Duration(i)*10*time.Second, 18), nil))
	}
	if len(f.before) != keptBehind {
		t.Errorf("%d readings are held", len(f.before))
	}
	if err := f.Check(at(9900*time.Second+time.Second, 18), nil); err != nil {
		t.Error(err)
	}
	if err := f.Check(at(9900*time.Second+2*time.Second, 25), nil); !errors.Is(err, ErrJump) {
		t.Errorf("a spike beside a late one: %v", err)
	}
}

func TestFilterStuck(t *testing.T) {
	moved := func(k float64) Witness { return func(time.Time) float64 { return k } }
	ds := DefaultLimits(RolePanel, false)
	ds.ResolutionK = 1. / 16
	noisy := DefaultLimits(RoleAir, false)
	noisy.ResolutionK, noisy.Noisy = .0027, true
	for _, tt := range []struct {
		name    string
		lim     Limits
		hours   float64
		every   time.Duration
		witness Witness
		c       func(i int) float64
		want    error
	}{
		{"a DS18B20 in a steady shed for a day", ds, 24, time.Minute, moved(.6), func(int) float64 { return 18.0625 }, nil},
		{"nobody else to ask", ds, 24, time.Minute, nil, func(int) float64 { return 18.0625 }, nil},
		{"the air went by 4 K, the panel's number did not", ds, 2, time.Minute, moved(4), func(int) float64 { return 18.0625 }, ErrStuck},
		{"not long enough to tell", ds, .9, time.Minute, moved(9), func(int) float64 { return 18.0625 }, nil},
		{"it follows by single steps", ds, 6, time.Minute, moved(4), func(i int) float64 { return 18 - float64(i/50)/16 }, nil},
		{"an SHT4x that says the same for ten minutes", noisy, .17, 10 * time.Second, moved(0), func(int) float64 { return 17.43 }, ErrStuck},
		{"an SHT4x with its noise", noisy, 5, 10 * time.Second, moved(5), func(i int) float64 { return 17.43 + float64(i%3)*.0027 }, nil},
		{"a display of whole degrees needs more to tell", DefaultLimits(RoleAir, true), 3, time.Minute, moved(4), func(int) float64 { return 18 }, nil},
		{"a display of whole degrees, 6 K later", DefaultLimits(RoleAir, true), 3, time.Minute, moved(6), func(int) float64 { return 18 }, ErrStuck},
	} {
		f := NewFilter(tt.lim)
		var last error
		for i := 0; float64(i)*tt.every.Hours() <= tt.hours; i++ {
			last = f.Check(at(time.Duration(i)*tt.every, tt.c(i)), tt.witness)
			if tt.want == nil && last != nil {
				break
			}
		}
		if !errors.Is(last, tt.want) || (last == nil) != (tt.want == nil) {
			t.Errorf("%s: %v, want %v", tt.name, last, tt.want)
		}
		if tt.want != nil { // one change and it is believed again
			if err := f.Check(at(time.Duration(tt.hours*float64(time.Hour))+time.Minute, 18.5), tt.witness); err != nil {
				t.Errorf("%s: after it moved: %v", tt.name, err)
			}
		}
	}
}

// A real room's week must pass whole: L. M. Candanedo, V. Feldheim, Energy and
// Buildings 112 (2016) 28-39, occupancy detection data, one-minute air
// temperature, humidity and carbon dioxide (see the data folder's README).
// What the filter doubts in it is a false alarm.
func TestFilterOnARealRoom(t *testing.T) {
	name := realpart.Office(t)
	f, err := os.Open(name)
	must(t, err)
	defer f.Close()
	rd := csv.NewReader(f)
	if _, err := rd.Read(); err != nil {
		t.Fatal(err)
	}
	wired, pushed := NewFilter(DefaultLimits(RoleAir, false)), NewFilter(DefaultLimits(RoleAir, true))
	doubted, questioned, n := 0, 0, 0
	fahrenheit := NewFilter(DefaultLimits(RoleAir, true))
	for {
		row, err := rd.Read()
		if err == io.EOF {
			break
		}
		must(t, err)
		var x [3]float64
		for i := range x {
			if x[i], err = strconv.ParseFloat(row[i+1], 64); err != nil {
				t.Fatal(err)
			}
		}
		when, err := time.Parse(time.RFC3339, row[0])
		must(t, err)
		r := Reading{At: when, Temp: Some(x[0]), RH: Some(x[1]), CO2: Some(x[2])}
		n++
		for _, flt := range []*Filter{wired, pushed} {
			if err := flt.Check(r, func(time.Time) float64 { return 3 }); err != nil {
				doubted++
				t.Logf("%s: %v", row[0], err)
			}
		}
		r.Temp = Some(x[0]*1.8 + 32)
		if errors.Is(fahrenheit.Check(r, nil), ErrDoubted) {
			questioned++
		}
	}
	if n < 9000 {
		t.Errorf("only %d rows", n)
	}
	if doubted != 0 {
		t.Errorf("%d of %d true readings doubted", doubted, 2*n)
	}
	if questioned != n {
		t.Errorf("the same room in °F: %d of %d questioned", questioned, n)
	}
}
