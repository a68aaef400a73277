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

var (
	mChanUp     = gauge("channel_up", "0 while the last try to send an alert by this channel failed.", "channel")
	mChanQueued = gauge("channel_queued_messages", "Messages that wait for their turn or for another try.", "channel")
	mChanSent   = counter("channel_sent_total", "Messages that the other end took.", "channel")
	mChanFail   = counter("channel_failures_total", "Tries that failed; they are made again.", "channel")
	mChanBad    = counter("channel_refused_total", "Messages that the other end refuses for good; they are not tried again.", "channel")
	mChanLost   = counter("channel_lost_total", "Messages given up after days of trying, or because too many waited.", "channel")
)

func channelMetrics(put putFunc, cs []ChannelStats) {
	for _, c := range once(cs, func(c ChannelStats) string { return c.Name }) {
		put(mChanUp, one(c.Up), c.Name)
		put(mChanQueued, float64(c.Queued), c.Name)
		put(mChanSent, float64(c.Sent), c.Name)
		put(mChanFail, float64(c.Failures), c.Name)
		put(mChanBad, float64(c.Refused), c.Name)
		put(mChanLost, float64(c.Lost), c.Name)
	}
}
