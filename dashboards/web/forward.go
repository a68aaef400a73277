// SPDX-License-Identifier: Apache-2.0

package web

import "time"

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

var forwardMetrics = []measure[ForwardStats]{
	{gauge("forward_up", "1 while sending to the other system works.", "to"), func(f ForwardStats) float64 { return one(f.Up) }},
	{counter("forward_sent_total", "Points or messages that the other system accepted.", "to"), func(f ForwardStats) float64 { return float64(f.Sent) }},
	{counter("forward_refused_total", "Points or messages that the other system refused; they are skipped.", "to"), func(f ForwardStats) float64 { return float64(f.Refused) }},
	{counter("forward_failures_total", "Tries to send that failed; each is repeated.", "to"), func(f ForwardStats) float64 { return float64(f.Failures) }},
	{gauge("forward_newest_reading_timestamp_seconds", "Time of the newest reading that the other system has; absent before the first.", "to"), func(f ForwardStats) float64 { return unixSeconds(f.Newest) }},
}
