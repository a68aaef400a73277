// SPDX-License-Identifier: Apache-2.0

package job

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/fault"
	"curewright/model/mix"
	"curewright/model/stock"
)

// Fault is one thing wrong with one field of a record of work.
type Fault = fault.Fault

// ClockSlack is how far ahead of now a time may lie before it counts as being
// in the future: two clocks in one shop are never quite the same.
const ClockSlack = 2 * time.Minute

// Allowed values of a record's fields.
var (
	Cores  = []string{"wood", "foam", "honeycomb", "metal", "laminate"}
	Kinds  = []string{coat.TackCoat, coat.WetOut, coat.FillCoat, coat.Bond, coat.Seal}
	Shapes = []string{"cup", "tray", "bond"}
	Covers = []string{"none", "peel ply", "film", "vacuum bag"}
	Nexts  = []string{"cloth", "wet", "coat", "fill", "none"}
	States = coat.StateNames()
)

// earliest is the earliest plausible time; one before it comes from a clock that was
// never set.
var earliest = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// mixRatioSlackPct is how far a weighed ratio may lie from the resin's, where
// the resin states no tolerance. Beyond it the model would extrapolate, so the person
// is asked whether the cup was used.
const mixRatioSlackPct = 10

// maxNote is the most characters of a note and of a reason.
const maxNote = 2000

// checkWhen checks a required time; it reports whether the time can be compared.
func checkWhen(f *fault.List, field string, t, now time.Time) bool {
	switch {
	case t.IsZero():
		f.Add(field, "missing")
		return false
	case t.Before(earliest):
		f.Add(field, "%s is before the year 2000: was the clock set?", stamp(t))
		return false
	case !now.IsZero() && t.After(now.Add(ClockSlack)):
		f.Add(field, "%s is in the future (it is %s)", stamp(t), stamp(now.In(t.Location())))
		return false
	}
	return true
}

// checkCover checks what is laid on a coat. A bag cannot pull more than the
// whole atmosphere, 101.325 kPa (ISO 2533).
func checkCover(f *fault.List, cover string, kpa, minutes *float64) {
	f.OneOf("cover", cover, Covers, false)
	f.OptPositive("bag_kpa", kpa, 101.325, "kPa")
	f.OptPositive("bag_minutes", minutes, 14*24*60, "min")
	if cover != "vacuum bag" {
		if kpa != nil {
			f.Add("bag_kpa", "is of a vacuum bag, the cover is %q", cover)
		}
		if minutes != nil {
			f.Add("bag_minutes", "is of a vacuum bag, the cover is %q", cover)
		}
	}
}

// checkShare checks the share of a panel that a coat covers; nil is all of it.
func checkShare(f *fault.List, share *float64) {
	if share != nil && !(*share > 0 && *share <= 1) {
		f.Add("share", "%g is not above 0 and at most 1 (the whole panel)", *share)
	}
}

func checkWho(f *fault.List, who string) { f.Text("who", who, 64) }

func stamp(t time.Time) string { return t.Format(time.RFC3339) }

// CheckPanel checks one panel by itself; the caller must check that its id is new.
func CheckPanel(w *coat.Work, p coat.Panel) []Fault {
	var f fault.List
	f.ID("id", p.ID)
	if p.Piece != "" {
		f.ID("piece", p.Piece)
	}
	f.OneOf("core", p.Core, Cores, false)
	f.OptPositive("area_m2", p.AreaM2, 1000, "m²")
	if p.NoProbe && p.Probe != "" {
		f.Add("no_probe", "the panel has probe %q", p.Probe)
	}
	return f
}

// CheckBatch checks one mixed cup: a known resin, masses that are positive
// and in the resin's ratio, a time that is not ahead of now.
func CheckBatch(w *coat.Work, b coat.Batch, now time.Time) []Fault {
	var f fault.List
	r, known := w.Resins[b.Resin]
	switch {
	case b.Resin == "":
		f.Add("resin", "missing")
	case !known:
		f.Add("resin", "unknown resin %q", b.Resin)
	}
	f.OptPositive("resin_g", b.ResinG, 1e6, "g")
	f.OptPositive("hardener_g", b.HardenerG, 1e6, "g")
	f.OneOf("off_ratio", b.OffRatio, []string{coat.OffScrap, coat.OffUsed}, false)
	if known && b.OffRatio == "" && b.ResinG != nil && b.HardenerG != nil {
		if slip, off := OffRatio(r, b); off {
			f.Add("hardener_g", "%g g of hardener to %g g of resin is %s %% off the ratio. %s Or say what became of it: scrap, or used as it is",
				*b.HardenerG, *b.ResinG, strings.Replace(fmt.Sprintf("%+.0f", slip.OffPct), "-", "−", 1), slip.Say(nil))
		}
	}
	f.OptPositive("filler_g", b.FillerG, 1e6, "g")
	for _, x := range stock.CheckLots(w, b) {
		f.Add(x.Field, "%s", x.What)
	}
	if checkWhen(&f, "mixed", b.Mixed, now) && b.Ended != nil {
		if checkWhen(&f, "ended", *b.Ended, now) && b.Ended.Before(b.Mixed) {
			f.Add("ended", "%s is before it was mixed (%s)", stamp(*b.Ended), stamp(b.Mixed))
		}
	}
	f.OneOf("shape", b.Shape, Shapes, false)
	f.OptWithin("diameter_mm", b.DiameterMM, 10, 2000, "mm")
	f.OptWithin("start_c", b.StartC, -20, 80, "°C")
	f.OptWithin("left_g", b.LeftG, 0, 1e6, "g")
	return f
}

// OffRatio reports how far a batch's parts are from the resin's ratio, and
// whether that is too much: more than the sheet's tolerance and twice the error
// of a scale that shows grams, or mixRatioSlackPct where the sheet names none.
func OffRatio(r cure.Resin, b coat.Batch) (mix.Slip, bool) {
	if b.ResinG == nil || b.HardenerG == nil {
		return mix.Slip{}, false
	}
	slack := float64(mixRatioSlackPct)
	if r.RatioTolPct != nil {
		slack = *r.RatioTolPct + 2*mix.Split{ResinG: b.ResinG, HardenerG: b.HardenerG}.RatioErrorPct(mix.ScaleG)
	}
	r.RatioTolPct = &slack
	s, err := mix.Check(r, *b.ResinG, *b.HardenerG)
	return s, err == nil && !s.Within
}

// CheckCoat checks one coat against the work it belongs to.
func CheckCoat(w *coat.Work, c coat.Coat, now time.Time) []Fault {
	var f fault.List
	switch _, ok := find(w.Panels, func(p coat.Panel) bool { return p.ID == c.Panel }); {
	case c.Panel == "":
		f.Add("panel", "missing")
	case !ok:
		f.Add("panel", "unknown panel %q", c.Panel)
	}
	switch _, ok := w.Resins[c.Resin]; {
	case c.Resin == "":
		f.Add("resin", "missing")
	case !ok:
		f.Add("resin", "unknown resin %q", c.Resin)
	}
	f.OneOf("kind", c.Kind, Kinds, true)
	checkCover(&f, c.Cover, c.BagKPa, c.BagMinutes)
	checkShare(&f, c.Share)
	f.OneOf("next", c.Next, Nexts, false)
	dated := checkWhen(&f, "applied", c.Applied, now)
	if c.Finished != nil && checkWhen(&f, "finished", *c.Finished, now) && dated && c.Finished.Before(c.Applied) {
		f.Add("finished", "%s is before it was applied (%s)", stamp(*c.Finished), stamp(c.Applied))
	}
	if c.Ended != nil && dated && c.Ended.Before(c.Applied) {
		f.Add("ended", "%s is before it was applied (%s)", stamp(*c.Ended), stamp(c.Applied))
	}
	if c.Ended == nil && openBeside(w, c) >= MaxOpenCoats {
		f.Add("ended", "%d coats are open, as many as are watched at once: end those that are hard or coated over first", MaxOpenCoats)
	}
	for i, id := range c.Batches {
		field := fmt.Sprintf("batches[%d]", i)
		if slices.Index(c.Batches, id) != i {
			f.Add(field, "batch %q is named twice", id)
			continue
		}
		b, ok := find(w.Batches, func(b coat.Batch) bool { return b.ID == id })
		if !ok {
			f.Add(field, "unknown batch %q", id)
			continue
		}
		if b.Resin != c.Resin {
			f.Add(field, "batch %q is %s, the coat says %s", id, b.Resin, c.Resin)
		}
		// Cups are mixed one after another while a coat goes on, so a cup younger
		// than the first brush stroke is normal.
		last := c.Applied
		if c.Finished != nil {
			last = *c.Finished
		}
		if dated && b.Mixed.Sub(last) > 24*time.Hour {
			f.Add(field, "batch %q was mixed at %s, more than a day after the coat was on (%s)", id, stamp(b.Mixed), stamp(last))
		} else if dated && c.Applied.Sub(b.Mixed) > 24*time.Hour {
			f.Add(field, "batch %q was mixed more than a day before the coat", id)
		}
	}
	for i, cl := range c.Cloth {
		field := fmt.Sprintf("cloth[%d]", i)
		if cl.Name == "" {
			f.Add(field+".name", "missing")
		}
		f.OptPositive(field+".g_m2", cl.GM2, 10000, "g/m²")
		if cl.Laid != nil && checkWhen(&f, field+".laid", *cl.Laid, now) && dated && cl.Laid.Before(c.Applied.Add(-ClockSlack)) {
			f.Add(field+".laid", "%s is before the coat was on (%s)", stamp(*cl.Laid), stamp(c.Applied))
		}
	}
	return f
}

// MaxOpenCoats is how many coats may be open at once: each costs a share of
// every evaluation and every entry. A choice, no source; a shop has a few dozen.
const MaxOpenCoats = 1000

// openBeside counts the open coats other than c. It is 0 where c is open already, so
// that open coats can be corrected even beyond the limit.
func openBeside(w *coat.Work, c coat.Coat) int {
	n := 0
	for i := range w.Coats {
		o := &w.Coats[i]
		switch {
		case o.Ended != nil:
		case o.ID == c.ID:
			return 0
		default:
			n++
		}
	}
	return n
}

// CheckFeel checks one finger test against the coat it was made on.
func CheckFeel(w *coat.Work, x coat.Feel, now time.Time) []Fault {
	var f fault.List
	c, ok := find(w.Coats, func(c coat.Coat) bool { return c.ID == x.Coat })
	switch {
	case x.Coat == "":
		f.Add("coat", "missing")
	case !ok:
		f.Add("coat", "unknown coat %q", x.Coat)
	}
	f.OneOf("state", string(x.State), States, true)
	if checkWhen(&f, "at", x.At, now) && ok && x.At.Before(c.Applied.Add(-ClockSlack)) {
		f.Add("at", "%s is before the coat was on (%s)", stamp(x.At), stamp(c.Applied))
	}
	return f
}

func find[T any](s []T, is func(T) bool) (T, bool) {
	if i := slices.IndexFunc(s, is); i >= 0 {
		return s[i], true
	}
	var zero T
	return zero, false
}
