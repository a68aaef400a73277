// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"runtime/debug"
	"runtime/metrics"
	"slices"
	"sync"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/model/coat"
	"curewright/model/words"
	"curewright/sensors"
)

// backupKey is where the store remembers when the last copy was made.
const backupKey = "last-backup"

// backupState is when the last whole copy of the store was made, and why the
// next one failed.
type backupState struct {
	mu   sync.Mutex
	at   *time.Time
	fail string
}

func (b *backupState) last() *time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.at
}

func (b *backupState) done(at time.Time) {
	b.mu.Lock()
	b.at, b.fail = &at, ""
	b.mu.Unlock()
}

// condition is the nightly copy's fault as a condition for the alerts.
func (b *backupState) condition(now time.Time, s storeSection) []alerts.Condition {
	b.mu.Lock()
	defer b.mu.Unlock()
	if s.Backup == "" {
		return nil
	}
	if b.fail != "" && (b.at == nil || now.Sub(*b.at) > 2*time.Duration(s.Every)) {
		return []alerts.Condition{{Rule: alerts.BackupOld, Severity: alerts.Note,
			Case: "failed", Facts: words.Facts{"why": b.fail}}}
	}
	return nil
}

// nightlyCopy makes a whole copy of the store on the second path when one is
// due. A stick that is not plugged in is not an error to stop for.
func (d *Daemon) nightlyCopy(ctx context.Context, now time.Time) {
	to := d.cfg.Store.Backup
	if to == "" {
		return
	}
	if at := d.backup.last(); at != nil && now.Sub(*at) < time.Duration(d.cfg.Store.Every) {
		return
	}
	if err := d.copyTo(ctx, filepath.Join(to, "curewright-backup.db"), now); err != nil {
		d.backup.mu.Lock()
		if d.backup.fail != err.Error() {
			d.log.Warn("backup", "err", err)
		}
		d.backup.fail = err.Error()
		d.backup.mu.Unlock()
	}
}

func (d *Daemon) copyTo(ctx context.Context, file string, now time.Time) error {
	if err := d.store.Backup(ctx, file); err != nil {
		return err
	}
	d.backup.done(now)
	return d.store.WriteSetting(ctx, backupKey, now)
}

// Backup streams a whole copy of the store: what "Save everything to this
// phone" downloads.
func (d *Daemon) Backup(ctx context.Context, w io.Writer) error {
	dir, err := os.MkdirTemp(d.cfg.Store.Path, ".backup-*")
	if err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	defer os.RemoveAll(dir)
	file := filepath.Join(dir, "curewright.db")
	if err := d.copyTo(ctx, file, d.clk.Now()); err != nil {
		return err
	}
	f, err := os.Open(file)
	if err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	defer f.Close()
	_, err = io.Copy(w, f)
	return err
}

// intakeCounts is what came in by each way.
type intakeCounts struct {
	mu sync.Mutex
	by map[string]*web.IntakeStats
}

// of is the counts of one way; c.mu is held.
func (c *intakeCounts) of(way string) *web.IntakeStats {
	if c.by == nil {
		c.by = map[string]*web.IntakeStats{}
	}
	s := c.by[way]
	if s == nil {
		s = &web.IntakeStats{Intake: way, Refused: map[string]uint64{}}
		c.by[way] = s
	}
	return s
}

func (c *intakeCounts) count(way string, taken int, refused []sensors.Refusal) {
	c.mu.Lock()
	defer c.mu.Unlock()
	s := c.of(way)
	s.Taken += uint64(taken)
	for _, r := range refused {
		s.Refused[sensors.Reason(r.Err)]++
	}
}

// word counts one message, by the reason for which it was refused, "" for none.
func (c *intakeCounts) word(way, reason string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	s := c.of(way)
	if reason == "" {
		s.Taken++
	} else {
		s.Refused[reason]++
	}
}

// IntakeStats is what came in by each way, for the metrics.
func (d *Daemon) IntakeStats() []web.IntakeStats {
	var out []web.IntakeStats
	poll := web.IntakeStats{Intake: "poll", Refused: map[string]uint64{}}
	for _, h := range d.set.Health() {
		if h.Wired {
			poll.Taken += h.Taken
			for why, n := range h.Errors {
				poll.Refused[why] += n
			}
		}
	}
	out = append(out, poll)
	d.intakes.mu.Lock()
	defer d.intakes.mu.Unlock()
	for _, s := range d.intakes.by {
		c := *s
		c.Refused = maps.Clone(s.Refused)
		out = append(out, c)
	}
	return out
}

// EstimateDurations is how long each evaluation took, for metrics.
func (d *Daemon) EstimateDurations() *web.Durations { return &d.evaluations }

// StoreStats is the store's health, for the metrics.
func (d *Daemon) StoreStats() web.StoreStats {
	s := d.store.Stats()
	num := func(x int64) *float64 {
		if x < 0 {
			return nil
		}
		return new(float64(x))
	}
	out := web.StoreStats{
		Bytes: num(s.Bytes), FreeBytes: num(s.FreeBytes), Pending: num(int64(s.Pending)),
		Written: s.Written, WriteErrors: s.Errors, SetAside: s.SetAside, CleanStop: &s.CleanStop,
		DroppedOld: s.Dropped, TroubleNow: s.DiskFull || s.ReadOnly, LastBackup: d.backup.last(),
	}
	if !s.LastWrite.IsZero() {
		out.LastWrite = &s.LastWrite
	}
	return out
}

// giveBackFrom is how much free memory the heap may hold before it is returned to the
// system. The runtime by itself keeps for minutes what a plan or a record took.
const giveBackFrom = 2 << 20

// giveBack returns to the system what the heap holds free.
func giveBack() {
	free := []metrics.Sample{{Name: "/memory/classes/heap/free:bytes"}}
	metrics.Read(free)
	if free[0].Value.Kind() == metrics.KindUint64 && free[0].Value.Uint64() > giveBackFrom {
		debug.FreeOSMemory()
	}
}

const (
	// alertsMost is how many alerts that ended are kept; what a record shows
	// stays as long as its work does.
	alertsMost = 5000
	// pruneEvery is how often upkeep looks for older ones.
	pruneEvery = 6 * time.Hour
	// probeSpan is how long after it was applied a coat's probes count as
	// watching it.
	probeSpan = 30 * day
)

// pruneAlerts removes the oldest alerts beyond the number that is kept, while
// the date is known: alerts of an unknown date cannot be put in order.
func (d *Daemon) pruneAlerts(ctx context.Context) {
	if !d.clockTrusted.Load() || (!d.prunedAt.IsZero() && time.Since(d.prunedAt) < pruneEvery) {
		return
	}
	d.prunedAt = time.Now()
	w, err := d.work(ctx)
	if err != nil {
		d.log.Warn("alerts are not pruned", "err", err)
		return
	}
	n, err := d.rules.Prune(ctx, alertsMost, func(a alerts.Alert) bool { return ofRecord(w, a) })
	if err != nil && ctx.Err() == nil {
		d.log.Warn("alerts are not pruned", "err", err)
	} else if n > 0 {
		d.log.Info("old alerts removed", "alerts", n)
	}
}

// ofRecord reports whether an alert stands in some piece's record: it is about
// a side, a coat or a cup, or about the probe of a side while a coat cured.
func ofRecord(w *coat.Work, a alerts.Alert) bool {
	if slices.ContainsFunc(w.Batches, func(b coat.Batch) bool { return b.ID == a.Subject }) {
		return true
	}
	for _, p := range w.Panels {
		if p.ID == a.Panel || p.ID == a.Subject {
			return true
		}
	}
	for _, c := range w.Coats {
		if c.ID == a.Subject {
			return true
		}
		end := a.Since
		if a.EndedAt != nil {
			end = *a.EndedAt
		}
		for _, p := range w.Panels {
			if p.ID == c.Panel && (p.Probe == a.Subject || p.Air == a.Subject) && a.Subject != "" &&
				!end.Before(c.Applied) && a.Since.Before(c.Applied.Add(probeSpan)) {
				return true
			}
		}
	}
	return false
}
