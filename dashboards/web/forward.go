// SPDX-License-Identifier: Apache-2.0

package web

import (
	"math"
	"time"
)

// ForwardStats is how sending to one system goes: "influx", "mqtt". Counts are
// since start.
type ForwardStats struct {
	To       string
	Up       bool // it gets through
	Sent     uint64
	Refused  uint64     // points or messages that the other end does not take
	Failures uint64     // tries that failed
	Newest   *time.Time // of the newest reading that the other end has; nil before the first
}

var (
	mFwdUp     = gauge("forward_up", "1 while what is sent to another system gets through.", "to")
	mFwdSent   = counter("forward_sent_total", "Points or messages that another system took.", "to")
	mFwdBad    = counter("forward_refused_total", "Points or messages that another system does not take; they are passed over.", "to")
	mFwdFail   = counter("forward_failures_total", "Tries to send that failed; they are made again.", "to")
	mFwdNewest = gauge("forward_newest_reading_timestamp_seconds", "Time of the newest reading that another system has; absent before the first.", "to")
)

func forwardMetrics(put putFunc, fs []ForwardStats) {
	for _, f := range once(fs, func(f ForwardStats) string { return f.To }) {
		put(mFwdUp, one(f.Up), f.To)
		put(mFwdSent, float64(f.Sent), f.To)
		put(mFwdBad, float64(f.Refused), f.To)
		put(mFwdFail, float64(f.Failures), f.To)
		if f.Newest != nil {
			put(mFwdNewest, math.Round(float64(f.Newest.UnixMilli()))/1000, f.To)
		}
	}
}
