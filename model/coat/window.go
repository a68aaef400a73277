// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"math"
	"slices"
	"time"

	"curewright/model/cure"
)

const (
	permitP    = 0.8  // a permission is said from this probability of being inside
	warnP      = 0.1  // and not past this one of the next closing
	freshShare = 0.1  // of a coat's age, for which a finger test speaks for itself
	nearBest   = 0.97 // and from this share of the best that is to be had by waiting
	surely     = 0.93 // from this probability on no finger is needed
	knownSD    = 0.10 // of ln κ below which a batch is known without a finger
	prompts    = 4    // finger tests asked for, a coat
	// The finger is asked for as soon as the window is open with this share of
	// the best chance that it will ever be; tuned on simulated coats.
	soonEnough   = 0.85
	worthFeeling = 0.1 // a chance of being inside below which no test is asked for
)

// spell is a window's two sides as probabilities over time.
type spell struct {
	c           *Case
	f, closing  *fan
	open, close cure.Mark
}

func (s *spell) opened(t time.Time) float64 {
	if s.open < 0 {
		return 1
	}
	return s.f.by(s.open, t.Sub(s.f.tr.mixed).Seconds())
}

func (s *spell) closed(t time.Time) float64 {
	return s.closing.by(s.close, t.Sub(s.closing.tr.mixed).Seconds())
}

// inside is the probability that the window is open at t.
func (s *spell) inside(t time.Time) float64 { return max(0, s.opened(t)-s.closed(t)) }

func (s *spell) end() time.Time {
	return s.f.tr.moment(s.f.start + float64(s.f.bins-1)*binS)
}

// permission is the next stretch from now on in which the window is surely
// enough open, and nearly as surely as it will ever be before the first warning
// of its closing; false where none worth taking is foreseen. best is that
// surety.
func (s *spell) permission(now time.Time) (from, until time.Time, best float64) {
	end := s.end()
	step := binS * time.Second
	for t := now; !t.After(end); t = t.Add(step) {
		shut := s.closed(t)
		if shut >= warnP {
			break
		}
		best, until = max(best, s.opened(t)-shut), t
	}
	for from = now; from.Before(until) && s.inside(from) < nearBest*best; {
		from = from.Add(step)
	}
	return from, until, best
}

// nextFeel is when a finger test is worth most: as soon as the window is likely
// enough open, from a tenth of the coat's age after the last test on.
func (s *spell) nextFeel() *time.Time {
	c := s.c
	earliest, n := c.Coat.Applied, 0
	for _, f := range c.Feels {
		if f.At.After(c.Now) {
			continue
		}
		n++
		if t := f.At.Add(pause(f.At.Sub(c.Coat.Applied))); t.After(earliest) {
			earliest = t
		}
	}
	if n >= prompts {
		return nil
	}
	end, step := s.end(), 2*binS*time.Second
	best := 0.0
	for t := earliest; !t.After(end); t = t.Add(step) {
		best = max(best, s.inside(t))
		if s.closed(t) > 0.9 {
			break
		}
	}
	if best < worthFeeling {
		return nil
	}
	for t := earliest; !t.After(end); t = t.Add(step) {
		if s.inside(t) >= soonEnough*best {
			return &t
		}
	}
	return nil
}

// pause is how long a coat of some age is left alone between two finger tests.
func pause(age time.Duration) time.Duration {
	return min(max(time.Duration(freshShare*float64(age)), 5*time.Minute), time.Hour)
}

// window fills NextWindow.
func (e *Estimate) window(c *Case, f, closing *fan, alpha50 float64) {
	kind := WindowKind(c.Coat)
	if kind == "" || e.Covered != nil {
		return
	}
	s := &spell{c: c, f: f, closing: closing}
	s.open, s.close = edges(kind)
	win := &Window{Kind: kind}
	e.NextWindow = win
	now, applied := c.Now, c.Coat.Applied
	if s.open < 0 {
		win.OpensBand = TimeBand{&applied, &applied, &applied}
	} else {
		win.OpensBand = f.band(s.open)
	}
	shut := s.closed(now)
	recoat := s.close == nextCloses
	if recoat && shut >= 0.5 {
		win.ClosesBand = closing.band(cure.Closes)
	} else {
		win.ClosesBand = closing.band(s.close)
	}
	inside := s.inside(now)
	win.Inside = &inside
	last := c.Belief.LastUsed
	whole, past := finger(kind, last)
	fresh := last != nil && now.Sub(last.At) <= max(time.Duration(freshShare*float64(now.Sub(applied))), 5*time.Minute)
	tg50, tempC := c.Resin.Tg(alpha50), f.tr.NowC()
	switch {
	case slices.Contains(e.UnknownWhy, ColdGlass) || alpha50 < c.Resin.AlphaGel && tg50 >= tempC:
		win.Status = "cold"
	case e.State == Unknown || c.Belief.Asked:
		win.Status = "unknown"
	case past && fresh, shut >= 0.5 && !(whole && fresh):
		win.Status = "closed"
		// Shut only while it is as cold as now?
		if recoat && closing.by(cure.Shut, closing.start) < 0.5 && tg50 < cure.WorkC(tempC)+cure.FirmAboveK {
			win.Status = "cold"
			e.Facts.Shut = true
		}
	case whole && fresh, s.opened(now) >= 0.5:
		win.Status = "open"
	default:
		win.Status = "before"
	}
	if c.Belief.Asked {
		win.ClosesBand = TimeBand{}
		if n := len(c.Feels); n > 0 && n <= prompts {
			t := c.Feels[n-1].At.Add(pause(c.Feels[n-1].At.Sub(applied)))
			win.FeelFrom = &t
		}
		return
	}
	win.Opens, win.Closes = win.OpensBand.P90, win.ClosesBand.P10
	if kind == WindowFill && s.f.by(cure.Green, s.f.start) < 0.5 {
		win.Best = f.band(cure.Green).P50
	}
	if win.Status != "open" && win.Status != "before" {
		return
	}
	from, until, best := s.permission(now)
	// A batch of which nothing was felt is felt once before it is relied upon:
	// it may not be what it is said to be.
	_, sd := c.Belief.W.Moments()
	sure := sd < knownSD
	taken := best >= permitP && until.Sub(from) >= worthTaking
	switch {
	case win.Status == "open" && (whole && fresh || inside >= permitP && inside >= nearBest*best && shut < warnP):
		win.Permits = true
		if win.Opens == nil || win.Opens.After(now) {
			win.Opens = &now
		}
	case taken && best >= surely && (c.Belief.Used > 0 || sure):
		win.Opens = &from
	default:
		win.FeelFrom = s.nextFeel()
		if taken {
			win.Opens = &from
		}
	}
}

// finger says whether the word of a finger test lies inside the window whole,
// or past its end.
func finger(kind string, f *Feel) (whole, past bool) {
	if f == nil {
		return false, false
	}
	n := f.State.Rank()
	switch kind {
	case WindowCloth:
		return n == Tacky.Rank(), n >= Green.Rank()
	case WindowWet:
		return n == Wet.Rank(), n >= Tacky.Rank()
	}
	return n == Green.Rank(), n >= Firm.Rank()
}

// laidOn says how this coat went onto the one below.
func (e *Estimate) laidOn(c *Case) {
	if b := c.Below; b != nil && b.Covered != nil && b.Covered.By == c.Coat.ID {
		fell := b.Covered.Fell
		e.Laid = &fell
	}
}

// feltBefore is what a finger found just before a time; the given state where
// none was there.
func (c *Case) feltBefore(at time.Time, s State) State {
	for _, x := range c.Feels {
		if d := at.Sub(x.At); d >= 0 && d <= pause(x.At.Sub(c.Coat.Applied)) {
			s = x.State
		}
	}
	return s
}

// covered says how the next coat went on.
func (e *Estimate) covered(c *Case, f, closing *fan) {
	e.laidOn(c)
	if c.Over == nil {
		return
	}
	at := c.Over.Applied
	e.Covered = &Covered{At: at, By: c.Over.ID, Minutes: math.Round(at.Sub(c.Coat.Applied).Minutes())}
	seconds := at.Sub(f.tr.mixed).Seconds()
	n := 0
	for i, m := range [...]cure.Mark{cure.Tacky, cure.Green, cure.Firm, cure.Hard} {
		if f.by(m, seconds) >= 0.5 {
			n = i + 1
		}
	}
	e.Covered.State = c.feltBefore(at, States[n])
	e.Covered.Fell = e.fell(c, f, closing, at)
}

// fell judges where the next coat fell in this one's window. Wet on wet is
// inside for what is laid so: cloth, a fillet below it or upon it.
func (e *Estimate) fell(c *Case, f, closing *fan, at time.Time) Fell {
	kind := WindowKind(c.Coat)
	out := Fell{On: c.Coat.ID, State: e.Covered.State, Verdict: FellUnknown}
	wet := c.Coat.Next == "wet" || c.Over.Kind == WetOut || c.Over.Kind == Bond || c.Coat.Kind == Bond || kind == ""
	s := &spell{c: c, f: f, closing: closing}
	if kind == "" {
		kind = WindowCoat
	}
	if kind == WindowCloth && len(c.Over.Cloth) == 0 && c.Over.Kind != WetOut {
		kind = WindowCoat
	}
	if s.open, s.close = edges(WindowWet); wet && s.closed(at) < 0.5 {
		kind = WindowWet
	} else if s.open, s.close = edges(kind); s.close == nextCloses {
		s.close = cure.Closes // as it was then: the first closing
	}
	if out.State == Firm || out.State == Hard || out.State == Green || out.State == Tacky {
		// A finger just before knows better where its word lies inside whole.
		if whole, _ := finger(kind, &Feel{State: out.State}); whole && s.inside(at) > warnP {
			out.Window, out.Verdict, out.Sure = kind, FellInside, true
			return out
		}
	}
	out.Window = kind
	switch opened, closed := s.opened(at), s.closed(at); {
	case closed >= 0.5:
		out.Verdict, out.Sure = FellAfter, closed >= permitP
		out.ClosedAt = closing.band(s.close).P50
		out.Do = "take_off"
		if out.State == Hard {
			out.Do = "if_abraded"
		} else if !out.Sure {
			out.Do = "let_be"
		}
	case opened < 0.5:
		out.Verdict, out.Sure, out.Do = FellBefore, opened <= 1-permitP, "let_be"
	default:
		out.Verdict, out.Sure = FellInside, opened-closed >= permitP
	}
	return out
}
