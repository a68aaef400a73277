// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"curewright/dashboards/web"
	"curewright/model/words"
)

// startClock decides at the start which date counts: the kernel's where that is kept
// right from outside; that of a clock chip which was seen right before and is later
// than the last record; else the one that a phone gave since the board was started.
func (d *Daemon) startClock(o Options) {
	ctx := context.Background()
	now := d.clk.Now()
	last, known := d.store.LastRecord()
	d.lastBefore = last
	zero, given := d.store.BootDate()
	trusted := o.ClockTrusted
	if c, ok := d.chip(); ok && !trusted {
		trusted = chipVouches(d.cfg.Store.Path, c, now) && (!known || now.After(last))
	}
	switch {
	case trusted && (given || d.store.NeedsDate()):
		// An earlier start of the daemon since the board's start did not know the date
		// yet, or had it from a phone.
		d.trustClock(ctx, "it was set before this start", false)
	case trusted:
		d.store.SetClockTrusted(true)
		d.clockTrusted.Store(true)
		d.clk.Hold()
	case given:
		d.clk.Set(zero.Add(d.store.Uptime(time.Now())))
		d.trustClock(ctx, "the date that a phone gave before this start goes on", true)
	}
	for boot, n := range d.store.UndatedBoots() {
		if boot != d.store.Boot() {
			d.log.Warn("readings of an earlier run of the board never got a date: they are kept and not shown", "boot", boot, "readings_in_memory", n)
		}
	}
}

// trustClock dates the records that came in before the date was known or under another
// date, and then trusts the clock.
func (d *Daemon) trustClock(ctx context.Context, why string, byPerson bool) {
	d.byPerson.Store(byPerson)
	d.dateSet.Add(1)
	d.dateAll(ctx)
	d.store.SetClockTrusted(true)
	d.clockTrusted.Store(true)
	d.clk.Hold()
	d.event("clock", "", "the clock is trusted: "+why, d.clk.Now())
	d.RequestEvaluation()
}

// heldSpan is a time that the board was off, by a phone's date alone: no coat cures
// during it.
type heldSpan struct {
	Boot string    `json:"boot"` // the start of the board after it
	Last time.Time `json:"last"` // record from before that boot
	From time.Time `json:"from"` // equal to To: nothing is held
	To   time.Time `json:"to"`
}

const heldKey = "held cure" // a setting

// heldCure is every such span, in order.
func (d *Daemon) heldCure() []heldSpan {
	if h := d.held.Load(); h != nil {
		return *h
	}
	var held []heldSpan
	d.store.ReadSetting(heldKey, &held)
	return held
}

// holdCure notes the time before this boot as one in which no coat cures, if it is
// long and only a phone's date tells it. A date from the kernel or a later phone ends
// that. It takes effect at once; an error means that it is not on the card yet.
func (d *Daemon) holdCure(ctx context.Context) error {
	boot := d.store.Boot()
	h := heldSpan{Boot: boot, Last: d.beforeBoot()}
	held := slices.DeleteFunc(slices.Clone(d.heldCure()), func(x heldSpan) bool { return x.Boot == boot })
	if d.byPerson.Load() && !h.Last.IsZero() {
		began := d.clk.Now().Add(-d.store.Uptime(time.Now()))
		if h.From, h.To = h.Last, h.Last; began.Sub(h.Last) > farDate {
			h.To = began.Round(0)
		}
		held = append(held, h)
	}
	slices.SortFunc(held, func(a, b heldSpan) int { return a.From.Compare(b.From) })
	held = held[max(0, len(held)-maxHeld):]
	d.held.Store(&held)
	var kept []heldSpan
	if d.store.ReadSetting(heldKey, &kept); slices.EqualFunc(held, kept, func(a, b heldSpan) bool {
		return a.Boot == b.Boot && a.Last.Equal(b.Last) && a.From.Equal(b.From) && a.To.Sub(b.To).Abs() < time.Second
	}) {
		return nil
	}
	return d.store.WriteSetting(ctx, heldKey, held)
}

// maxHeld is how many starts of the board are remembered.
const maxHeld = 64

// dateAll dates the records that wait for the date; upkeep tries again what a full
// card refuses.
func (d *Daemon) dateAll(ctx context.Context) {
	herr := d.holdCure(ctx)
	zero := d.clk.Now().Add(-d.store.Uptime(time.Now()))
	n, err := d.store.DateUntrusted(ctx, d.store.Boot(), zero)
	err = errors.Join(herr, err)
	d.undated.Store(err != nil)
	if err != nil {
		d.log.Warn("dating what came before the date was known", "err", err)
	} else if n.Readings > 0 || n.Work > 0 {
		d.log.Info("dated what came before the date was known", "readings", n.Readings, "records", n.Work)
		d.RequestEvaluation()
	}
}

// watchChip remembers whether the clock chip is right, by a network's time or
// a person's.
func (d *Daemon) watchChip() {
	c, ok := d.chip()
	if !ok || !d.clockTrusted.Load() || !d.byPerson.Load() && !d.synced() {
		return
	}
	if err := markChip(d.cfg.Store.Path, c, d.clk.Now()); err != nil {
		d.log.Debug("clock chip", "err", err) // upkeep reports a card that refuses
	}
}

// watchSync takes the kernel's date once it is kept right from outside, in place of
// none or of a phone's.
func (d *Daemon) watchSync(ctx context.Context) {
	if d.undated.Load() && d.clockTrusted.Load() {
		d.dateAll(ctx)
	}
	if d.clockTrusted.Load() && !d.byPerson.Load() || !d.synced() {
		return
	}
	now := d.clk.Now()
	board := now.Add(-d.clk.Offset())
	d.clk.Set(board)
	if d.clockTrusted.Load() && board.Sub(now).Abs() >= heldStep {
		d.event("clock", "", fmt.Sprintf("the phone's date was %s off; what came in under it is put right", now.Sub(board).Round(time.Second)), board)
	}
	d.trustClock(ctx, "the kernel says it is synchronised", false)
}

// Limits beyond which a phone's date is questioned: see [Daemon.doubtDate].
const (
	farDate  = 24 * time.Hour   // between the last record and this start of the board
	longOff  = 30 * time.Minute // the same while a coat is open: time zones differ by at least this
	slackOff = 5 * time.Minute  // drift of a board's own clock in a season
)

// TrustClock takes the phone's time where the board does not know its own. A time that
// contradicts what the board knows is taken only when confirm repeats its date, because
// a wrong date would make every coat hours or years old. A later correct time is taken
// in the same way and moves the records that came in under the wrong one.
func (d *Daemon) TrustClock(ctx context.Context, who web.Who, phone time.Time, confirm string) error {
	if d.clockTrusted.Load() && !d.byPerson.Load() {
		return fmt.Errorf("%w: the board knows the date by itself", web.ErrConflict)
	}
	if y := phone.Year(); y < 2024 || y > 2124 {
		return web.Faults{{Field: "time", What: fmt.Sprintf("%s is no plausible date", phone.Format(time.RFC3339))}}
	}
	phone = phone.In(d.loc)
	date := phone.Format(time.DateOnly)
	doubt, err := d.doubtDate(ctx, phone)
	if err != nil {
		return err
	}
	if doubt != "" && confirm != date {
		return &web.ConfirmError{Field: "confirm", Confirm: date, What: doubt}
	}
	why := "the phone's time, confirmed by " + who.Name
	if off := phone.Add(-d.store.Uptime(time.Now())).Sub(d.beforeBoot()); off > time.Minute && !d.beforeBoot().IsZero() {
		why += ", by which the board was off for " + off.Round(time.Minute).String()
	}
	d.clk.Set(phone)
	d.trustClock(ctx, why, true)
	return nil
}

// beforeBoot is the newest date in the store from before this start of the
// board; zero for none.
func (d *Daemon) beforeBoot() time.Time {
	for _, h := range d.heldCure() {
		if h.Boot == d.store.Boot() {
			return h.Last // records made since this boot do not count
		}
	}
	return d.lastBefore
}

// doubtDate returns the question that a phone's date raises, "" for none. The board has
// no clock, but it knows how long it has run since its start, and it was started after
// its last record: if the date puts the start before that record, one of the two is
// wrong. The board can't know how long it was off; where a coat was open meanwhile, the
// person is asked.
func (d *Daemon) doubtDate(ctx context.Context, phone time.Time) (string, error) {
	view := d.view(d.settings())
	date := func(t time.Time) string {
		return view.Say("clock.date", words.Facts{"day": t.Day(), "month": d.lang.DateName("months", t), "year": t.Year()})
	}
	days := func(last time.Time, code string) string {
		way := "_after"
		if phone.Before(last) {
			way = "_before"
		}
		return view.Say("clock.ask."+code+way, words.Facts{"phone": date(phone), "days": int(phone.Sub(last).Abs() / (24 * time.Hour)), "last": date(last.In(d.loc))})
	}
	last := d.beforeBoot().In(d.loc)
	if last.IsZero() { // then only another person's date can contradict
		if given := d.clk.Now(); d.byPerson.Load() && phone.Sub(given).Abs() > farDate {
			return days(given, "given"), nil
		}
		return "", nil
	}
	began := phone.Add(-d.store.Uptime(time.Now()))
	off := began.Sub(last)
	if off.Abs() > farDate {
		return days(last, "day"), nil
	}
	facts := words.Facts{"span": words.Span(off), "began": view.Clock(began, phone), "last": view.Clock(last, phone), "now": phone}
	if off < -slackOff {
		return view.Say("clock.ask.before", facts), nil
	}
	w, err := d.work(ctx)
	if err == nil && off > longOff && anyOpen(w, phone) {
		return view.Say("clock.ask.off", facts), nil
	}
	return "", err
}
