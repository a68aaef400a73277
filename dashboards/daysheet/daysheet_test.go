// SPDX-License-Identifier: Apache-2.0

package daysheet

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"curewright/internal/realpart"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/job"
	"curewright/model/plan"
	"curewright/model/words"
)

var shed = time.FixedZone("shed", 3600)

// lids is the plan of two locker lids in an October shed: twelve steps.
func lids(t testing.TB) plan.Result { t.Helper(); return solved(t, lidsJob(t, 0)) }

func solved(t testing.TB, j plan.Job) plan.Result {
	t.Helper()
	r, err := plan.Plan(t.Context(), j)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// lidsJob is that day, in a shop that many K warmer.
func lidsJob(t testing.TB, warmer float64) plan.Job {
	t.Helper()
	start := time.Date(2026, 10, 10, 8, 0, 0, 0, shed)
	resin, ok := cure.Generic("medium")
	if !ok {
		t.Fatal("no medium set")
	}
	resin.RatioWeight = &[2]float64{100, 27}
	tol := 3.0
	resin.RatioTolPct = &tol
	f := plan.Forecast{Start: start, Step: 15 * time.Minute}
	for m := range 20 {
		p := make([]float64, 289)
		for i := range p {
			p[i] = 17 + warmer + float64(m)*.1 + 3*math.Cos((float64(i)/4-7)/24*2*math.Pi)
		}
		f.Air = append(f.Air, p)
	}
	area := 1.4
	j := plan.Job{
		Start: start, Loc: shed, Hours: []plan.Hours{{From: 8 * 60, To: 20 * 60}}, Forecast: f,
		Resins: map[string]cure.Resin{"medium": resin}, Learned: map[string]plan.Kappa{"medium": {SD: .1}},
		Panels: []coat.Panel{{ID: "lid-a", Core: "foam", AreaM2: &area}, {ID: "lid-b", Core: "foam", AreaM2: &area}},
	}
	small := .05
	for _, p := range []string{"lid-a", "lid-b"} {
		j.Steps = append(j.Steps,
			job.Step{ID: p + " joints", Panel: p, Do: "coat", Coat: "bond", Resin: "medium", AreaM2: &small},
			job.Step{ID: p + " tack", Panel: p, Do: "coat", Coat: "tack coat", Resin: "medium"},
			job.Step{ID: p + " aramid", Panel: p, Do: "cloth", Cloth: "aramid 170 plain", When: "tacky"},
			job.Step{ID: p + " glass", Panel: p, Do: "coat", Coat: "wet-out", Cloth: "glass 160 twill", Resin: "medium", When: "recoat"},
			job.Step{ID: p + " fill", Panel: p, Do: "coat", Coat: "fill coat", Resin: "medium", When: "fill"},
			job.Step{ID: p + " sand", Panel: p, Do: "sand", When: "hard"},
		)
	}
	return j
}

func options() Options {
	return Options{Title: "Two locker lids; coaching launch, “Möwe”", Shop: "The boat shed", View: words.View{Loc: shed}, Made: time.Date(2026, 10, 9, 19, 30, 0, 0, shed)}
}

// The calendar is read by an independent library (ical.js) and says what the
// plan says.
func TestCalendarParses(t *testing.T) {
	node := realpart.Program(t, "node")
	mods := filepath.Dir(realpart.NPM(t, "ical.js"))
	res := lids(t)
	ics := ICS(res, options())
	cmd := exec.Command(node, "testdata/parse.mjs", filepath.Dir(mods))
	cmd.Stdin, cmd.Stderr = bytes.NewReader(ics), os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Version, Prodid string
		Events          []struct {
			UID, Summary, Description, Location, Action string
			Start, End, Stamp                           time.Time
			Alarm                                       any
		}
	}
	if err := json.Unmarshal(out, &got); err != nil {
		t.Fatal(err)
	}
	if got.Version != "2.0" || got.Prodid == "" {
		t.Errorf("version %q, product %q", got.Version, got.Prodid)
	}
	if len(got.Events) != len(res.Steps) {
		t.Fatalf("%d events for %d steps", len(got.Events), len(res.Steps))
	}
	seen := map[string]bool{}
	for i, e := range got.Events {
		s := res.Steps[i]
		if !e.Start.Equal(s.At) || !e.End.Equal(s.Until) {
			t.Errorf("%s: %s to %s, plan %s to %s", s.Step, e.Start, e.End, s.At, s.Until)
		}
		if seen[e.UID] || e.UID == "" {
			t.Errorf("%s: UID %q again", s.Step, e.UID)
		}
		seen[e.UID] = true
		if !strings.HasPrefix(e.Description, s.Say+"\n") || !strings.HasSuffix(e.Summary, ", "+s.Panel) || e.Location != "The boat shed" {
			t.Errorf("%s: %q, %q at %q", s.Step, e.Summary, e.Description, e.Location)
		}
		if e.Action != "DISPLAY" || !e.Stamp.Equal(options().Made) {
			t.Errorf("%s: alarm %s, stamp %s", s.Step, e.Action, e.Stamp)
		}
		// Where feeling begins no earlier than the step itself, the alarm is the
		// ordinary one.
		if s.FeelFrom != nil && s.FeelFrom.Before(s.At) {
			if at, err := time.Parse(time.RFC3339, fmt.Sprint(e.Alarm)); err != nil || !at.Equal(*s.FeelFrom) {
				t.Errorf("%s: alarm at %v, feel from %s", s.Step, e.Alarm, s.FeelFrom)
			}
		} else if e.Alarm != -600.0 {
			t.Errorf("%s: alarm %v s, want 600 before", s.Step, e.Alarm)
		}
	}
}

// RFC 5545 §3.1: lines end in CRLF and hold at most 75 octets, folding never
// splits a character; §3.3.11: commas, semicolons and backslashes are escaped.
func TestContentLines(t *testing.T) {
	at := time.Date(2026, 10, 10, 8, 0, 0, 0, time.UTC)
	res := plan.Result{Start: &at, Steps: []plan.Planned{{
		Step: "ä", Panel: `lid; a, \b`, Do: "coat", Coat: strings.Repeat("Füllschicht ", 12), At: at, Until: at.Add(time.Hour),
		Say: "line one\r\nline two, \x07bell",
	}}}
	ics := ICS(res, Options{})
	if !utf8.Valid(ics) {
		t.Error("a character was split")
	}
	if bytes.Contains(bytes.ReplaceAll(ics, []byte("\r\n"), nil), []byte("\n")) || bytes.ContainsRune(ics, '\a') {
		t.Error("a bare line feed or a control character")
	}
	for _, l := range strings.Split(strings.TrimSuffix(string(ics), "\r\n"), "\r\n") {
		if len(l) > 75 || l == "" {
			t.Errorf("line of %d octets: %q", len(l), l)
		}
	}
	flat := strings.ReplaceAll(string(ics), "\r\n ", "")
	for _, want := range []string{`, lid\; a\, \\b`, `DESCRIPTION:line one\nline two\, bell`, "DTSTART:20261010T080000Z", "DTEND:20261010T090000Z"} {
		if !strings.Contains(flat, want) {
			t.Errorf("no %q in\n%s", want, flat)
		}
	}
	// The same step keeps its UID in a later plan, and outranks the earlier.
	later := ICS(res, Options{Made: at.Add(24 * time.Hour)})
	uid := regexp.MustCompile(`UID:(\S+)`)
	if a, b := uid.FindSubmatch(ics), uid.FindSubmatch(later); string(a[1]) != string(b[1]) {
		t.Errorf("UID %s became %s", a[1], b[1])
	}
	if bytes.Equal(regexp.MustCompile(`SEQUENCE:\d+`).Find(ics), regexp.MustCompile(`SEQUENCE:\d+`).Find(later)) {
		t.Error("a later plan has the same sequence")
	}
	// What has been done is no appointment.
	res.Steps[0].Done = true
	if bytes.Contains(ICS(res, Options{}), []byte("VEVENT")) {
		t.Error("a done step is in the calendar")
	}
}

// Twelve steps with their cups and cautions print on one A4 page, and every
// step is on it: chromium prints, poppler reads.
func TestPrintsOnOnePage(t *testing.T) {
	chrome, pdfinfo, pdftotext := realpart.Browser(t), realpart.Program(t, "pdfinfo"), realpart.Program(t, "pdftotext")
	res := lids(t)
	page := HTML(res, options())
	dir := t.TempDir()
	html, pdf := filepath.Join(dir, "day.html"), filepath.Join(dir, "day.pdf")
	if err := os.WriteFile(html, page, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(chrome, "--headless", "--no-sandbox", "--disable-gpu", "--user-data-dir="+filepath.Join(dir, "profile"),
		"--no-pdf-header-footer", "--print-to-pdf="+pdf, "file://"+html).CombinedOutput()
	if err != nil {
		t.Fatalf("chromium: %v\n%s", err, out)
	}
	info, err := exec.Command(pdfinfo, pdf).Output()
	if err != nil {
		t.Fatal(err)
	}
	if !regexp.MustCompile(`(?m)^Pages:\s+1$`).Match(info) {
		t.Errorf("not one page:\n%s", info)
	}
	if !bytes.Contains(info, []byte("A4")) {
		t.Errorf("not A4:\n%s", info)
	}
	text, err := exec.Command(pdftotext, "-layout", pdf, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range res.Steps {
		if !bytes.Contains(text, []byte(s.At.Format("15:04"))) {
			t.Errorf("%s at %s is not on the page", s.Step, s.At.Format("15:04"))
		}
	}
	for _, word := range []string{"g hardener", "no water into it", "data sheet", "Two locker lids"} {
		if !bytes.Contains(text, []byte(word)) {
			t.Errorf("%q is not on the page", word)
		}
	}
}

// Nothing is fetched, what people typed cannot become markup, and °F are on
// the page only.
func TestHTML(t *testing.T) {
	at := time.Date(2026, 10, 10, 8, 0, 0, 0, time.UTC)
	c := 20.0
	res := plan.Result{Start: &at, Say: "This day can't be done as it stands.", WhyNot: []string{"a conflicts with b"}, Steps: []plan.Planned{{
		Step: "x", Panel: "<script>alert(1)</script>", Do: "coat", At: at, Until: at, Say: "Roll & wait", TempC: &c,
	}}, Options: []plan.Option{{Change: "tent", Say: "Hold the tent at 18 °C."}}}
	b := HTML(res, Options{View: words.View{Words: words.English.In("us")}})
	s := string(b)
	for _, no := range []string{"<script", "http://", "https://", "url(", "@import"} {
		if strings.Contains(s, no) {
			t.Errorf("%q is in the page", no)
		}
	}
	for _, yes := range []string{"&lt;script&gt;", "68 °F", "can&#39;t be done", "a conflicts with b", "What would mend it"} {
		if !strings.Contains(s, yes) && !strings.Contains(s, strings.ReplaceAll(yes, "&#39;", "'")) {
			t.Errorf("%q is not in the page", yes)
		}
	}
}

// A plan made for a reader of °F has no °C on its sheet, in no sentence of a day that
// can't be done: the same figures by the definition of the scales. What a person
// wrote stays as it is.
func TestSentencesInTheReadersUnit(t *testing.T) {
	sheets := map[string]string{}
	said := map[string]plan.Result{}
	for _, units := range []string{"si", "us"} {
		j := lidsJob(t, -9)
		j.Words = words.English.In(units)
		for i := range j.Panels {
			j.Panels[i].ID += " (20 °C)"
		}
		for i := range j.Steps {
			j.Steps[i].Panel += " (20 °C)"
		}
		said[units] = solved(t, j)
		sheets[units] = string(HTML(said[units], Options{View: words.View{Words: j.Words}}))
	}
	if n := strings.Count(sheets["us"], "(20 °C)"); n < len(said["us"].Steps) || n != strings.Count(sheets["si"], "(20 °C)") {
		t.Error("a panel's own name was changed")
	}
	if us := strings.ReplaceAll(sheets["us"], "(20 °C)", ""); strings.Contains(us, "°C") || !strings.Contains(us, "°F") {
		t.Errorf("°C with US units:\n%s", us)
	}
	all := func(r plan.Result) (out []string) {
		out = append(append(out, r.WhyNot...), r.Notes...)
		for _, o := range r.Options {
			out = append(out, o.Say)
		}
		return out
	}
	temps := regexp.MustCompile(`(-?[0-9.]+) °([CF])\b[^)]`)
	seen := map[string]bool{}
	us := all(said["us"])
	for i, s := range all(said["si"]) {
		a, b := temps.FindAllStringSubmatch(s, -1), temps.FindAllStringSubmatch(us[i], -1)
		if len(a) != len(b) {
			t.Errorf("%q\n%q", s, us[i])
			continue
		}
		for k := range a {
			c, _ := strconv.ParseFloat(a[k][1], 64)
			f, _ := strconv.ParseFloat(b[k][1], 64)
			if a[k][2] != "C" || b[k][2] != "F" || math.Abs(f-(c*1.8+32)) > .5 {
				t.Errorf("%s °%s where it is %s °%s in\n%s", b[k][1], b[k][2], a[k][1], a[k][2], us[i])
			}
			seen[temps.ReplaceAllString(s, "")] = true
		}
	}
	if len(seen) < 2 {
		t.Errorf("only %d sentences with a temperature: %q", len(seen), all(said["si"]))
	}
}
