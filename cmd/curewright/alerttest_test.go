// SPDX-License-Identifier: Apache-2.0

package main

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/internal/daemon"
	"curewright/internal/daemon/daemontest"
	"curewright/internal/testkit"
)

// A channel tested from the command line: it goes out, the answer counts as
// able to wake, a channel that does not get through is a failure while running
// and one that is not there is bad usage.
func TestAlertTest(t *testing.T) {
	var down atomic.Bool
	var got atomic.Int32
	hook := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if down.Load() {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		got.Add(1)
	}))
	defer hook.Close()
	d := daemontest.New(t, daemontest.Options{At: time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC), Change: func(c *daemon.Config) {
		c.Alert.Channels = []alerts.ChannelConfig{{Name: "hook", Kind: alerts.KindWebhook, URL: hook.URL}}
	}})

	steps := []struct {
		args string
		down bool
		code int
		says string
		wake bool
	}{
		{args: "hook", says: "curewright alert test hook --heard yes"},
		{args: "hook --heard yes", says: "Noted: hook can wake you.", wake: true},
		{args: "hook", down: true, code: exitFailed, says: "channel hook: ", wake: true},
		{args: "hook --heard no", says: "does not count"},
		{args: "bell", code: exitUsage, says: `no channel is named "bell": one of hook, log`},
		{args: "hook --heard perhaps", code: exitUsage, says: "--heard"},
	}
	for _, s := range steps {
		down.Store(s.down)
		code, out, errs := runCmd(t, append([]string{"--server", d.URL, "alert", "test"}, strings.Fields(s.args)...)...)
		if code != s.code || !strings.Contains(out+errs, s.says) {
			t.Errorf("%s: exit %d, %q %q; want %d and %q", s.args, code, out, errs, s.code, s.says)
		}
		var set web.SettingsView
		testkit.Get(t, d.URL+"/api/v1/settings", &set)
		if wake := set.WakeTested; wake != s.wake {
			t.Errorf("%s: able to wake %v, want %v", s.args, wake, s.wake)
		}
	}
	if n := got.Load(); n != 1 {
		t.Errorf("the hook got %d messages, want the one test", n)
	}

	// Each channel has its counts among the metrics.
	res, err := http.Get(d.URL + "/metrics")
	testkit.OK(t, err)
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil || !strings.Contains(string(text), "\ncurewright_channel_up{channel=\"hook\"} 1\n") {
		t.Errorf("the metrics lack the channel: %v", err)
	}
}
