// SPDX-License-Identifier: Apache-2.0

package job

import (
	"runtime"
	"slices"
	"time"

	"curewright/model/coat"
)

// Replay judges the job's coats over a table of readings as they stood at
// until: readings and finger tests after it do not count, so that a forecast
// can be scored against what came later. A zero until means the last reading.
func Replay(j *Job, t *Table, until time.Time) (Result, error) {
	if until.IsZero() {
		_, last, ok := t.Span()
		if !ok {
			return Result{}, errEmpty
		}
		until = last
	}
	w, set := At(&j.Work, until), j.Settings
	if set.Loc == nil {
		// Everything is told by one clock, the one that the job's latest coat
		// was written by; readings are often kept in UTC.
		var last time.Time
		for _, c := range w.Coats {
			if c.Applied.After(last) {
				last = c.Applied
			}
		}
		if !last.IsZero() {
			set.Loc = last.Location()
		}
	}
	if set.Loc != nil {
		until = until.In(set.Loc)
	}
	return NewEstimator(Options{NoCheckpoints: true, Workers: runtime.GOMAXPROCS(0)}).Estimate(until, w, t, set)
}

// At is the work as it stood at a time: what was entered for later is left
// out.
func At(w *coat.Work, until time.Time) *coat.Work {
	out := *w
	out.Coats = slices.DeleteFunc(slices.Clone(w.Coats), func(c coat.Coat) bool { return c.Applied.After(until) })
	out.Feels = slices.DeleteFunc(slices.Clone(w.Feels), func(f coat.Feel) bool { return f.At.After(until) })
	for i := range out.Coats {
		if f := out.Coats[i].Finished; f != nil && f.After(until) {
			out.Coats[i].Finished = nil
		}
	}
	return &out
}

type plainError string

func (e plainError) Error() string { return string(e) }

const errEmpty = plainError("no readings in the file")
