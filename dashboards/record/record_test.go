// SPDX-License-Identifier: Apache-2.0

package record

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"flag"
	"fmt"
	"html"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/alerts"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/words"

	"curewright/internal/realpart"
)

var keep = flag.String("keep", "", "folder to keep the rendered record in")

var london = time.FixedZone("BST", 3600)

// sat is a clock time of the October weekend, day 0 is the Saturday.
func sat(day, hour, minute int) time.Time {
	return time.Date(2026, 10, 10+day, hour, minute, 0, 0, london)
}

func ptr[T any](x T) *T { return &x }

func tb(lo, mid, hi time.Time) coat.TimeBand { return coat.TimeBand{P10: &lo, P50: &mid, P90: &hi} }

// weekend is a made-up record of one lid: numbers are only plausible, none is
// checked against them.
func weekend() Input {
	medium := cure.Resin{Name: "medium", Generic: true, A1: 5.056e5, A2: 1.685e6, E1: 57000, E2: 57000, M: 1, N: 2, Tg0: -38, TgInf: 95, Lambda: .38, D: 5, W: 5, AlphaGel: .577, MinC: 10, MaxC: 40, LnKappaSD: .25}
	trace := func(from time.Time, hours float64) (out []coat.TracePoint) {
		for i := range int(hours * 12) {
			at := from.Add(time.Duration(i) * 5 * time.Minute)
			h := at.Sub(sat(0, 0, 0)).Hours()
			temp := 13 + 5*math.Sin((h-9)/24*2*math.Pi)
			p := coat.TracePoint{At: at, TempC: &temp, DewC: ptr(temp - 4 + 2*math.Sin(h/5))}
			if at.After(sat(1, 2, 0)) && at.Before(sat(1, 4, 30)) {
				p = coat.TracePoint{At: at, Gap: true}
			}
			p.Alpha = &coat.Band{P10: .1, P50: .2, P90: .3}
			out = append(out, p)
		}
		return out
	}
	seg := func(ts ...time.Time) (out []coat.Segment) {
		for i, s := range []coat.State{coat.Wet, coat.Tacky, coat.Green, coat.Firm, coat.Hard} {
			if i+1 < len(ts) {
				out = append(out, coat.Segment{State: s, From: ts[i], To: ts[i+1]})
			}
		}
		return out
	}
	tack := Coat{
		Coat:    coat.Coat{ID: "coat-1", Panel: "lid-outer", Resin: "medium", Kind: coat.TackCoat, Applied: sat(0, 9, 40), Finished: ptr(sat(0, 9, 58)), Batches: []string{"batch-1"}, Next: "cloth", Ended: ptr(sat(0, 12, 50))},
		Batches: []coat.Batch{{ID: "batch-1", Resin: "medium", Lot: "M-2214", ResinG: ptr(120.0), HardenerG: ptr(36.0), Mixed: sat(0, 9, 31)}},
		Resin:   medium, Trace: trace(sat(0, 9, 40), 24), Feels: []coat.Feel{{ID: "feel-1", Coat: "coat-1", At: sat(0, 12, 20), State: coat.Tacky}},
		Estimate: &coat.Estimate{ID: "coat-1", Panel: "lid-outer", State: coat.Hard, StateProbability: &coat.Probabilities{Firm: .04, Hard: .96}, Alpha: &coat.Band{P10: .74, P50: .77, P90: .79}, TgC: &coat.Band{P10: 31, P50: 35, P90: 39}, Kappa: &coat.Band{P10: .92, P50: 1.08, P90: 1.25},
			Events: coat.Events{Tacky: tb(sat(0, 11, 55), sat(0, 12, 20), sat(0, 12, 50)), RecoatOpens: tb(sat(0, 13, 5), sat(0, 13, 40), sat(0, 14, 20)), Green: tb(sat(0, 15, 30), sat(0, 16, 15), sat(0, 17, 5)), Firm: tb(sat(0, 17, 20), sat(0, 18, 30), sat(0, 19, 50)), RecoatCloses: tb(sat(0, 17, 20), sat(0, 18, 30), sat(0, 19, 50)), Hard: tb(sat(1, 0, 10), sat(1, 2, 40), sat(1, 6, 30)), Handle: tb(sat(2, 20, 0), sat(3, 3, 0), sat(3, 12, 0))},
			Blush:  coat.Blush{Index: ptr(.2), Band: "low"},
			Strip:  coat.Strip{Segments: seg(sat(0, 9, 40), sat(0, 12, 20), sat(0, 16, 15), sat(0, 18, 30), sat(1, 2, 40), sat(1, 9, 40)), Gaps: []coat.Span{{From: sat(1, 2, 0), To: sat(1, 4, 30)}}},
			Notes:  []string{"Generic resin: fit your own from its data sheet."}},
		Changes: []Change{{Kind: "coat", ID: "coat-1", Version: 1, Op: "create", At: sat(0, 9, 41), By: "phone", Body: json.RawMessage(`{"id":"coat-1","applied":"2026-10-10T09:30:00+01:00","cover":"peel ply"}`)}, {Kind: "coat", ID: "coat-1", Version: 2, Op: "patch", At: sat(0, 10, 2), By: "phone", Body: json.RawMessage(`{"id":"coat-1","applied":"2026-10-10T09:40:00+01:00","cloth":[{"name":"aramid","g_m2":170}]}`)},
			{Kind: "feel", ID: "feel-9", Version: 1, Op: "create", At: sat(0, 11, 1), By: "phone", Body: json.RawMessage(`{"id":"feel-9","coat":"coat-1","at":"2026-10-10T11:00:00+01:00","state":"hard"}`)}, {Kind: "feel", ID: "feel-9", Version: 2, Op: "delete", At: sat(0, 11, 2), By: "phone", Body: json.RawMessage(`{"id":"feel-9","coat":"coat-1","at":"2026-10-10T11:00:00+01:00","state":"hard"}`)},
			{Kind: "batch", ID: "batch-1", Version: 1, Op: "create", At: sat(0, 9, 31), Body: json.RawMessage(`{"resin_g":12,"start_c":10}`)}, {Kind: "batch", ID: "batch-1", Version: 2, Op: "patch", At: sat(0, 9, 50), Body: json.RawMessage(`{"resin_g":120,"start_c":20,"ended":"2026-10-10T09:50:00+01:00"}`)}, {Kind: "batch", ID: "batch-1", Version: 3, Op: "patch", At: sat(0, 9, 55), Body: json.RawMessage(`{"resin_g":120,"start_c":20,"ended":"2026-10-10T09:50:00+01:00","left_g":4}`)}},
	}
	wet := Coat{
		Coat:    coat.Coat{ID: "coat-2", Panel: "lid-outer", Resin: "medium", Kind: coat.WetOut, Applied: sat(0, 12, 50), Batches: []string{"batch-2"}, Cloth: []coat.Cloth{{Name: "aramid", GM2: ptr(170.0), Laid: ptr(sat(0, 12, 40))}, {Name: "glass", GM2: ptr(163.0), Laid: ptr(sat(0, 13, 5))}}, Next: "fill", Ended: ptr(sat(0, 21, 30)), Note: "a dry spot by the hinge rebate, wetted again"},
		Batches: []coat.Batch{{ID: "batch-2", Resin: "medium", Lot: "M-2214", ResinG: ptr(280.0), HardenerG: ptr(84.0), Mixed: sat(0, 12, 42), LeftG: ptr(22.0)}},
		Resin:   medium, Trace: trace(sat(0, 12, 50), 22), Feels: []coat.Feel{{ID: "feel-2", Coat: "coat-2", At: sat(0, 19, 40), State: coat.Green}, {ID: "feel-3", Coat: "coat-2", At: sat(0, 16, 5), State: coat.Tacky}},
		Estimate: &coat.Estimate{ID: "coat-2", State: coat.Unknown, UnknownWhy: []string{coat.BelowMinimum, coat.Gap}, Alpha: &coat.Band{P10: .66, P50: .70, P90: .73}, Blush: coat.Blush{Index: ptr(.6), Band: "elevated"},
			Events: coat.Events{Tacky: tb(sat(0, 15, 30), sat(0, 16, 0), sat(0, 16, 40)), RecoatOpens: tb(sat(0, 17, 0), sat(0, 17, 40), sat(0, 18, 30)), Green: tb(sat(0, 19, 10), sat(0, 20, 20), sat(0, 22, 0)), Firm: tb(sat(0, 21, 40), sat(0, 23, 30), sat(1, 3, 0)), RecoatCloses: tb(sat(0, 21, 40), sat(0, 23, 30), sat(1, 3, 0)), Hard: coat.TimeBand{P10: ptr(sat(1, 9, 0))}},
			Strip:  coat.Strip{Segments: append(seg(sat(0, 12, 50), sat(0, 16, 0), sat(0, 20, 20), sat(0, 23, 30)), coat.Segment{State: coat.Unknown, From: sat(0, 23, 30), To: sat(1, 11, 0)}), Gaps: []coat.Span{{From: sat(1, 2, 0), To: sat(1, 4, 30)}}, Drops: []coat.Span{{From: sat(1, 5, 30), To: sat(1, 7, 0)}}}},
	}
	fill := Coat{
		Coat:  coat.Coat{ID: "coat-3", Panel: "lid-outer", Resin: "medium", Kind: coat.FillCoat, Applied: sat(0, 21, 30)},
		Resin: medium, Trace: trace(sat(0, 21, 30), 40),
		Estimate: &coat.Estimate{ID: "coat-3", State: coat.Firm, StateProbability: &coat.Probabilities{Green: .1, Firm: .7, Hard: .2}, Stall: true, TNeedC: ptr(13.2),
			Events: coat.Events{Tacky: tb(sat(1, 2, 0), sat(1, 4, 0), sat(1, 6, 0)), RecoatOpens: tb(sat(1, 6, 0), sat(1, 8, 0), sat(1, 10, 0)), Green: tb(sat(1, 10, 0), sat(1, 12, 0), sat(1, 14, 30)), RecoatCloses: tb(sat(1, 13, 0), sat(1, 15, 10), sat(1, 19, 0)), Firm: tb(sat(1, 13, 0), sat(1, 15, 10), sat(1, 19, 0))},
			Strip:  coat.Strip{Segments: seg(sat(0, 21, 30), sat(1, 4, 0), sat(1, 12, 0), sat(1, 15, 10), sat(2, 13, 0)), Gaps: []coat.Span{{From: sat(1, 2, 0), To: sat(1, 4, 30)}}}},
	}
	inner := Coat{Coat: coat.Coat{ID: "coat-4", Panel: "lid-inner", Resin: "medium", Kind: coat.Seal, Applied: sat(1, 11, 0)}, Resin: medium}
	return Input{
		Made: sat(2, 18, 0), Program: "curewright test", Model: "1", Shop: "the club's boat shed", Loc: london,
		Piece:  coat.Piece{ID: "lid-port", Name: "Port locker lid, coaching launch"},
		Panels: []coat.Panel{{ID: "lid-outer", Piece: "lid-port", Name: "outer skin", Probe: "panel-1", Air: "shed-air", Core: "foam", AreaM2: ptr(1.4)}, {ID: "lid-inner", Piece: "lid-port", Core: "foam"}},
		Coats:  []Coat{fill, tack, wet, inner},
		Struck: []Struck{{Panel: "lid-outer", Changes: []Change{{Kind: "coat", ID: "coat-8", Version: 1, Op: "create", At: sat(0, 8, 10), By: "phone", Body: json.RawMessage(`{"kind":"seal","applied":"2026-10-10T08:10:00+01:00"}`)}, {Kind: "coat", ID: "coat-8", Version: 2, Op: "delete", At: sat(0, 8, 12), By: "phone", Body: json.RawMessage(`{"kind":"seal","applied":"2026-10-10T08:10:00+01:00"}`)}}}},
		Alerts: []alerts.Alert{{ID: "a1", Rule: "closing", Subject: "coat-2", Panel: "lid-outer", Severity: alerts.Soon, State: "resolved", Say: "The window of the wet-out closes at about 21:40: roll the fill coat on now.", Since: sat(0, 20, 50), FiredAt: ptr(sat(0, 20, 55)), AckedAt: ptr(sat(0, 20, 58)), AckedBy: "phone"}},
		Probes: []Probe{{ID: "panel-1", Role: "panel", Driver: "ds18b20"}, {ID: "shed-air", Role: "air", Driver: "sht4x"}},
	}
}

func document(t testing.TB, in Input) Document {
	t.Helper()
	d, err := New(in)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func render(t testing.TB, in Input) string { t.Helper(); return renderIn(t, in, words.English) }

func renderIn(t testing.TB, in Input, lang *words.Catalogue) string {
	t.Helper()
	var b bytes.Buffer
	if err := HTML(&b, document(t, in), words.View{Words: lang, Loc: in.Loc}); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// Where each recoat fell follows from the window that the work meant.
func TestRecoat(t *testing.T) {
	d := document(t, weekend())
	cs := d.Sides[0].Coats
	for i, want := range []struct {
		window, verdict string
		sure            bool
	}{
		{},
		{coat.WindowCloth, FellInside, false}, // aramid laid 12:40, tacky 12:20 but up to 12:50
		{coat.WindowFill, FellInside, true},   // 21:30: a fill coat may go on as soon as the window for recoating opens
	} {
		r := cs[i].Recoat
		if i == 0 {
			if r != nil {
				t.Errorf("the first coat has a coat below: %+v", r)
			}
			continue
		}
		if r.Window != want.window || r.Verdict != want.verdict || r.Sure != want.sure {
			t.Errorf("%s: %s, %s, sure %v; want %+v", cs[i].Coat.Coat.ID, r.Window, r.Verdict, r.Sure, want)
		}
	}
	below := cs[0].Coat
	for _, c := range []struct {
		at      time.Time
		next    string
		verdict string
		sure    bool
	}{
		{sat(0, 11, 0), "wet", FellInside, true},
		{sat(0, 13, 0), "wet", FellAfter, true},
		{sat(0, 12, 0), "coat", FellBefore, true},
		{sat(0, 13, 20), "coat", FellBefore, false},
		{sat(0, 16, 0), "coat", FellInside, true},
		{sat(0, 19, 0), "coat", FellAfter, false},
		{sat(0, 20, 0), "coat", FellAfter, true},
	} {
		below.Coat.Next = c.next
		r := recoat(below, coat.Coat{Applied: c.at, Kind: coat.FillCoat})
		if r.Verdict != c.verdict || r.Sure != c.sure {
			t.Errorf("%s at %s: %s, sure %v; want %s, %v", c.next, c.at.Format("15:04"), r.Verdict, r.Sure, c.verdict, c.sure)
		}
	}
	below.Estimate = nil
	if r := recoat(below, coat.Coat{Applied: sat(0, 14, 0)}); r.Verdict != FellUnknown {
		t.Errorf("without an estimate: %s", r.Verdict)
	}
}

// Minimum, mean and time in the cold of a straight ramp, by hand: from 5 to
// 15 °C over 100 minutes, half of it under 10 °C; a gap is left out.
func TestConditions(t *testing.T) {
	start := sat(0, 9, 0)
	c := Coat{Coat: coat.Coat{Applied: start}, Resin: cure.Resin{MinC: 10}}
	for i := range 101 {
		temp := 5 + float64(i)/10
		c.Trace = append(c.Trace, coat.TracePoint{At: start.Add(time.Duration(i) * time.Minute), TempC: &temp, DewC: ptr(3.0)})
	}
	c.Trace = append(c.Trace, coat.TracePoint{At: start.Add(200 * time.Minute), Gap: true}, coat.TracePoint{At: start.Add(300 * time.Minute), TempC: ptr(15.0)},
		coat.TracePoint{At: start.Add(400 * time.Minute), TempC: ptr(90.0), Forecast: true})
	x := conditions(c, nil)
	near := func(p *float64, want float64) bool { return p != nil && math.Abs(*p-want) < 1e-9 }
	if !near(x.MinC, 5) || !near(x.MaxC, 15) || !near(x.MeanC, 10) || !near(x.ColdMin, 50) || !near(x.MarginK, 2) {
		b, _ := json.Marshal(x)
		t.Errorf("conditions %s", b)
	}
	if x := conditions(Coat{Coat: coat.Coat{Applied: start}}, nil); x.MinC != nil || x.MeanC != nil || x.Readings {
		t.Errorf("numbers without readings: %+v", x)
	}
}

// The sums: the same content gives the same sum at any time; every change of
// a value in the file is found.
func TestVerify(t *testing.T) {
	in := weekend()
	d := document(t, in)
	in.Made, in.Program = in.Made.Add(9000*time.Hour), "another build"
	if again := document(t, in); again.Hash != d.Hash || again.Entries != d.Entries {
		t.Error("the sum depends on when the record is made")
	}
	in.Coats[0].Coat.Note = "edited"
	if edited := document(t, in); edited.Hash == d.Hash || edited.Entries == d.Entries {
		t.Error("an entry was changed and the sums are the same")
	}
	in = weekend()
	in.Coats[0].Estimate.Stall = false
	if e := document(t, in); e.Hash == d.Hash || e.Entries != d.Entries {
		t.Error("the sum of entries goes with the estimate, or the sum of all does not")
	}
	var b bytes.Buffer
	if err := JSON(&b, d); err != nil {
		t.Fatal(err)
	}
	got, err := Verify(b.Bytes())
	if err != nil || got.Hash != d.Hash {
		t.Fatalf("the record as written: %v", err)
	}
	text := b.String()
	for _, c := range [][2]string{
		{`"lot": "M-2214"`, `"lot": "M-2215"`},
		{`"p50": 0.77`, `"p50": 0.78`},
		{`"version": 2`, `"version": 3`},
		{`"state": "green"`, `"state": "firm"`},
		{`"area_m2": 1.4`, `"area_m2": 1.5`},
		{`"zone": "BST"`, `"zone": "BST", "extra": 1`},
	} {
		if !strings.Contains(text, c[0]) {
			t.Fatalf("%s is not in the record", c[0])
		}
		if _, err := Verify([]byte(strings.Replace(text, c[0], c[1], 1))); err == nil {
			t.Errorf("%s for %s is not found", c[1], c[0])
		}
	}
	if _, err := Verify([]byte(text + "{}")); err == nil {
		t.Error("text after the record is not found")
	}
}

func TestUnknownPanel(t *testing.T) {
	in := weekend()
	in.Coats[0].Coat.Panel = "deck"
	if _, err := New(in); err == nil || !strings.Contains(err.Error(), `"deck"`) {
		t.Errorf("a coat on another piece's panel: %v", err)
	}
}

// The page holds what the record must, in the reader's words and units.
func TestPage(t *testing.T) {
	in := weekend()
	h := render(t, in)
	for _, want := range []string{
		"Port locker lid, coaching launch", "side 1 of 2", "side 2 of 2", "the club&#39;s boat shed",
		"lot M-2214", "120 g resin + 36 g hardener", "aramid 170 g/m²", "22 g left over",
		"Inside the window, within the doubt of its edges", "blush elevated below it",
		"Not known: the panel was under the resin&#39;s least temperature; readings are missing.",
		"stalled: it will not go further at that temperature, it needs 13 °C",
		"Sat 10 Oct 12:20: tacky (sticks, lifts clean)", "no cup noted",
		"Sat 10 Oct 12:20 (11:55 to 12:50)", "2 h 30 min in all", "generic, fit your own",
		// What was entered afterwards stands beside what it took the place of.
		"coat coat-1 corrected, version 2: applied Sat 10 Oct 09:40, was Sat 10 Oct 09:30; cover taken out, was peel ply; cloth aramid 170 g/m²<",
		"finger test feel-9 struck out; it said: state hard, at Sat 10 Oct 11:00<",
		"cup batch-1 corrected, version 2: resin&#39;s mass 120 g, was 12 g; start 20 °C, was 10 °C; ended Sat 10 Oct 09:50<", "cup batch-1 added to, version 3: left 4 g<", "by not named",
		"coat coat-8 struck out; it said: kind seal, applied Sat 10 Oct 08:10<",
		"acknowledged Sat 10 Oct 20:58 by phone",
		"No temperature was read", "no surface probe",
		"An estimate, not a certificate", "5.056e+05",
	} {
		if !strings.Contains(h, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	d := document(t, in)
	if !strings.Contains(h, d.Hash) || !strings.Contains(h, d.Entries) {
		t.Error("the page lacks its sums")
	}
	for _, never := range []string{"<script", "http://", "https://", "@import", "url(http", "NaN", "<nil>", "%!", "κ", "p10", "posterior"} {
		if strings.Contains(h, never) {
			t.Errorf("the page has %q", never)
		}
	}
	if us := renderIn(t, in, words.English.In("us")); !strings.Contains(us, "°F") || strings.Contains(us, "°C") {
		t.Error("°F is not used throughout")
	}
}

// A probe's role and chip stand beside its id, also where it is called by one of
// them.
func TestProbesAreDescribed(t *testing.T) {
	in := weekend()
	in.Probes = []Probe{{ID: "air", Name: "air", Role: "air", Driver: "sht4x"}, {ID: "sht4x", Name: "Loft", Role: "air", Driver: "sht4x"}}
	h := render(t, in)
	for _, want := range []string{"<p>air, air, sht4x</p>", "<p>sht4x, Loft, air, sht4x</p>"} {
		if !strings.Contains(h, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
}

// What people typed is text, never markup or a formula.
func TestInjection(t *testing.T) {
	in := weekend()
	bad := `<script>alert(1)</script>"'><img src=x onerror=1>`
	in.Piece.Name, in.Shop = bad, bad
	in.Panels[0].Name, in.Panels[0].Core = bad, bad
	for i := range in.Coats {
		in.Coats[i].Coat.Kind, in.Coats[i].Coat.Note, in.Coats[i].Coat.Resin = bad, bad, bad
		in.Coats[i].Resin.Name = bad
		for j := range in.Coats[i].Feels {
			in.Coats[i].Feels[j].State = coat.State(bad)
		}
	}
	h := render(t, in)
	if strings.Contains(h, "<script") || strings.Contains(h, "<img") {
		t.Error("what was typed became markup")
	}
	in = weekend()
	in.Coats[1].Coat.Note = `=HYPERLINK("x")`
	var b bytes.Buffer
	if err := CSV(&b, document(t, in)); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), `"'=HYPERLINK`) {
		t.Error("a note can become a formula")
	}
}

func TestCSV(t *testing.T) {
	var b bytes.Buffer
	if err := CSV(&b, document(t, weekend())); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	sections := map[string]int{}
	for _, r := range rows[1:] {
		sections[r[0]]++
		if r[3] != "" {
			if _, err := time.Parse(time.RFC3339, r[3]); err != nil {
				t.Errorf("time %q", r[3])
			}
		}
	}
	for _, s := range []string{"record", "panel", "coat", "batch", "cloth", "feel", "condition", "gap", "estimate", "event", "recoat", "change", "resin", "trace", "alert", "probe", "caution"} {
		if sections[s] == 0 {
			t.Errorf("no rows of %q", s)
		}
	}
	for _, r := range rows {
		if r[0] == "event" && r[2] == "coat-2" && r[4] == "hard" && (r[3] != "" || r[7] == "" || r[8] != "") {
			t.Errorf("a mark that may never come: %q", r)
		}
	}
}

// Figures stay inside their box, for any span from an hour to a month.
func TestFigureBounds(t *testing.T) {
	for _, hours := range []int{1, 5, 30, 24 * 7, 24 * 31} {
		start := sat(0, 9, 40)
		end := start.Add(time.Duration(hours) * time.Hour)
		mid := start.Add(end.Sub(start) / 2)
		s := Side{Coats: []CoatEntry{{Coat: Coat{Coat: coat.Coat{ID: "c", Kind: "seal", Resin: "fast", Applied: start},
			Estimate: &coat.Estimate{Events: coat.Events{RecoatOpens: tb(start, mid, end), RecoatCloses: tb(start, mid, end)}, Strip: coat.Strip{Segments: []coat.Segment{{State: coat.Wet, From: start, To: end}}}}}}}}
		h := string(drawSide(s, readerOf(words.View{Loc: london})))
		if n := strings.Count(h, `class="hour"`) + strings.Count(h, `class="midnight"`); n < 1 || n > 40 {
			t.Errorf("%d h: %d marks on the axis", hours, n)
		}
		for _, m := range strings.Split(h, `x="`)[1:] {
			var x float64
			if _, err := fmt.Sscanf(m, "%g", &x); err != nil || x < -1 || x > figWidth {
				t.Errorf("%d h: x = %g outside the figure", hours, x)
			}
		}
	}
}

// The PDF as real pictures: it is made by Chromium and has the pages it
// should, on A4 and on Letter.
func TestPrints(t *testing.T) {
	chromium, topng, info := realpart.Browser(t), realpart.Program(t, "pdftoppm"), realpart.Program(t, "pdfinfo")
	dir := t.TempDir()
	if *keep != "" {
		dir = *keep
	}
	h := render(t, weekend())
	for _, paper := range []struct {
		name, css, size string
		pages           int
	}{{"a4", "210mm 297mm", "59", 4}, {"letter", "8.5in 11in", "61", 5}} {
		src := filepath.Join(dir, paper.name+".html")
		// The reader's printer sets the paper; here the style does.
		sized := strings.Replace(h, "@page{size:auto", "@page{size:"+paper.css, 1)
		if err := os.WriteFile(src, []byte(sized), 0o600); err != nil {
			t.Fatal(err)
		}
		pdf := filepath.Join(dir, paper.name+".pdf")
		cmd := exec.CommandContext(t.Context(), chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
			"--disable-background-networking", "--disable-component-update", "--disable-sync", "--user-data-dir="+t.TempDir(),
			"--no-pdf-header-footer", "--print-to-pdf="+pdf, "file://"+src)
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("chromium: %v\n%s", err, out)
		}
		out, err := exec.CommandContext(t.Context(), info, pdf).Output()
		if err != nil {
			t.Fatal(err)
		}
		var pages int
		var width string
		for _, l := range strings.Split(string(out), "\n") {
			if r, ok := strings.CutPrefix(l, "Pages:"); ok {
				fmt.Sscan(r, &pages)
			}
			if r, ok := strings.CutPrefix(l, "Page size:"); ok {
				width = strings.Fields(r)[0]
			}
		}
		// Three coats with all they have take two sheets (on Letter the last
		// lines of what was changed afterwards run over); the bare side one, the
		// reckoning one.
		if pages != paper.pages || !strings.HasPrefix(width, paper.size) {
			t.Errorf("%s: %d pages %s points wide, want %d of %s", paper.name, pages, width, paper.pages, paper.size)
		}
		if err := exec.CommandContext(t.Context(), topng, "-r", "60", "-gray", pdf, filepath.Join(dir, paper.name)).Run(); err != nil {
			t.Fatal(err)
		}
		pics, err := filepath.Glob(filepath.Join(dir, paper.name+"-*.pgm"))
		if err != nil || len(pics) != pages {
			t.Fatalf("%d pictures of %d pages, %v", len(pics), pages, err)
		}
		for _, p := range pics {
			b, err := os.ReadFile(p)
			if err != nil {
				t.Fatal(err)
			}
			checkPicture(t, filepath.Base(p), b)
		}
	}
}

// checkPicture looks at a page as a printer would: its margins are white and
// something is on it.
func checkPicture(t *testing.T, name string, b []byte) {
	t.Helper()
	var w, h, top int
	if _, err := fmt.Sscanf(string(b[:20]), "P5\n%d %d\n%d", &w, &h, &top); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	px := b[len(b)-w*h:]
	margin := w * 12 / 210 // 12 mm of what is at least 14
	ink := 0
	for y := range h {
		for x := range w {
			if px[y*w+x] > 200 {
				continue
			}
			ink++
			if x < margin || x >= w-margin || y < margin || y >= h-margin {
				t.Fatalf("%s: ink in the margin at %d, %d of %d by %d", name, x, y, w, h)
			}
		}
	}
	if share := float64(ink) / float64(w*h); share < .004 || share > .3 {
		t.Errorf("%s: %.1f %% of the page is dark", name, 100*share)
	}
}

// In another language no sentence of the page is left in English: every word of
// plain letters is a fact that somebody entered, a unit or the program's name.
func TestPseudoLanguage(t *testing.T) {
	in := weekend()
	var b bytes.Buffer
	if err := HTML(&b, document(t, in), words.View{Loc: in.Loc, Words: words.Pseudo()}); err != nil {
		t.Fatal(err)
	}
	text := b.String()
	for _, re := range []string{`(?s)<style>.*?</style>`, `<code>.*?</code>`, `(aria-label|content|class|lang)="[^"]*"`, `<[^>]*>`, `[0-9a-f]{64}`} {
		text = regexp.MustCompile(re).ReplaceAllString(text, " ")
	}
	text = html.UnescapeString(text)
	facts := []string{"BST", "GMT", "UTC", "kJ", "mol"}
	add := func(x any) {
		j, err := json.Marshal(x)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(`[:\[,]"((?:[^"\\]|\\.)*)"(?:[,}\]]|$)|^"(.*)"$`).FindAllStringSubmatch(string(j), -1) {
			if f := m[1] + m[2]; len(f) > 2 {
				facts = append(facts, f)
			}
		}
	}
	add(in.Piece)
	add(in.Panels)
	add(in.Probes)
	add(in.Shop)
	add(in.Program)
	add(in.Model)
	for _, c := range in.Coats {
		add(c.Coat)
		add(c.Batches)
		add(c.Changes)
		if c.Estimate != nil {
			add(c.Estimate.Notes)
		}
	}
	for _, a := range in.Alerts {
		add(a.Say)
		add(a.AckedBy)
	}
	slices.SortFunc(facts, func(a, b string) int { return len(b) - len(a) })
	if bare := words.Bare(text+" of our own", facts...); !slices.Equal(bare, []string{"our", "own"}) {
		t.Errorf("not from the catalogue: %q", bare)
	}
}

// Every key of an entry that a person can change has words for the list of
// changes.
func TestEveryKeyHasWords(t *testing.T) {
	for _, x := range []any{coat.Coat{}, coat.Batch{}, coat.Feel{}, coat.Cloth{}} {
		for i, typ := 0, reflect.TypeOf(x); i < typ.NumField(); i++ {
			key, _, _ := strings.Cut(typ.Field(i).Tag.Get("json"), ",")
			if key != "" && key != "-" && key != "id" && !words.English.Has("record.entry."+key) {
				t.Errorf("%s.%s: no words record.entry.%s", typ.Name(), typ.Field(i).Name, key)
			}
		}
	}
}
