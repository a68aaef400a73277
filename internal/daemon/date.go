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

// startClock decides at the start whose date counts: the kernel's where
// something keeps it right, a clock chip's that was seen right before and is
// after the last record, else the one that a phone gave in this run of the kernel.
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
		// Another start of this boot did not know it yet, or had it from a phone.
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

// trustClock gives what came in before the date was known, or under another
// one, its date, then believes the clock.
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

// heldSpan is the time that the board was off, as a phone alone says: no coat
// cures over it.
type heldSpan struct {
	Boot string    `json:"boot"` // that came after it
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

// holdCure notes the time before this boot as one over which no coat cures, if a
// phone alone knows it and it is long; a date that is right, by the kernel or
// by a later phone, ends that. It holds at once, and an error means that it is
// not on the card yet.
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

// dateAll dates what waits for it; what a full card refuses is tried again by
// upkeep.
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
		d.log.Debug("clock chip", "err", err) // upkeep says what a card that refuses costs
	}
}

// watchSync takes the kernel's date once something outside keeps it right: it
// is better than none, and than a phone's.
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

// What a phone's date is asked about once more: see [Daemon.doubtDate].
const (
	farDate  = 24 * time.Hour   // between the last record and this start of the board
	longOff  = 30 * time.Minute // the same, while a coat is open: the least by which a zone can be wrong
	slackOff = 5 * time.Minute  // by which a board's own clock drifts in a season
)

// TrustClock takes the phone's time where the board does not know its own. One
// that what the board knows by itself speaks against is taken only when confirm
// repeats its date: a phone with a wrong one would have every coat hours or
// years old. A later one that is right is taken in the same way, and moves what
// came in under the wrong one.
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
			return h.Last // what this boot recorded since is no measure of its date
		}
	}
	return d.lastBefore
}

// doubtDate asks what a phone's date makes doubtful; "" for nothing. The board
// has no clock, but it has counted since it was started, and it was started
// after its last record: a date that has it start before is wrong, or that
// record's is. How long it was off it can't know; where a coat cured on
// meanwhile, the person who was there is asked.
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
	if last.IsZero() { // then only what somebody else said
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
