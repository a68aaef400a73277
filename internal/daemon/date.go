// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"fmt"
	"time"

	"curewright/dashboards/web"
)

// startClock decides at the start whose date counts: the kernel's where
// something keeps it right, a clock chip's that was seen right before and is
// after the last record, else the one that a phone gave in this run of the kernel.
func (d *Daemon) startClock(o Options) {
	ctx := context.Background()
	now := d.clk.Now()
	last, known := d.store.LastRecord()
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
		if h, ok := d.clk.(stepHolder); ok {
			h.Hold()
		}
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
	if h, ok := d.clk.(stepHolder); ok {
		h.Hold()
	}
	d.event("clock", "", "the clock is trusted: "+why, d.clk.Now())
	d.RequestLook()
}

// dateAll dates what waits for it; what a full card refuses is tried again by
// upkeep.
func (d *Daemon) dateAll(ctx context.Context) {
	zero := d.clk.Now().Add(-d.store.Uptime(time.Now()))
	n, err := d.store.DateUntrusted(ctx, d.store.Boot(), zero)
	d.undated.Store(err != nil)
	if err != nil {
		d.log.Warn("dating what came before the date was known", "err", err)
	} else if n.Readings > 0 || n.Work > 0 {
		d.log.Info("dated what came before the date was known", "readings", n.Readings, "records", n.Work)
		d.RequestLook()
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

// farDate is how far from the last record a phone's date is asked about once
// more.
const farDate = 24 * time.Hour

// TrustClock takes the phone's time where the board does not know its own. A
// date over a day from the last record is taken only when confirm repeats it:
// a phone with a wrong date would have every coat years old. A later one that
// is right is taken in the same way, and moves what came in under the wrong
// one.
func (d *Daemon) TrustClock(ctx context.Context, who web.Who, phone time.Time, confirm string) error {
	if d.clockTrusted.Load() && !d.byPerson.Load() {
		return web.ErrConflict
	}
	if y := phone.Year(); y < 2024 || y > 2124 {
		return web.Faults{{Field: "time", What: fmt.Sprintf("%s is no plausible date", phone.Format(time.RFC3339))}}
	}
	date := phone.In(d.loc).Format(time.DateOnly)
	if last, ok := d.store.LastRecord(); ok && phone.Sub(last).Abs() > farDate && confirm != date {
		days := int(phone.Sub(last).Abs() / (24 * time.Hour))
		way := "after"
		if phone.Before(last) {
			way = "before"
		}
		return &web.ConfirmError{Field: "confirm", Confirm: date, What: fmt.Sprintf("This phone says %s. That is %d days %s the last record here, of %s. Is the phone's date right?",
			phone.In(d.loc).Format("2 January 2006"), days, way, last.In(d.loc).Format("2 January 2006"))}
	}
	d.clk.Set(phone)
	d.trustClock(ctx, "the phone's time, confirmed by "+who.Name, true)
	return nil
}
