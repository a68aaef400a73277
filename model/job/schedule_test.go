// SPDX-License-Identifier: Apache-2.0

package job

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/pot"
	"curewright/model/words"

	"pgregory.net/rapid"
)

// lid is a rowing club's locker lid, the shipped foam job on two panels.
func lid() (*coat.Work, Schedule) {
	r, _ := cure.Generic(cure.Medium)
	w := &coat.Work{
		Pieces: []coat.Piece{{ID: "lid"}},
		Panels: []coat.Panel{{ID: "lid-outer", Piece: "lid", Name: "Lid, outer", Core: "foam", AreaM2: of(1.4)}, {ID: "lid-inner", Piece: "lid", Name: "Lid, inner", Core: "foam", AreaM2: of(1.4)}},
		Resins: map[string]cure.Resin{"medium": r},
	}
	s := Schedule{ID: "lid", Name: "Locker lid", Piece: "lid", Resin: "medium", At: day("09:00"),
		Steps: On(Templates(nil)[0].Steps, map[string]string{"outer": "lid-outer", "inner": "lid-inner"})}
	return w, s
}

// desk keeps a record of work in memory, as the store does.
type desk struct {
	t     testing.TB
	w     *coat.Work
	jobs  []Schedule
	ticks []Tick
	now   time.Time
	n     map[string]int
	lang  *words.Catalogue
}

func newDesk(t testing.TB) *desk {
	w, s := lid()
	return &desk{t: t, w: w, jobs: []Schedule{s}, now: day("20:00"), n: map[string]int{}}
}

func (d *desk) book(by string) *Book {
	return &Book{Now: d.now, By: by, Words: d.lang, Work: d.w, Jobs: d.jobs, Ticks: d.ticks, NewID: func(kind string) string {
		d.n[kind]++
		return fmt.Sprintf("%s-%d", kind, d.n[kind])
	}, Card: func(s *Schedule, i int) Card {
		return (&Desk{Now: d.now, Work: d.w}).CardOf(s, i)
	}}
}

func set[T any](list []T, x T, is func(T) bool) []T {
	out := slices.Clone(list)
	if i := slices.IndexFunc(out, is); i >= 0 {
		out[i] = x
		return out
	}
	return append(out, x)
}

func (d *desk) write(e *Entry, f []Fault) *Entry {
	d.t.Helper()
	if f != nil {
		d.t.Fatalf("refused: %v", f)
	}
	for _, w := range e.Writes {
		switch v := w.Value.(type) {
		case coat.Coat:
			d.w.Coats = set(d.w.Coats, v, func(o coat.Coat) bool { return o.ID == v.ID })
		case coat.Batch:
			d.w.Batches = set(d.w.Batches, v, func(o coat.Batch) bool { return o.ID == v.ID })
		case coat.Feel:
			d.w.Feels = set(d.w.Feels, v, func(o coat.Feel) bool { return o.ID == v.ID })
		case Tick:
			d.ticks = set(d.ticks, v, func(o Tick) bool { return o.ID == v.ID })
		case Schedule:
			d.jobs = set(d.jobs, v, func(o Schedule) bool { return o.ID == v.ID })
		case nil:
			d.ticks = slices.DeleteFunc(slices.Clone(d.ticks), func(t Tick) bool { return w.Kind == "tick" && t.ID == w.ID })
			d.w.Coats = slices.DeleteFunc(slices.Clone(d.w.Coats), func(c coat.Coat) bool { return w.Kind == "coat" && c.ID == w.ID })
			d.w.Feels = slices.DeleteFunc(slices.Clone(d.w.Feels), func(c coat.Feel) bool { return w.Kind == "feel" && c.ID == w.ID })
		default:
			d.t.Fatalf("%T written", v)
		}
	}
	slices.SortStableFunc(d.w.Coats, func(a, b coat.Coat) int { return a.Applied.Compare(b.Applied) })
	slices.SortStableFunc(d.w.Batches, func(a, b coat.Batch) int { return a.Mixed.Compare(b.Mixed) })
	return e
}

func (d *desk) done(step, at string) *Entry {
	d.t.Helper()
	t := day(at)
	return d.write(d.book("phone").Done("lid", Done{Step: step, At: &t}))
}

func (d *desk) mixed(step, at string) *Entry {
	d.t.Helper()
	t := day(at)
	return d.write(d.book("phone").Mixed("lid", Mixed{Step: step, At: &t}))
}

func (d *desk) coat(kind string) coat.Coat {
	d.t.Helper()
	c, ok := find(d.w.Coats, func(c coat.Coat) bool { return c.Kind == kind })
	if !ok {
		d.t.Fatalf("no %s in the record", kind)
	}
	return c
}

func (d *desk) status() string {
	var out []string
	for _, st := range d.jobs[0].Progress(d.w, d.ticks, d.now) {
		out = append(out, st.ID+" "+st.Status)
	}
	return strings.Join(out, ", ")
}

// The shipped jobs must pass our own checks, whatever panels they are put on.
func TestTemplates(t *testing.T) {
	for _, tpl := range Templates(nil) {
		r, _ := cure.Generic(cure.Medium)
		w := &coat.Work{Resins: map[string]cure.Resin{"medium": r}}
		names := map[string]string{}
		for _, side := range tpl.Sides {
			names[side] = "p " + side
			w.Panels = append(w.Panels, coat.Panel{ID: names[side], Piece: "p"})
		}
		if f := CheckSchedule(w, Schedule{ID: "x", Resin: "medium", Steps: On(tpl.Steps, names)}); len(f) > 0 {
			t.Errorf("%s: %v", tpl.ID, f)
		}
		if tpl.Name == "" || tpl.Say == "" {
			t.Errorf("%s has no name or says nothing", tpl.ID)
		}
	}
}

// Every fault of a job at once, each in words that name what is wrong.
func TestBadJobs(t *testing.T) {
	w, _ := lid()
	bad := []Step{
		{ID: "cloth", Panel: "lid-outer", Do: "cloth", Cloth: "glass 200 twill"},                                // into nothing
		{ID: "tack", Panel: "lid-outer", Do: "coat", Coat: "tack coat", When: "tacky", Of: "tack"},              // after itself
		{ID: "a", Panel: "lid-outer", Do: "coat", Coat: "seal", When: "recoat", Of: "b"},                        // a loop
		{ID: "b", Panel: "lid-outer", Do: "coat", Coat: "seal", When: "recoat", Of: "a"},                        //
		{ID: "turn", Panel: "lid-outer", Do: "flip", To: "lid-inner", When: "hard"},                             //
		{ID: "turn back", Panel: "lid-inner", Do: "flip", To: "lid-outer", When: "hard"},                        // two flips
		{ID: "fill", Panel: "lid-inner", Do: "coat", Coat: "fill coat", Cover: "vacuum bag", BagKPa: of(300.0)}, // face down
		{ID: "fill", Panel: "lid-outer", Do: "dance"},
		{ID: "soak", Panel: "lid-outer", Do: "soak", TempC: of(400.0)},
		{ID: "wait", Panel: "lid-outer", Do: "wait"},
	}
	f := CheckSchedule(w, Schedule{ID: "bad", Resin: "medium", Steps: bad})
	for _, want := range []string{
		"steps[0].of: a cloth into nothing",
		`steps[1].of: step "tack" waits for itself`,
		"steps[2].of: a loop: a waits for b waits for a",
		`steps[5].do: two flips: "turn" has turned it already`,
		`steps[6].panel: "lid-inner" lies face down`,
		"steps[6].bag_kpa: 300 kPa",
		`steps[7].id: second step "fill"`,
		`steps[7].do: "dance"`,
		"steps[8].temp_c: 400",
		"steps[8].hours: missing",
		"steps[9].hours: missing",
	} {
		if !slices.ContainsFunc(f, func(x Fault) bool { return strings.HasPrefix(x.Field+": "+x.What, want) }) {
			t.Errorf("not said: %s", want)
		}
	}
	if t.Failed() {
		t.Log(f)
	}
}

// One whole side, one tap a step: every coat is on with its cloth, closed by
// the next, its cups empty, and the job at its rest.
func TestOneSide(t *testing.T) {
	d := newDesk(t)
	d.mixed("joints", "09:10")
	d.done("joints", "09:15")
	d.mixed("tack", "09:30")
	e := d.done("tack", "09:35")
	if want := "Tack coat on Lid, outer, 09:35. Cup batch-2 is empty."; e.Say != want {
		t.Errorf("said %q, want %q", e.Say, want)
	}
	if c := d.coat("tack coat"); c.Next != "cloth" || c.Resin != "medium" || len(c.Batches) != 1 {
		t.Errorf("tack coat %+v", c)
	}
	e = d.done("aramid", "10:40")
	tack := d.coat("tack coat")
	if tack.Next != "coat" || len(tack.Cloth) != 1 || tack.Cloth[0].Name != "aramid 170 plain" || *tack.Cloth[0].GM2 != 170 || !slices.Contains(e.Answers, tack.ID) {
		t.Errorf("cloth is in, and the tack coat is %+v; answers %v", tack, e.Answers)
	}
	d.mixed("wet-out", "10:55")
	d.done("wet-out", "11:00")
	d.mixed("wet-out", "11:20") // the second cup of a coat that is on
	wet := d.coat("wet-out")
	if len(wet.Batches) != 2 || wet.Cloth[0].Name != "glass 160 twill" {
		t.Errorf("wet-out %+v", wet)
	}
	if tack = d.coat("tack coat"); tack.Ended == nil || !tack.Ended.Equal(day("11:00")) {
		t.Errorf("the tack coat is not closed by the wet-out: %v", tack.Ended)
	}
	if bond := d.coat("bond"); bond.Ended != nil {
		t.Error("the joints are closed by a coat that does not lie on them")
	}
	d.mixed("fill", "15:00")
	d.done("fill", "15:05")
	for _, b := range d.w.Batches {
		if b.Ended == nil {
			t.Errorf("cup %s still stands", b.ID)
		}
	}
	if got, want := d.status(), "joints done, tack done, aramid done, wet-out done, fill done, rest open, turn open, "; !strings.HasPrefix(got, want) {
		t.Errorf("%s\nwant %s…", got, want)
	}
	d.now = day("15:05").Add(49 * time.Hour)
	at := d.now
	d.write(d.book("phone").Done("lid", Done{Step: "turn", At: &at}))
	n := (&Desk{Now: d.now, Work: d.w, Ticks: d.ticks}).Next(&d.jobs[0])
	if len(n) != 1 || n[0].Panel != "lid-inner" || n[0].Step != "inner joints" || n[0].Status != NextNow {
		t.Errorf("after the flip: %+v", n)
	}
}

// A phone was away for six hours and comes back with nine entries in any
// order: what stands in the record afterwards is the same.
func TestNineEntriesInAnyOrder(t *testing.T) {
	type entry struct {
		mix      bool
		step, at string
	}
	entries := []entry{{true, "joints", "09:10"}, {false, "joints", "09:15"}, {true, "tack", "09:30"}, {false, "tack", "09:35"}, {false, "aramid", "10:40"},
		{true, "wet-out", "10:55"}, {false, "wet-out", "11:00"}, {true, "fill", "15:00"}, {false, "fill", "15:05"}}
	run := func(t testing.TB, order []int) string {
		d := newDesk(t)
		for _, k := range order {
			if x := entries[k]; x.mix {
				d.mixed(x.step, x.at)
			} else {
				d.done(x.step, x.at)
			}
		}
		var b strings.Builder
		mixedAt := map[string]string{}
		for _, k := range d.w.Batches {
			mixedAt[k.ID] = k.Mixed.Format("15:04")
			fmt.Fprintf(&b, "cup %s ended %v\n", k.Mixed.Format("15:04"), k.Ended != nil && !k.Ended.Before(k.Mixed))
		}
		for _, c := range d.w.Coats {
			fmt.Fprintf(&b, "%s %s next %s", c.Kind, c.Applied.Format("15:04"), c.Next)
			if c.Ended != nil {
				fmt.Fprintf(&b, " ended %s", c.Ended.Format("15:04"))
			}
			for _, id := range c.Batches {
				fmt.Fprintf(&b, " cup %s", mixedAt[id])
			}
			for _, cl := range c.Cloth {
				fmt.Fprintf(&b, " %s %s", cl.Name, cl.Laid.Format("15:04"))
			}
			b.WriteByte('\n')
		}
		return b.String() + d.status() + fmt.Sprint(len(d.ticks))
	}
	want := run(t, []int{0, 1, 2, 3, 4, 5, 6, 7, 8})
	if !strings.Contains(want, "tack coat 09:35 next coat ended 11:00 cup 09:30 aramid 170 plain 10:40") {
		t.Fatalf("in order:\n%s", want)
	}
	rapid.Check(t, func(rt *rapid.T) {
		order := rapid.Permutation([]int{0, 1, 2, 3, 4, 5, 6, 7, 8}).Draw(rt, "order")
		if got := run(t, order); got != want {
			rt.Fatalf("order %v: %s, want %s", order, got, want)
		}
	})
}

// Two phones say different things of one coat: one coat, both entries, the
// cups of both, and a question; the answer puts the coat right and keeps both.
func TestTwoPhones(t *testing.T) {
	d := newDesk(t)
	a := d.mixed("tack", "09:30").Batch
	d.write(d.book("Anna").Done("lid", Done{Step: "tack", At: of(day("09:35")), Batches: &[]string{a}}))
	b := d.mixed("tack", "09:45").Batch
	e := d.write(d.book("Ben").Done("lid", Done{Step: "tack", At: of(day("09:50")), Kind: "seal", Batches: &[]string{b}}))
	if len(e.Warnings) == 0 || !strings.Contains(e.Warnings[0], "09:35 (Anna)") || !strings.Contains(e.Warnings[0], "09:50 (Ben)") {
		t.Errorf("not said clearly: %q", e.Warnings)
	}
	c := d.coat("tack coat")
	if len(d.w.Coats) != 1 || !slices.Equal(c.Batches, []string{a, b}) || !c.Applied.Equal(day("09:35")) {
		t.Errorf("coats %+v", d.w.Coats)
	}
	n := (&Desk{Now: d.now, Work: d.w, Ticks: d.ticks}).Next(&d.jobs[0])
	if len(n) != 1 || n[0].Step != "aramid" || len(n[0].Contradictions) != 2 {
		t.Fatalf("next %+v", n)
	}
	d.write(d.book("Anna").Settle("lid", Put{Step: "tack", Keep: e.Tick}))
	c = d.w.Coats[0]
	if c.Kind != "seal" || !c.Applied.Equal(day("09:50")) {
		t.Errorf("settled: %+v", c)
	}
	st := d.jobs[0].Progress(d.w, d.ticks, d.now)[1]
	if len(st.Contradictions) != 0 || st.Status != StepDone || len(slices.DeleteFunc(slices.Clone(st.Ticks), func(x Tick) bool { return x.Did != TickDone })) != 2 {
		t.Errorf("after settling: %+v", st)
	}
}

// Half of a panel now, the rest later: one coat, and the step stays open until
// the shares make the whole.
func TestHalfThePanel(t *testing.T) {
	d := newDesk(t)
	d.mixed("tack", "09:30")
	d.write(d.book("phone").Done("lid", Done{Step: "tack", At: of(day("09:35")), Share: of(0.5)}))
	if c := d.coat("tack coat"); *c.Share != 0.5 || !strings.Contains(d.status(), "tack open") {
		t.Errorf("half: %+v; %s", c, d.status())
	}
	d.mixed("tack", "09:55")
	d.write(d.book("helper").Done("lid", Done{Step: "tack", At: of(day("10:00")), Share: of(0.5)}))
	c := d.coat("tack coat")
	if len(d.w.Coats) != 1 || c.Share != nil || len(c.Batches) != 2 || !c.Finished.Equal(day("10:00")) || !strings.Contains(d.status(), "tack done") {
		t.Errorf("whole: %+v; %s", d.w.Coats, d.status())
	}
}

func TestDeviations(t *testing.T) {
	d := newDesk(t)
	k := d.mixed("tack", "09:30").Batch
	e := d.write(d.book("phone").Done("lid", Done{Step: "tack", At: of(day("09:35")), Kind: "seal", Cloth: "glass 100 plain", Keep: []string{k}, Lot: "L7"}))
	c := d.w.Coats[0]
	if c.Kind != "seal" || c.Cloth[0].Name != "glass 100 plain" {
		t.Errorf("another kind and cloth: %+v", c)
	}
	if b := d.w.Batches[0]; b.Ended != nil || !b.Kept || b.Lot != "L7" {
		t.Errorf("a cup said not to be empty: %+v", b)
	}
	if e.Coat != c.ID {
		t.Errorf("coat %q", e.Coat)
	}
	d.write(d.book("phone").Skip("lid", Put{Step: "aramid", Why: "none left"}))
	d.write(d.book("phone").Later("lid", Put{Step: "wet-out"}))
	n := (&Desk{Now: d.now, Work: d.w, Ticks: d.ticks}).Next(&d.jobs[0])
	if n[0].Step != "wet-out" || n[0].Status != NextLater || n[0].Order != "Not today. Fill the aramid, lay glass 160 twill in from Sun 07:00." {
		t.Errorf("put off: %s %s %q", n[0].Step, n[0].Status, n[0].Order)
	}
	d.write(d.book("phone").Repeat("lid", Put{Step: "tack"}))
	if got := d.status(); !strings.Contains(got, "tack done") || !strings.Contains(got, "tack 2 open") {
		t.Errorf("repeated: %s", got)
	}
	d.write(d.book("phone").Insert("lid", "", "fill", Step{ID: "wash", Panel: "lid-outer", Do: "wash", When: "hard", Of: "wet-out"}))
	if i := d.jobs[0].Step("wash"); i < 0 || d.jobs[0].Steps[i+1].ID != "fill" {
		t.Errorf("inserted at %d", i)
	}
	d.write(d.book("phone").Reopen("lid", Put{Step: "tack", Coat: "void"}))
	if len(d.w.Coats) != 0 || !strings.Contains(d.status(), "tack open") {
		t.Errorf("reopened: %s", d.status())
	}
	if _, f := d.book("phone").Done("lid", Done{Step: "polish", At: of(d.now.Add(time.Hour))}); len(f) != 2 {
		t.Errorf("an unknown step in the future: %v", f)
	}
}

// A coat entered without the job counts for the first open step of its kind.
func TestCoatsWithoutTicks(t *testing.T) {
	d := newDesk(t)
	d.w.Coats = []coat.Coat{{ID: "by-hand", Panel: "lid-outer", Resin: "medium", Kind: coat.TackCoat, Applied: day("09:35"),
		Cloth: []coat.Cloth{{Name: "aramid 170", Laid: of(day("10:40"))}}}}
	if got := d.status(); !strings.HasPrefix(got, "joints unsaid, tack done, aramid done, wet-out open") {
		t.Error(got)
	}
}

// The card's grams are those of the quantity tables, its cups those that can be
// spread in time; the words are one order of at most 14 words.
func TestCard(t *testing.T) {
	d := newDesk(t)
	dk := &Desk{Now: d.now, Work: d.w, Ticks: d.ticks}
	for _, st := range dk.Steps(&d.jobs[0]) {
		if n := len(strings.Fields(st.Card.Order)); n == 0 || n > 14 {
			t.Errorf("%s: %d words: %s", st.ID, n, st.Card.Order)
		}
		if st.Do != "coat" {
			continue
		}
		i := d.jobs[0].Step(st.ID)
		need, _ := Need(d.jobs[0].Steps, i, d.w.Panels[0], d.w.Resins["medium"].DensityGCC)
		q, err := need.Quantity()
		if err != nil {
			t.Fatal(err)
		}
		sum := 0.0
		for _, c := range st.Card.Cups {
			sum += c.Grams
		}
		if *st.Card.Grams < q.Grams.Use || *st.Card.Grams > q.Grams.Use+1 || sum < q.Grams.Use-1 || len(st.Card.Cups) == 0 {
			t.Errorf("%s: %g g, cups of %g g together, the tables say %g", st.ID, *st.Card.Grams, sum, q.Grams.Use)
		}
	}
	// What fills the aramid also wets out the glass: both cloths are reckoned
	// into the wet-out, the tack film takes none.
	got := Fills(d.jobs[0].Steps, d.jobs[0].Step("wet-out"))
	want := []pot.Cloth{{Fibre: "glass", Weave: "twill", GM2: 160}, {Fibre: "aramid", Weave: "plain", GM2: 170}}
	if !slices.Equal(got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
	if got := Fills(d.jobs[0].Steps, d.jobs[0].Step("tack")); len(got) != 0 {
		t.Errorf("the tack coat fills %v", got)
	}
}

// A job's file reads back with every cup in it, also one off its ratio that was
// used all the same.
func TestFileReadsBack(t *testing.T) {
	w, s := lid()
	r := w.Resins["medium"]
	r.RatioWeight = &[2]float64{100, 27}
	w.Resins, s.Resin = map[string]cure.Resin{"own": r}, "own"
	w.Batches = []coat.Batch{{ID: "cup", Resin: "own", ResinG: of(100.0), HardenerG: of(50.0), OffRatio: coat.OffUsed, Mixed: day("09:30")}}
	w.Coats = []coat.Coat{{ID: "tack", Panel: "lid-outer", Resin: "own", Kind: coat.TackCoat, Batches: []string{"cup"}, Applied: day("09:35"), Cloth: Cloths("aramid 170 plain", nil)}}
	b, err := s.File(w, s.Progress(w, nil, day("20:00")))
	if err != nil {
		t.Fatal(err)
	}
	j, err := ParseJob(b, "lid.toml", time.Time{}, func(string) (cure.Resin, error) { return r, nil })
	if err != nil {
		t.Fatalf("%v\n%s", err, b)
	}
	if got := j.Work.Batches; len(got) != 1 || got[0].OffRatio != coat.OffUsed {
		t.Errorf("cups %+v", got)
	}
	if got := j.Work.Coats; len(got) != 1 || len(got[0].Cloth) != 1 || got[0].Cloth[0].Name != "aramid 170 plain" {
		t.Errorf("coats %+v", got)
	}
	if len(j.Steps) != len(s.Steps) || j.Steps[1].Coat != "tack" {
		t.Errorf("steps %+v", j.Steps)
	}
}
