// SPDX-License-Identifier: Apache-2.0

package web_test

import (
	"strings"
	"testing"

	"curewright/dashboards/web"
	"curewright/internal/daemon/daemontest"
)

// Each channel's counts stand beside its name, all of them from the start: a
// refusal that is counted nowhere is a silent drop.
func TestChannelMetrics(t *testing.T) {
	_, m := scrape(t, server(t, &faulty{Backend: bare(t), channels: []web.ChannelStats{
		{Name: "phone", Up: true, Sent: 14}, {Name: "office", Queued: 2, Failures: 9, Refused: 1, Lost: 3},
	}}).Handler())
	measured(t, m, map[string]float64{
		`curewright_channel_up{channel="phone"}`:               1,
		`curewright_channel_up{channel="office"}`:              0,
		`curewright_channel_sent_total{channel="phone"}`:       14,
		`curewright_channel_refused_total{channel="phone"}`:    0,
		`curewright_channel_refused_total{channel="office"}`:   1,
		`curewright_channel_failures_total{channel="office"}`:  9,
		`curewright_channel_lost_total{channel="office"}`:      3,
		`curewright_channel_queued_messages{channel="office"}`: 2,
	})
}

// A sender that never got a reading through has no time of one.
func TestForwardMetrics(t *testing.T) {
	_, m := scrape(t, server(t, &faulty{Backend: bare(t), forwards: []web.ForwardStats{
		{To: "influx", Up: true, Sent: 1200, Refused: 3, Newest: &daemontest.ShopAt}, {To: "mqtt", Failures: 7},
	}}).Handler())
	measured(t, m, map[string]float64{
		`curewright_forward_up{to="influx"}`:                               1,
		`curewright_forward_up{to="mqtt"}`:                                 0,
		`curewright_forward_sent_total{to="influx"}`:                       1200,
		`curewright_forward_refused_total{to="influx"}`:                    3,
		`curewright_forward_failures_total{to="mqtt"}`:                     7,
		`curewright_forward_newest_reading_timestamp_seconds{to="influx"}`: float64(daemontest.ShopAt.Unix()),
	})
	for k := range m {
		if strings.HasPrefix(k, "curewright_forward_newest_reading") && strings.Contains(k, "mqtt") {
			t.Errorf("%s should not be there", k)
		}
	}
}
