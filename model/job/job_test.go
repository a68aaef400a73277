// SPDX-License-Identifier: Apache-2.0

package job

import (
	"bufio"
	"bytes"
	"cmp"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"curewright/model/coat"
	"curewright/model/words"
)

const lidJob = `
[[panel]]
id = "lid-outer"
probe = "panel-1"
air = "shed-air"
core = "foam"
area_m2 = 1.4

[[coat]]
id = "tack"
panel = "lid-outer"
resin = "medium"
kind = "tack coat"
applied = 2026-10-10T09:40:00+01:00

[[feel]]
coat = "tack"
at = 2026-10-10T11:05:00+01:00
state = "tacky"
`

// unfelt is the same coat without its finger test.
var unfelt = strings.Split(lidJob, "[[feel]]")[0]

var lidApplied = time.Date(2026, 10, 10, 8, 40, 0, 0, time.UTC)

// TestMain keeps the property tests, which judge hundreds of coats a draw,
// to fewer draws than the library's hundred.
func TestMain(m *testing.M) {
	flag.Parse()
	if err := flag.Set("rapid.checks", "30"); err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}

// unlike is "" where two values are the same to the last bit, else both.
func unlike(a, b any) string {
	if reflect.DeepEqual(a, b) {
		return ""
	}
	x, _ := json.MarshalIndent(a, "- ", " ")
	y, _ := json.MarshalIndent(b, "+ ", " ")
	return fmt.Sprintf("- %s\n+ %s", x, y)
}

func mustParse(t testing.TB, text string) *Job {
	t.Helper()
	j, err := ParseJob([]byte(text), "lid.toml", time.Time{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

// shed is a table of panel and air, minute by minute, from a function of
// hours since the coat.
func shed(from, to float64, tempC func(h float64) float64, rh float64) *Table {
	t := NewTable()
	for m := math.Round(from * 60); m <= to*60; m++ {
		h := m / 60
		at := lidApplied.Add(time.Duration(m) * time.Minute)
		t.Add("panel-1", Sample{at, tempC(h), math.NaN(), math.NaN()})
		t.Add("shed-air", Sample{at, tempC(h), rh, math.NaN()})
	}
	return t
}

func still(c float64) func(float64) float64 { return func(float64) float64 { return c } }

func after(h float64) time.Time { return lidApplied.Add(time.Duration(h * float64(time.Hour))) }

func replayOne(t testing.TB, j *Job, tb *Table, h float64) coat.Estimate {
	t.Helper()
	res, err := Replay(j, tb, after(h))
	if err != nil {
		t.Fatal(err)
	}
	if len(res.Coats) != 1 {
		t.Fatalf("%d coats", len(res.Coats))
	}
	return res.Coats[0]
}

func TestParseJob(t *testing.T) {
	j := mustParse(t, lidJob)
	if p := j.Work.Panels[0]; p.Piece != "lid-outer" || p.Core != "foam" || *p.AreaM2 != 1.4 {
		t.Errorf("panel %+v", p)
	}
	if c := j.Work.Coats[0]; !c.Applied.Equal(lidApplied) || c.Kind != coat.TackCoat {
		t.Errorf("coat %+v", c)
	}
	if f := j.Work.Feels[0]; f.State != coat.Tacky || f.ID == "" {
		t.Errorf("feel %+v", f)
	}
	if r, ok := j.Work.Resins["medium"]; !ok || !r.Generic {
		t.Errorf("resin %+v", r)
	}
}

// TestParseJobFaults: every fault of a file at once, each with its place.
func TestParseJobFaults(t *testing.T) {
	const bad = `[[panel]]
id = "lid"
core = "cheese"
area_m2 = -1
colour = "red"

[[batch]]
id = "b1"
resin = "medium"
resin_g = -100
mixed = 2026-10-10T09:30:00+01:00

[[coat]]
id = "tack"
panel = "lidd"
resin = "mediun"
kind = "tack coat"
applied = 2027-10-10T09:40:00+01:00
batches = ["b1", "b2"]

[[coat]]
panel = "lid"
resin = "slow"
kind = "fill coat"
applied = 2026-10-10T09:40:00

[[feel]]
coat = "tack"
at = "yesterday"
state = "gooey"
`
	now := time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)
	j, err := ParseJob([]byte(bad), "lid.toml", now, nil)
	if err == nil || j != nil {
		t.Fatal("took a bad file")
	}
	got := Lines(err)
	for _, want := range []string{
		`lid.toml:3:1: panel[0].core: "cheese" is not one of`,
		`lid.toml:4:1: panel[0].area_m2: -1`,
		`lid.toml:5:1: panel.colour: unknown key`,
		`lid.toml:10:1: batch[0].resin_g: -100`,
		`lid.toml:15:1: coat[0].panel: unknown panel "lidd"`,
		`lid.toml:16:1: coat[0].resin: unknown resin "mediun"`,
		`lid.toml:18:1: coat[0].applied: 2027-10-10T09:40:00+01:00 is in the future`,
		`unknown batch "b2"`,
		`lid.toml:25:1: coat[1].applied: no offset from UTC`,
		`state: "gooey" is not one of`,
		`lid.toml:29:`,
	} {
		if !slices.ContainsFunc(got, func(line string) bool { return strings.Contains(line, want) }) {
			t.Errorf("no fault %q in:\n%s", want, strings.Join(got, "\n"))
		}
	}
}

func TestParseDay(t *testing.T) {
	j := mustParse(t, `
[day]
start = 2026-10-10T08:00:00+01:00
hours = ["08:00-20:00"]
people = 2
low_c = 6
[[panel]]
id = "outer"
piece = "lid"
[[panel]]
id = "inner"
piece = "lid"
[[coat]]
id = "t"
panel = "outer"
resin = "medium"
kind = "tack coat"
[[step]]
id = "one"
panel = "outer"
do = "coat"
coat = "t"
when = "start"
[[step]]
id = "two"
panel = "outer"
do = "flip"
to = "inner"
when = "hard"
of = "one"
`)
	if j.Day == nil || j.Day.People != 2 || len(j.Steps) != 2 || j.Steps[1].To != "inner" || len(j.Planned) != 1 || len(j.Work.Coats) != 0 {
		t.Errorf("day %+v, steps %+v, planned %+v", j.Day, j.Steps, j.Planned)
	}
	_, err := ParseJob([]byte(`
[day]
hours = ["8-20"]
[[step]]
id = "one"
panel = "outer"
do = "dance"
when = "hard"
`), "day.toml", time.Time{}, nil)
	for _, want := range []string{"day.toml:2:2: day.start: missing", `day.toml:3:1: day.hours[0]: "8-20"`, `unknown panel "outer"`, `"dance" is not one of`, `no coat comes before it to be hard`} {
		if !strings.Contains(fmt.Sprint(err), want) {
			t.Errorf("no fault %q in:\n%v", want, err)
		}
	}
}

func TestCheckWork(t *testing.T) {
	j := mustParse(t, lidJob)
	w := &j.Work
	now := after(5)
	r := w.Resins["medium"]
	r.RatioWeight = &[2]float64{100, 27}
	w.Resins["medium"] = r
	g := func(x float64) *float64 { return &x }
	fields := func(fs []Fault) string {
		var s []string
		for _, f := range fs {
			s = append(s, f.Field)
		}
		return strings.Join(s, " ")
	}
	early := lidApplied.Add(-time.Hour)
	for name, tt := range map[string]struct {
		got  []Fault
		want string
	}{
		"good batch":       {CheckBatch(w, coat.Batch{Resin: "medium", ResinG: g(100), HardenerG: g(27), Mixed: now}, now), ""},
		"swapped ratio":    {CheckBatch(w, coat.Batch{Resin: "medium", ResinG: g(27), HardenerG: g(100), Mixed: now}, now), "hardener_g"},
		"NaN mass":         {CheckBatch(w, coat.Batch{Resin: "medium", ResinG: g(math.NaN()), Mixed: now}, now), "resin_g"},
		"no resin, future": {CheckBatch(w, coat.Batch{Mixed: now.Add(time.Hour)}, now), "resin mixed"},
		"early feel":       {CheckFeel(w, coat.Feel{Coat: "tack", At: early, State: coat.Wet}, now), "at"},
		"unknown state":    {CheckFeel(w, coat.Feel{Coat: "tock", At: now, State: "unknown"}, now), "coat state"},
		"finished early": {CheckCoat(w, coat.Coat{Panel: "lid-outer", Resin: "medium", Kind: coat.Seal, Applied: lidApplied, Finished: &early}, now),
			"finished"},
		"nothing": {CheckCoat(w, coat.Coat{}, now), "panel resin kind applied"},
	} {
		if got := fields(tt.got); got != tt.want {
			t.Errorf("%s: faults in %q (%v), want %q", name, got, tt.got, tt.want)
		}
	}
}

// writeCSV writes a table as ReadCSV reads it, all probes in order of time.
func writeCSV(t *Table, w io.Writer) error {
	type row struct {
		ms    int64
		probe string
		i     int
	}
	rows := make([]row, 0, t.Len())
	for _, name := range t.names {
		for i, ms := range t.probes[name].ms {
			rows = append(rows, row{ms, name, i})
		}
	}
	slices.SortStableFunc(rows, func(a, b row) int { return cmp.Compare(a.ms, b.ms) })
	bw := bufio.NewWriter(w)
	fmt.Fprintln(bw, Header)
	var b []byte
	for _, r := range rows {
		c := t.probes[r.probe]
		b = time.UnixMilli(r.ms).UTC().AppendFormat(b[:0], time.RFC3339Nano)
		b = append(b, ',')
		b = append(b, r.probe...)
		for _, x := range []float32{c.t[r.i], c.rh[r.i], c.co2[r.i]} {
			b = append(b, ',')
			if x == x {
				b = strconv.AppendFloat(b, widen(x), 'f', -1, 64)
			}
		}
		b = append(b, '\n')
		if _, err := bw.Write(b); err != nil {
			return err
		}
	}
	return bw.Flush()
}

func TestReadCSV(t *testing.T) {
	good := Header + "\n2026-10-10T09:40:00+01:00,shed-air,14.5,62,\n2026-10-10T09:41:00+01:00,panel-1,,,\n2026-10-10T09:39:00+01:00,shed-air,14.25,,415\n"
	tb, errs := ReadCSV(strings.NewReader(good), time.Time{})
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	var got []string
	for s := range tb.Samples("shed-air", time.Time{}, after(1000)) {
		got = append(got, fmt.Sprint(s.At.Format(time.TimeOnly), " ", s.TempC, " ", s.RHPct, " ", s.CO2))
	}
	if want := "08:39:00 14.25 NaN 415|08:40:00 14.5 62 NaN"; strings.Join(got, "|") != want {
		t.Errorf("%q, want %q", got, want)
	}
	var b bytes.Buffer
	if err := writeCSV(tb, &b); err != nil {
		t.Fatal(err)
	}
	again, errs := ReadCSV(&b, time.Time{})
	if len(errs) > 0 || again.Len() != tb.Len() {
		t.Errorf("written and read again: %v, %d rows of %d", errs, again.Len(), tb.Len())
	}
}

func TestReadCSVFaults(t *testing.T) {
	now := after(1)
	for name, tt := range map[string]struct {
		body string
		want []string
	}{
		"other header": {"time,temperature_c\n", []string{"1:1: the header is \"time,temperature_c\", expected " + Header}},
		"empty":        {"", []string{"1:1: empty"}},
		"several": {Header + "\nnoon,a,1,2,3\n2026-10-10T08:00:00Z,a,warm,2,3\n2026-10-10T08:00:00Z,,1,101,\n2026-10-10T08:00:00Z,a,1\n2030-10-10T08:00:00Z,a,1,,\n2026-10-10T08:00:00Z,a,NaN,,\n",
			[]string{"2:1: time \"noon\"", "3:24: temp_c \"warm\" is not a number", "4:22: probe is missing", "4:25: rh_pct 101",
				"5:1: 3 fields, expected 5", "6:1: time 2030-10-10T08:00:00Z is in the future", "7:24: temp_c \"NaN\""}},
		"fahrenheit":  {Header + "\n2026-10-10T08:00:00Z,shed,68,50,\n2026-10-10T08:01:00Z,shed,67,50,\n", []string{"2:27: probe shed never falls under 40 °C: is it °F? 67 °F is 19.4 °C"}},
		"unit change": {Header + "\n2026-10-10T08:00:00Z,shed,20,50,\n2026-10-10T08:01:00Z,shed,68,50,\n", []string{"3:27: temp_c 68 °C after 20 °C: is it °F?"}},
	} {
		tb, errs := ReadCSV(strings.NewReader(tt.body), now)
		if tb != nil || len(errs) != len(tt.want) {
			t.Errorf("%s: %d faults %v, want %d", name, len(errs), errs, len(tt.want))
			continue
		}
		for i, w := range tt.want {
			if !strings.HasPrefix(errs[i].Error(), w) {
				t.Errorf("%s: %q, want %q…", name, errs[i], w)
			}
		}
	}
	// A post-cure begins at shop temperature and may get as hot as it likes.
	body := Header + "\n"
	for m := range 100 {
		body += fmt.Sprintf("2026-10-10T08:%02d:%02dZ,panel,%d,,\n", m/2, 30*(m%2), 18+min(m, 50))
	}
	if _, errs := ReadCSV(strings.NewReader(body), now); len(errs) > 0 {
		t.Errorf("a post-cure was refused: %v", errs)
	}
}

// TestNoReading: a coat put on before its panel has any reading is taken, not
// known, and estimated with the wider doubt of a gap once readings come.
func TestNoReading(t *testing.T) {
	j := mustParse(t, unfelt)
	e := replayOne(t, j, NewTable(), 1)
	if e.State != coat.Unknown || len(e.UnknownWhy) != 1 || e.UnknownWhy[0] != coat.NoReading || e.StateProbability != nil || e.Alpha != nil || e.TempC != nil {
		t.Errorf("%+v", e)
	}
	if e.DegradedMinutes != 60 {
		t.Errorf("%g degraded minutes, want 60", e.DegradedMinutes)
	}
	// A finger's word stands, with its time; no more is claimed by it.
	felt := replayOne(t, mustParse(t, lidJob), NewTable(), 8)
	if felt.State != coat.Unknown || felt.Alpha != nil || felt.Advice != "Not known: go by the finger, or put a probe on it." ||
		!strings.Contains(felt.Because.Text(felt.AppliedAt, words.View{}), "Felt tacky at 11:05.") {
		t.Errorf("after a finger test without a reading: %s, %q, %q", felt.State, felt.Advice, felt.Because)
	}
	whole := replayOne(t, j, shed(-0.5, 6, still(20), 60), 5)
	late := replayOne(t, j, shed(2, 6, still(20), 60), 5)
	if late.State == coat.Unknown {
		t.Fatalf("still unknown once readings came: %v", late.UnknownWhy)
	}
	if w, l := whole.Kappa.P90/whole.Kappa.P10, late.Kappa.P90/late.Kappa.P10; l < 1.03*w {
		t.Errorf("doubt of κ ×%.2f after two hours without a reading, ×%.2f without a gap", l, w)
	}
	if math.Abs(late.DegradedMinutes-120) > 1.1 || len(late.Strip.Gaps) != 1 {
		t.Errorf("degraded %g min, gaps %v", late.DegradedMinutes, late.Strip.Gaps)
	}
}

// TestGap: a silence is bridged, marked and counted, its doubt shown; while it
// lasts for hours nothing is claimed; a finger test ends it.
func TestGap(t *testing.T) {
	j := mustParse(t, unfelt)
	full := shed(-1, 12, still(20), 60)
	holed := NewTable()
	for _, p := range full.Probes() {
		for s := range full.Samples(p, after(-1), after(12)) {
			if h := s.At.Sub(lidApplied).Hours(); h <= 2 || h >= 5 {
				holed.Add(p, s)
			}
		}
	}
	during := replayOne(t, j, holed, 4.5)
	if during.State != coat.Unknown || during.UnknownWhy[0] != coat.Gap || during.TempC != nil || during.PanelFrom != "none" {
		t.Errorf("in the silence: %s %v, panel from %s", during.State, during.UnknownWhy, during.PanelFrom)
	}
	later := replayOne(t, j, holed, 6)
	whole := replayOne(t, j, full, 6)
	if later.State == coat.Unknown || math.Abs(later.DegradedMinutes-180) > 1.1 || len(later.Strip.Gaps) != 1 {
		t.Errorf("after it: %s %v, degraded %g, gaps %v", later.State, later.UnknownWhy, later.DegradedMinutes, later.Strip.Gaps)
	}
	if math.Abs(later.Alpha.P50-whole.Alpha.P50) > 0.01 {
		t.Errorf("α %.3f, without the gap %.3f", later.Alpha.P50, whole.Alpha.P50)
	}
	if later.Alpha.P90-later.Alpha.P10 < 1.02*(whole.Alpha.P90-whole.Alpha.P10) {
		t.Errorf("the gap widened nothing: %v, without %v", later.Alpha, whole.Alpha)
	}
}

// TestPanelSilent: with the air still read, a dead panel probe is stood in for
// by lagged air; that is degraded, but known.
func TestPanelSilent(t *testing.T) {
	j := mustParse(t, unfelt)
	full := shed(-1, 12, func(h float64) float64 { return 18 + 3*math.Sin(h/4) }, 60)
	holed := NewTable()
	for _, p := range full.Probes() {
		for s := range full.Samples(p, after(-1), after(12)) {
			if h := s.At.Sub(lidApplied).Hours(); p == "shed-air" || h <= 1 {
				holed.Add(p, s)
			}
		}
	}
	e, whole := replayOne(t, j, holed, 6), replayOne(t, j, full, 6)
	if e.State == coat.Unknown || e.PanelFrom != "air" || math.Abs(e.DegradedMinutes-300) > 15 {
		t.Errorf("%s %v from %s, degraded %g", e.State, e.UnknownWhy, e.PanelFrom, e.DegradedMinutes)
	}
	if math.Abs(e.Alpha.P50-whole.Alpha.P50) > 0.02 || e.Kappa.P90/e.Kappa.P10 <= whole.Kappa.P90/whole.Kappa.P10 {
		t.Errorf("α %.3f (with probe %.3f), κ %v (with probe %v)", e.Alpha.P50, whole.Alpha.P50, e.Kappa, whole.Kappa)
	}
}

// TestBelowMinimum: what a generic resin gained under 10 °C counts for warnings
// and not for permissions; where that makes a difference by a state, at green or
// above, the state is not known, until it makes none any more, or a finger says.
func TestBelowMinimum(t *testing.T) {
	temp := func(h float64) float64 {
		if h > 3 && h < 13 {
			return 8
		}
		return 22
	}
	tb := shed(-1, 40, temp, 40)
	j := mustParse(t, unfelt)
	e := replayOne(t, j, tb, 12.5)
	if e.State != coat.Unknown || e.UnknownWhy[0] != coat.BelowMinimum || e.Advice != "Not known: warm it to 10 °C, then feel it." ||
		!strings.Contains(e.Because.String(), "The panel was under 10 °C for 9.5 h.") {
		t.Errorf("in the cold: %s %v %q %q", e.State, e.UnknownWhy, e.Advice, e.Because)
	}
	if e.Events.RecoatCloses.P50 == nil || e.Events.Green.P50 != nil && !e.Events.Green.P50.After(e.AppliedAt.Add(12*time.Hour+30*time.Minute)) {
		t.Errorf("closes %v, green %v: permissions wait for the warmth", e.Events.RecoatCloses.P50, e.Events.Green.P50)
	}
	if e = replayOne(t, j, tb, 13.2); e.State != coat.Unknown || e.Advice != "Not known: feel it." {
		t.Errorf("just warm again: %s %v %q", e.State, e.UnknownWhy, e.Advice)
	}
	if e = replayOne(t, j, tb, 38); e.State == coat.Unknown {
		t.Errorf("25 h after the cold: %s %v", e.State, e.UnknownWhy)
	}
	felt := mustParse(t, unfelt+"[[feel]]\ncoat=\"tack\"\nat=2026-10-10T22:55:00+01:00\nstate=\"green\"\n")
	if e = replayOne(t, felt, tb, 13.4); e.State == coat.Unknown {
		t.Errorf("after a finger test: %s %v", e.State, e.UnknownWhy)
	}
	// A dip that changes nothing says nothing.
	dip := shed(-1, 40, func(h float64) float64 {
		if h > 14 && h < 14.25 {
			return 9.5
		}
		return 16
	}, 40)
	for h := 14.0; h < 20; h += 0.25 {
		if e = replayOne(t, j, dip, h); e.State == coat.Unknown {
			t.Errorf("%.2f h, a quarter of an hour at 9.5 °C: %v", h, e.UnknownWhy)
			break
		}
	}
}

// TestFeltHardStays: what a finger found inside the range stands; a cold night
// does not undo it.
func TestFeltHardStays(t *testing.T) {
	j := mustParse(t, unfelt+"[[feel]]\ncoat=\"tack\"\nat=2026-10-11T09:40:00+01:00\nstate=\"hard\"\n")
	tb := shed(-1, 100, func(h float64) float64 {
		if h > 70 {
			return 4
		}
		return 25
	}, 40)
	for _, h := range []float64{25, 60, 71, 80, 95} {
		if e := replayOne(t, j, tb, h); e.State != coat.Hard {
			t.Errorf("after %g h: %s %v", h, e.State, e.UnknownWhy)
		}
	}
}

// TestUntil: what came later does not count.
func TestUntil(t *testing.T) {
	j := mustParse(t, lidJob) // felt tacky at 1 h 25 min
	tb := shed(-1, 24, func(h float64) float64 { return 20 + 0.2*h }, 60)
	cut := shed(-1, 1, func(h float64) float64 { return 20 + 0.2*h }, 60)
	bare := mustParse(t, unfelt)
	if diff := unlike(replayOne(t, bare, cut, 1), replayOne(t, j, tb, 1)); diff != "" {
		t.Errorf("later readings or finger tests show in an earlier estimate:\n%s", diff)
	}
	if a, b := replayOne(t, j, tb, 2), replayOne(t, bare, tb, 2); a.Kappa.P50 <= b.Kappa.P50 {
		t.Errorf("the early tacky did not count: κ %.3f and %.3f", a.Kappa.P50, b.Kappa.P50)
	}
}

// TestIncremental: an estimator that was asked often says the same as one that
// is asked once, whatever gaps, wanderings and finger tests there are.
func TestIncremental(t *testing.T) {
	outer := t
	rapid.Check(t, func(t *rapid.T) {
		tb := NewTable()
		c := rapid.Float64Range(5, 30).Draw(t, "start")
		m, end := -200.0, float64(rapid.IntRange(120, 1500).Draw(t, "end"))
		for m < end {
			step := rapid.SampledFrom([]float64{1, 1, 1, 1, 2, 5, 40}).Draw(t, "step")
			run := rapid.IntRange(1, 60).Draw(t, "run")
			slope := rapid.Float64Range(-0.05, 0.05).Draw(t, "slope")
			for range run {
				m += step
				c = min(40, max(0, c+slope*step))
				at := lidApplied.Add(time.Duration(m * float64(time.Minute)))
				tb.Add("shed-air", Sample{at, c, 70, math.NaN()})
				if rapid.IntRange(0, 20).Draw(t, "lost") > 0 {
					tb.Add("panel-1", Sample{at, c - 1, math.NaN(), math.NaN()})
				}
			}
		}
		j := mustParse(outer, lidJob)
		if rapid.Bool().Draw(t, "no probe") {
			j.Work.Panels[0].Probe = ""
		}
		often := NewEstimator(Options{})
		now := lidApplied
		for now.Before(lidApplied.Add(time.Duration(end) * time.Minute)) {
			now = now.Add(time.Duration(rapid.IntRange(1, 400).Draw(t, "ask")) * time.Minute)
			w := At(&j.Work, now)
			a := judge(t, often, now, w, tb, j.Settings)
			b := judge(t, NewEstimator(Options{NoCheckpoints: true}), now, w, tb, j.Settings)
			if diff := unlike(a, b); diff != "" {
				t.Fatalf("at %s (asked often, asked once):\n%s", now, diff)
			}
		}
	})
}

// TestChangedWork: a correction of the record, or a finger test entered late,
// counts as if it had been there from the start.
func TestChangedWork(t *testing.T) {
	tb := shed(-1, 24, still(19), 60)
	e := NewEstimator(Options{})
	j := mustParse(t, unfelt)
	if _, err := e.Estimate(after(5), &j.Work, tb, Settings{}); err != nil {
		t.Fatal(err)
	}
	felt := mustParse(t, lidJob)
	felt.Work.Coats[0].Applied = felt.Work.Coats[0].Applied.Add(-20 * time.Minute)
	a := judge(t, e, after(5), &felt.Work, tb, Settings{})
	b := judge(t, NewEstimator(Options{}), after(5), &felt.Work, tb, Settings{})
	if diff := unlike(a, b); diff != "" {
		t.Error(diff)
	}
}

func TestUnknownResinIsNamed(t *testing.T) {
	j := mustParse(t, lidJob)
	w := j.Work
	w.Coats = append(w.Coats, coat.Coat{ID: "lost", Panel: "lid-outer", Resin: "gone", Kind: coat.Seal, Applied: lidApplied})
	res, err := NewEstimator(Options{}).Estimate(after(2), &w, shed(-1, 3, still(20), 50), Settings{})
	if err == nil || !strings.Contains(err.Error(), `coat lost: unknown resin "gone"`) || len(res.Coats) != 1 {
		t.Errorf("%v, %d coats", err, len(res.Coats))
	}
}

func TestTrace(t *testing.T) {
	j := mustParse(t, lidJob)
	tb := shed(-1, 24, still(20), 60)
	now := after(3)
	ps, err := NewEstimator(Options{}).Trace(now, "tack", after(-1), after(9), 61, &j.Work, tb, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	last := 0.0
	for _, p := range ps {
		if p.Alpha.P50 < last {
			t.Errorf("α falls to %g at %s", p.Alpha.P50, p.At)
		}
		last = p.Alpha.P50
		if p.Forecast != p.At.After(now) || p.At.Before(lidApplied) {
			t.Errorf("point at %s, forecast %v", p.At, p.Forecast)
		}
	}
	if n := len(ps); n < 50 || last < 0.5 {
		t.Errorf("%d points to α %.2f", n, last)
	}
}

func FuzzReadCSV(f *testing.F) {
	f.Add([]byte(Header + "\n2026-10-10T09:40:00+01:00,shed-air,14.5,62,\n"))
	f.Add([]byte(Header + "\n,,,,\n\n\"\"\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		tb, errs := ReadCSV(bytes.NewReader(b), after(0))
		if (tb == nil) == (len(errs) == 0) {
			t.Errorf("table %v beside errors %v", tb, errs)
		}
		if tb == nil {
			return
		}
		var out bytes.Buffer
		if err := writeCSV(tb, &out); err != nil {
			t.Fatal(err)
		}
		if _, errs := ReadCSV(&out, after(0)); len(errs) > 0 {
			t.Errorf("written and not taken back: %v", errs)
		}
	})
}

func FuzzParseJob(f *testing.F) {
	f.Add([]byte(lidJob))
	f.Add([]byte("[day]\nstart = 2026-10-10T08:00:00Z\n[[step]]\nid='a'\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		j, err := ParseJob(b, "f.toml", after(100), nil)
		if (j == nil) == (err == nil) {
			t.Errorf("job %v beside error %v", j, err)
		}
	})
}

func ExampleReplay() {
	j, err := ParseJob([]byte(lidJob), "lid.toml", time.Time{}, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	readings := shed(-1, 3, func(float64) float64 { return 20 }, 60)
	res, err := Replay(j, readings, j.Work.Coats[0].Applied.Add(2*time.Hour))
	if err != nil {
		fmt.Println(err)
		return
	}
	c := res.Coats[0]
	fmt.Printf("%s is %s: %s\n", c.ID, c.State, c.Advice)
	// Output:
	// tack is tacky: Lay the cloth in before 12:23.
}

func ExampleReadCSV() {
	_, errs := ReadCSV(strings.NewReader("time,probe,temp_c,rh_pct,co2_ppm\n2026-10-10T09:40:00Z,shed-air,warm,62,\n"), time.Time{})
	for _, err := range errs {
		fmt.Println(err)
	}
	// Output:
	// 2:31: temp_c "warm" is not a number; leave it blank where it is missing
}

// TestCupTimeCounts: minutes in the cup count, at the cup's temperature; a
// weighed cup warms by its own heat.
func TestCupTimeCounts(t *testing.T) {
	tb := shed(-1, 4, still(20), 50)
	g := func(x float64) *float64 { return &x }
	alpha := func(b coat.Batch) float64 {
		j := mustParse(t, unfelt)
		b.ID, b.Resin, b.Mixed = "cup", "medium", lidApplied.Add(-12*time.Minute)
		j.Work.Batches = []coat.Batch{b}
		j.Work.Coats[0].Batches = []string{"cup"}
		return replayOne(t, j, tb, 1).Alpha.P50
	}
	plain, warm, heavy := alpha(coat.Batch{}), alpha(coat.Batch{StartC: g(30)}), alpha(coat.Batch{ResinG: g(200), HardenerG: g(50)})
	// Without a cup, 72 min at 20 °C on the panel; with it 12 of them in the cup.
	r := mustParse(t, lidJob).Work.Resins["medium"]
	if want := r.SteadyAlpha(0, 20, 1, 72*60); math.Abs(plain-want) > 5e-4 {
		t.Errorf("α %.4f, at 20 °C throughout %.4f", plain, want)
	}
	if want := r.SteadyAlpha(r.SteadyAlpha(0, 30, 1, 12*60), 20, 1, 60*60); math.Abs(warm-want) > 5e-4 {
		t.Errorf("mixed at 30 °C: α %.4f, want %.4f", warm, want)
	}
	if heavy < plain+0.002 {
		t.Errorf("a 250 g cup warmed nothing: α %.4f, without %.4f", heavy, plain)
	}
}

// TestTwoCups: opening is read off the youngest resin on the panel, closing
// off the oldest.
func TestTwoCups(t *testing.T) {
	tb := shed(-2, 12, still(20), 50)
	job := func(mixed ...time.Duration) *Job {
		j := mustParse(t, unfelt)
		for i, m := range mixed {
			id := fmt.Sprint("cup", i)
			j.Work.Batches = append(j.Work.Batches, coat.Batch{ID: id, Resin: "medium", Mixed: lidApplied.Add(m)})
			j.Work.Coats[0].Batches = append(j.Work.Coats[0].Batches, id)
		}
		return j
	}
	first := replayOne(t, job(-30*time.Minute), tb, 11)
	last := replayOne(t, job(0), tb, 11)
	both := replayOne(t, job(-30*time.Minute, 0), tb, 11)
	if !both.Events.Tacky.P50.Equal(*last.Events.Tacky.P50) || !both.Events.RecoatCloses.P50.Equal(*first.Events.RecoatCloses.P50) {
		t.Errorf("tacky %v, closes %v; the last cup alone %v, the first alone %v", both.Events.Tacky.P50, both.Events.RecoatCloses.P50,
			last.Events.Tacky.P50, first.Events.RecoatCloses.P50)
	}
}

// TestOvernight: a window that closes in the night is said with what to do
// about it; a quiet night says so.
func TestOvernight(t *testing.T) {
	j := mustParse(t, strings.ReplaceAll(strings.ReplaceAll(unfelt, `"tack coat"`, `"fill coat"`), "09:40", "17:40"))
	j.Settings.SleepFrom, j.Settings.SleepTo = 22*60+30, 6*60+30
	loc := time.FixedZone("", 3600)
	j.Settings.Loc = loc
	tb := shed(-1, 30, still(19), 50)
	e := replayOne(t, j, tb, 10) // 19:40
	n := e.Overnight
	if n == nil || n.WindowCloses < 0.5 {
		t.Fatalf("overnight %+v", n)
	}
	if got := n.From.In(loc).Format("15:04") + "-" + n.To.In(loc).Format("15:04"); got != "22:30-06:30" {
		t.Errorf("asleep %s", got)
	}
	s := n.Say.Text(e.AppliedAt, words.View{Loc: loc})
	for _, want := range []string{"may close while you sleep", "plan to wash and abrade at Sun 06:30"} {
		if !strings.Contains(s, want) {
			t.Errorf("%q lacks %q", s, want)
		}
	}
	// By the next evening it is hard or closed: nothing to say of windows.
	if e = replayOne(t, j, tb, 29); e.Overnight != nil && e.Overnight.WindowCloses > 0.05 {
		t.Errorf("a day later: %+v", e.Overnight)
	}
}

// TestEndedCoatStillTeaches: what fingers found on a coat that is no longer
// watched counts for the next cup of the lot; another lot's does not.
func TestEndedCoatStillTeaches(t *testing.T) {
	tb := shed(-1, 40, still(20), 50)
	kappa := func(lot string) float64 {
		j := mustParse(t, unfelt)
		w := &j.Work
		end := after(20)
		w.Batches = []coat.Batch{{ID: "a", Resin: "medium", Lot: "L1", Mixed: lidApplied}, {ID: "b", Resin: "medium", Lot: lot, Mixed: after(24)}}
		w.Coats[0].Batches, w.Coats[0].Ended = []string{"a"}, &end
		w.Feels = []coat.Feel{{Coat: "tack", At: after(2.9), State: coat.Wet}, {Coat: "tack", At: after(3.4), State: coat.Wet}}
		w.Coats = append(w.Coats, coat.Coat{ID: "fill", Panel: "lid-outer", Resin: "medium", Kind: coat.FillCoat, Applied: after(24), Batches: []string{"b"}})
		e := NewEstimator(Options{})
		for _, h := range []float64{4, 25} {
			res := judge(t, e, after(h), At(w, after(h)), tb, Settings{})
			if h == 25 {
				if len(res.Coats) != 1 {
					t.Fatalf("%d coats", len(res.Coats))
				}
				return res.Coats[0].Kappa.P50
			}
		}
		return 0
	}
	same, other := kappa("L1"), kappa("L2")
	if math.Abs(other-1) > 1e-9 || same > 0.95 {
		t.Errorf("κ %.3f after a slow cup of the same lot, %.3f after one of another", same, other)
	}
}

// TestIncrementalFitted is the same where there are days of history to fit the
// shop to, with a probe outdoors.
func TestIncrementalFitted(t *testing.T) {
	w, tb, applied := benchShop()
	s := Settings{Air: "shed-air", Outdoor: "outdoors", SleepFrom: 22 * 60, SleepTo: 7 * 60}
	first, last, _ := tb.Span()
	for at := first; at.Before(last); at = at.Add(10 * time.Minute) {
		h := at.Sub(first).Hours()
		tb.Add("outdoors", Sample{at, 9 + 5*math.Cos(2*math.Pi*(h-14)/24) + 3*math.Sin(h/19), math.NaN(), math.NaN()})
	}
	often := NewEstimator(Options{})
	for now := applied; now.Before(applied.Add(13 * time.Hour)); now = now.Add(97 * time.Minute) {
		a := judge(t, often, now, w, tb, s)
		b := judge(t, NewEstimator(Options{}), now, w, tb, s)
		if a.Shop == nil || !strings.HasPrefix(a.Shop.Quality, "fitted") {
			t.Errorf("shop %+v", a.Shop)
		}
		if diff := unlike(a, b); diff != "" {
			t.Fatalf("at %s (asked often, asked once):\n%s", now, diff)
		}
	}
}

// judge is what an estimator says of all coats.
func judge(t interface {
	Helper()
	Fatal(...any)
}, e *Estimator, now time.Time, w *coat.Work, r Readings, s Settings) Result {
	t.Helper()
	res, err := e.Estimate(now, w, r, s)
	if err != nil {
		t.Fatal(err)
	}
	return res
}
