// SPDX-License-Identifier: Apache-2.0

package job

import (
	"fmt"
	"math"
	"slices"
	"time"

	"curewright/model/coat"
	"curewright/model/memory"
	"curewright/model/stock"
	"curewright/model/words"
)

// Lesson draws from one coat what it taught, by its present records and readings. It
// does not use what was learnt from other coats, except to decide whether its last test
// is implausible.
func (e *Estimator) Lesson(id string, w *coat.Work, r Readings, s Settings) (memory.Lesson, error) {
	c, ok := find(w.Coats, func(c coat.Coat) bool { return c.ID == id })
	if !ok {
		return memory.Lesson{}, fmt.Errorf("coat %s: not known", id)
	}
	next := e.fared(&c, w, r, s)
	e.mu.Lock()
	defer e.mu.Unlock()
	at, felt := lastFeel(w, id, farAhead)
	if !felt {
		at = c.Applied
	}
	ru, err := e.follow(at, w, &c, r, s)
	delete(e.saved, id)
	if err != nil {
		return memory.Lesson{}, err
	}
	l := e.lesson(w, ru, s)
	l.Of, l.Next, l.PathC = LessonKey(w, id), next, pathOf(r, ru.panel.Probe, c.Applied)
	if l.Teaches && e.questioned(ru, w, s) {
		l.Teaches, l.Why = false, append(l.Why, memory.Questioned)
	}
	return l, nil
}

// pathOf is a probe's readings from a time on, one per step of a lesson's path, up to
// the first that is missing.
func pathOf(r Readings, probe string, from time.Time) (out []float64) {
	if probe == "" {
		return nil
	}
	const near = memory.PathStep / 2
	off := near + 1 // distance in time of the nearest reading so far
	best := math.NaN()
	take := func() bool {
		if math.IsNaN(best) || len(out) == memory.MaxPath {
			return false
		}
		out = append(out, math.Round(100*best)/100)
		best, off = math.NaN(), near+1
		return true
	}
	for x := range r.Samples(probe, from.Add(-near), from.Add((memory.MaxPath-1)*memory.PathStep+near)) {
		for x.At.Sub(from) > time.Duration(len(out))*memory.PathStep+near {
			if !take() {
				return out
			}
		}
		if d := x.At.Sub(from.Add(time.Duration(len(out)) * memory.PathStep)).Abs(); d < off && !math.IsNaN(x.TempC) {
			best, off = x.TempC, d
		}
	}
	take()
	return out
}

// questioned reports whether a coat's last test is hardly possible for its resin (D18),
// whoever made it. A person who always feels one state too early is learnt instead, so
// that the question does not come every time.
func (e *Estimator) questioned(ru *run, w *coat.Work, s Settings) bool {
	_, prior := e.recall(w, ru, nil, s)
	if prior == nil {
		prior = memory.Unknowing(ru.law.resin, memory.About{Lot: lotOf(ru), Unit: ru.unit, Board: s.Board, Applied: ru.coat.Applied, Who: s.who(ru), Contrast: 1000 * ru.young.Contrast()})
	}
	b := coat.BelieveLearnt(prior, ru.extra(w), ru.young.MeasuredSD(ru.probeSD(s)), ru.like)
	return b.Asked
}

// fared reports whether the next coat went on inside this one's window, judged by all
// finger tests until then; nil where there is no next coat or it can't be judged. Cloths
// are left out, since they are no coats.
func (e *Estimator) fared(c *coat.Coat, w *coat.Work, r Readings, s Settings) *memory.Fared {
	o := over(w, c, farAhead)
	if o == nil || !Covered(w, c, farAhead) {
		return nil
	}
	now := o.Applied.Add(time.Minute)
	small := At(w, now)
	small.Coats = slices.DeleteFunc(small.Coats, func(x coat.Coat) bool { return x.ID != c.ID && x.ID != o.ID })
	res, err := NewEstimator(Options{NoCheckpoints: true}).Estimate(now, small, r, s)
	if err != nil {
		return nil
	}
	for _, x := range res.Coats {
		if f := x.Laid; x.ID == o.ID && f != nil && f.On == c.ID && f.Verdict != coat.FellUnknown {
			return &memory.Fared{Window: f.Window, Minutes: math.Round(o.Applied.Sub(c.Applied).Minutes()), Right: f.Verdict == coat.FellInside}
		}
	}
	return nil
}

var farAhead = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

// LessonKey is a digest of the records that a coat's lesson is drawn from.
func LessonKey(w *coat.Work, id string) string {
	c, ok := find(w.Coats, func(c coat.Coat) bool { return c.ID == id })
	if !ok {
		return ""
	}
	in := struct {
		C coat.Coat
		P coat.Panel
		B []coat.Batch
		F []coat.Feel
		R any
		O time.Time
	}{C: stripped(c), R: w.Resins[c.Resin]}
	if o := over(w, &c, farAhead); o != nil {
		in.O = o.Applied
	}
	in.P, _ = find(w.Panels, func(p coat.Panel) bool { return p.ID == c.Panel })
	for _, b := range w.Batches {
		if slices.Contains(c.Batches, b.ID) {
			in.B = append(in.B, b)
		}
	}
	for _, f := range w.Feels {
		if f.Coat == id {
			in.F = append(in.F, f)
		}
	}
	return fmt.Sprintf("%016x", digest(in))
}

// Uncertainties of ln κ above which a coat teaches less, and nothing.
const (
	lessSD    = 0.10
	nothingSD = 0.5
)

// lesson is what a coat followed up to now would teach.
func (e *Estimator) lesson(w *coat.Work, ru *run, s Settings) memory.Lesson {
	l := memory.Lesson{Coat: ru.coat.ID, Board: s.Board, Panel: ru.coat.Panel, Resin: ru.coat.Resin, Law: memory.LawOf(&ru.law.resin),
		Lot: lotOf(ru), Unit: ru.unit, Applied: ru.coat.Applied, Teaches: true}
	if !ru.young.Begun() {
		l.Teaches, l.Why = false, []string{memory.NoTests}
		return l
	}
	l.Contrast, l.WarmthC = 1000*ru.young.Contrast(), ru.young.WarmthC()
	l.SD = math.Hypot(ru.extra(w), ru.young.MeasuredSD(ru.probeSD(s)))
	l.Touches = ru.like.Touches()
	for i := range l.Touches {
		t := &l.Touches[i]
		k := slices.IndexFunc(ru.feels, func(f coat.Feel) bool { return f.At.Equal(t.At) && f.State == t.State })
		if k >= 0 {
			t.By = s.People[ru.feels[k].ID]
		}
	}
	not := func(is bool, why string) {
		if is {
			l.Teaches, l.Why = false, append(l.Why, why)
		}
	}
	less := func(is bool, why string) {
		if is {
			l.Why = append(l.Why, why)
		}
	}
	not(len(ru.feels) == 0, memory.NoTests)
	not(ru.like.Blushed(), memory.Blushed)
	not(ru.like.Unclear() || len(ru.feels) > 0 && len(l.Touches) == 0 && !ru.like.Blushed(), memory.Contradicts)
	not(ru.offRatio(), memory.OffRatio)
	not(slices.ContainsFunc(ru.batches, func(b coat.Batch) bool { return b.Resin != ru.coat.Resin }), memory.OtherResin)
	not(ru.like.GapSD() > nothingSD, memory.GapsInTemp)
	less(ru.like.GapSD() > lessSD && ru.like.GapSD() <= nothingSD, memory.GapsInTemp)
	less(slices.ContainsFunc(l.Touches, func(t coat.Touch) bool { return t.Air }), memory.GuessedTemp)
	less(len(ru.batches) == 0, memory.NoBatch)
	less(slices.ContainsFunc(ru.batches, func(b coat.Batch) bool { return stock.BatchDoubt(w, b) > 0 }), memory.OldStock)
	return l
}

// lotOf names the lots of a coat's resin and hardener, either of which may change.
func lotOf(ru *run) string {
	lot := ""
	for _, b := range ru.batches {
		if b.Lot != "" {
			lot = b.Lot
			if b.HardenerLot != "" && b.HardenerLot != b.Lot {
				lot += " + " + b.HardenerLot
			}
		}
	}
	return lot
}

// extra is the uncertainty of ln κ of this coat alone, from its cups.
func (ru *run) extra(w *coat.Work) float64 {
	x := 0.0
	if len(ru.batches) == 0 {
		x = noBatchSD
	}
	for _, b := range ru.batches {
		x = math.Max(x, stock.BatchDoubt(w, b)) // old lots
	}
	return x
}

func (ru *run) probeSD(s Settings) float64 {
	if x, ok := s.ProbeSDK[ru.panel.Probe]; ok {
		return x
	}
	return DefaultProbeSDK
}

// taught is what was learnt for one coat from all the others.
type taught struct {
	sig    uint64
	learnt *memory.Learnt
	line   string
}

// recall is what memory says of a coat before its own tests; nil for nothing. Present
// finger tests on other coats count.
func (e *Estimator) recall(w *coat.Work, ru *run, runs map[string]*run, s Settings) (*memory.Learnt, *coat.Prior) {
	if s.Memory == nil {
		delete(e.taught, ru.coat.ID)
		return nil, nil
	}
	law := memory.LawOf(&ru.law.resin)
	own := func(l *memory.Lesson) bool { return l.Coat == ru.coat.ID && l.Board == s.Board }
	if !slices.ContainsFunc(s.Memory.Lessons, func(l memory.Lesson) bool {
		return l.Resin == ru.coat.Resin && l.Law == law && l.Teaches && !own(&l)
	}) && !slices.ContainsFunc(s.Memory.Shared, func(x memory.Shared) bool { return x.Resin == ru.coat.Resin && x.Law == law && x.Board != s.Board }) {
		delete(e.taught, ru.coat.ID)
		return nil, nil
	}
	have := map[string]bool{}
	for i := range s.Memory.Lessons {
		if l := &s.Memory.Lessons[i]; l.Board == s.Board {
			have[l.Coat] = true
		}
	}
	type felt struct {
		ID string
		N  int
		At time.Time
	}
	var live []*run
	sig := struct {
		Rev  uint64
		Law  uint64
		Live []felt
	}{Rev: s.Memory.Rev, Law: ru.law.key}
	for i := range w.Coats {
		o := runs[w.Coats[i].ID]
		if o == nil || o == ru || have[o.coat.ID] || !o.like.Says() || o.coat.Resin != ru.coat.Resin {
			continue
		}
		live = append(live, o)
		sig.Live = append(sig.Live, felt{o.coat.ID, len(o.feels), o.feels[len(o.feels)-1].At})
	}
	key := digest(sig)
	t := e.taught[ru.coat.ID]
	if t == nil || t.sig != key {
		m := *s.Memory
		m.Lessons = slices.DeleteFunc(slices.Clone(m.Lessons), func(l memory.Lesson) bool { return own(&l) })
		for _, o := range live {
			l := e.lesson(w, o, s)
			m.Hidden(&l)
			m.Lessons = append(m.Lessons, l)
		}
		t = &taught{sig: key, learnt: memory.Learn(ru.law.resin, &m, s.Board)}
		if t.learnt != nil {
			t.line = t.learnt.Line(lotOf(ru), words.View{})
		}
		e.taught[ru.coat.ID] = t
	}
	if !t.learnt.Knows() {
		return nil, nil
	}
	return t.learnt, t.learnt.Prior(memory.About{Lot: lotOf(ru), Unit: ru.unit, Board: s.Board, Applied: ru.coat.Applied, Who: s.who(ru), Contrast: 1000 * ru.young.Contrast()})
}

// who will feel a coat: who felt it last, else who felt last of all.
func (s *Settings) who(ru *run) string {
	if n := len(ru.feels); n > 0 {
		return s.People[ru.feels[n-1].ID]
	}
	return s.Person
}
