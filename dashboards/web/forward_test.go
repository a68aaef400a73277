package web_test

import (
	"strings"
	"testing"

	"curewright/dashboards/web/webtest"
)

// A sender that never got a reading through has no time of one.
func TestForwardMetrics(t *testing.T) {
	_, m := scrape(t, server(t, webtest.NewFull()).Handler())
	for name, want := range map[string]float64{
		`curewright_forward_up{to="influx"}`:                               1,
		`curewright_forward_up{to="mqtt"}`:                                 0,
		`curewright_forward_sent_total{to="influx"}`:                       1200,
		`curewright_forward_refused_total{to="influx"}`:                    3,
		`curewright_forward_failures_total{to="mqtt"}`:                     7,
		`curewright_forward_newest_reading_timestamp_seconds{to="influx"}`: float64(webtest.At.Unix()),
	} {
		if got, ok := m[name]; !ok || got != want {
			t.Errorf("%s = %v (there: %v), want %v", name, got, ok, want)
		}
	}
	for k := range m {
		if strings.HasPrefix(k, "curewright_forward_newest_reading") && strings.Contains(k, "mqtt") {
			t.Errorf("%s should not be there", k)
		}
	}
}
