// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"encoding/json"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/daemon/daemontest"
	"curewright/internal/testkit"
)

// sayBack is a daemon whose tent answers with the wish that it was handed: what
// the command line sends is looked at here, what comes of it in internal/daemon.
type sayBack struct{ *daemontest.Daemon }

func (b sayBack) HeatedTent() web.Tent { return wished{b.Daemon.HeatedTent()} }

type realTent = web.Tent // so that its method of that name is not hidden

type wished struct{ realTent }

func (wished) TentAim(_ context.Context, _ web.Who, body json.RawMessage) (json.RawMessage, error) {
	return body, nil
}

// The tent from the command line.
func TestTentCommands(t *testing.T) {
	d := daemontest.NewShop(t, daemontest.Options{Before: daemontest.Tent(t)})
	board, err := web.New(web.Config{Version: "test", LoopbackRole: web.Control}, sayBack{d})
	testkit.OK(t, err)
	srv := httptest.NewServer(board.Handler())
	defer srv.Close()
	at := func(args ...string) []string { return append([]string{"--server", srv.URL}, args...) }

	if out := cmdOK(t, at("tent", "hold", "20")...); !strings.Contains(out, "held at") || !strings.Contains(out, "20 °C") {
		t.Errorf("hold says\n%s", out)
	}
	// 20 °C is 68 °F, by definition of the scales.
	if out := cmdOK(t, at("--units", "us", "tent", "show")...); !strings.Contains(out, "68 °F") || strings.Contains(out, "°C") {
		t.Errorf("show says\n%s", out)
	}
	if code, _, errs := runCmd(t, at("tent", "hold", "80")...); code == exitDone || !strings.Contains(errs, "80 °C is outside 5 to 39") {
		t.Errorf("80 °C: exit %d, %s", code, errs)
	}
	cmdOK(t, at("tent", "off")...)
	if out := cmdOK(t, at("tent", "show")...); !strings.Contains(out, "not held") {
		t.Errorf("off, it says\n%s", out)
	}

	m := oneObject(t, cmdOK(t, at("tent", "aim", "fill", "window", "--from", "22:00", "--to", "02:00", "--follow", "--json")...))
	from, err1 := time.Parse(time.RFC3339, m["from"].(string))
	to, err2 := time.Parse(time.RFC3339, m["to"].(string))
	if err1 != nil || err2 != nil || to.Sub(from) != 4*time.Hour || m["apply"] != true || m["wish"] != "window" || m["probability"] != .8 {
		t.Errorf("from 22:00 to 02:00: %v", m)
	}
	m = oneObject(t, cmdOK(t, at("tent", "aim", "fill", "no-stall", "--by", "2026-10-11T12:00:00+01:00", "--json")...))
	if m["wish"] != "no_stall" || m["apply"] != false || m["by"] != "2026-10-11T12:00:00+01:00" {
		t.Errorf("not to stall: %v", m)
	}
	m = oneObject(t, cmdOK(t, at("tent", "aim", "fill", "soak", "--temp", "40", "--hours", "8", "--ramp", "5", "--json")...))
	if m["wish"] != "soak" || m["temp_c"] != 40. || m["hours"] != 8. || m["ramp_c_h"] != 5. {
		t.Errorf("a soak: %v", m)
	}
	if code, _, errs := runCmd(t, at("tent", "aim", "fill", "soak", "--by", "12:00")...); code != exitUsage || strings.Count(errs, "\n") != 4 {
		t.Errorf("a soak by a time, with nothing else: exit %d\n%s", code, errs)
	}
	cmdOK(t, at("tent", "plain")...)
	code, _, errs := runCmd(t, at("tent", "aim", "fill", "window", "--from", "soon", "--by", "12:00", "--probability", "3")...)
	if n := strings.Count(errs, "\n"); code != exitUsage || n != 4 {
		t.Errorf("exit %d, %d lines, want one for each of from, to, by and probability:\n%s", code, n, errs)
	}
}
