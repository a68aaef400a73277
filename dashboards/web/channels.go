// SPDX-License-Identifier: Apache-2.0

package web

// ChannelStats is how alerts get through by one channel. Counts are messages
// since start.
type ChannelStats struct {
	Name     string
	Up       bool   // its last try got through, or there was none yet
	Queued   int    // waiting for their turn or for another try
	Sent     uint64 // taken by the other end
	Failures uint64 // tries that failed and are made again
	Refused  uint64 // not taken and not tried again: a wrong password, an unknown address
	Lost     uint64 // given up after days of trying, or too many were waiting
}

var channelMetrics = []measure[ChannelStats]{
	{gauge("channel_up", "0 while the last try to send an alert by this channel failed.", "channel"), func(c ChannelStats) float64 { return one(c.Up) }},
	{gauge("channel_queued_messages", "Messages waiting for their turn or for another try.", "channel"), func(c ChannelStats) float64 { return float64(c.Queued) }},
	{counter("channel_sent_total", "Messages that the channel's other end accepted.", "channel"), func(c ChannelStats) float64 { return float64(c.Sent) }},
	{counter("channel_failures_total", "Tries to send that failed; each is repeated.", "channel"), func(c ChannelStats) float64 { return float64(c.Failures) }},
	{counter("channel_refused_total", "Messages that the channel's other end refused for good; they are not sent again.", "channel"), func(c ChannelStats) float64 { return float64(c.Refused) }},
	{counter("channel_lost_total", "Messages given up after days of trying, or dropped because too many were waiting.", "channel"), func(c ChannelStats) float64 { return float64(c.Lost) }},
}
