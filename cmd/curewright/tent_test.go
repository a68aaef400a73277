// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/internal/daemon"

	"curewright/dashboards/web"
	"curewright/history"
	"curewright/internal/testkit"
)

// The daemon starts itself as the relay's guard; in a test that is the test's
// own program.
func init() {
	if len(os.Args) > 1 && os.Args[1] == "relay-guard" {
		os.Exit(run(context.Background(), os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
	}
}

// tentConfig writes a configuration with two wired probes and a relay whose
// line is a file.
func tentConfig(t *testing.T, change func(string) string) (path, line string) {
	t.Helper()
	root, _ := testkit.W1Tree(t)
	one := filepath.Join(root, "28-0316a2795d1f", "w1_slave")
	b := testkit.MustRead(t, one)
	two := filepath.Join(root, "28-0316a2795d20")
	testkit.OK(t, os.MkdirAll(two, 0o755))
	testkit.OK(t, os.WriteFile(filepath.Join(two, "w1_slave"), b, 0o600))
	t.Setenv(daemon.W1Env, root)
	dir := t.TempDir()
	line = filepath.Join(dir, "line")
	testkit.Write(t, line, "1\n")
	text := fmt.Sprintf(`
[store]
path = %q
[web]
listen = "127.0.0.1:0"
[[probe]]
id = "panel"
driver = "ds18b20"
bus = "w1:28-0316a2795d1f"
every = "1s"
[[probe]]
id = "tent-air"
driver = "ds18b20"
bus = "w1:28-0316a2795d20"
every = "1s"
role = "tent"
[[probe]]
id = "radio"
driver = "push"
[tent]
output = "relay"
control_probe = "panel"
limit_probe = "tent-air"
max_air_c = 40
max_panel_c = 35
thermal_cutoff_c = 60
every = "1s"
lease = "5s"
[tent.relay]
line = "file:%s"
watchdog = "none"
`, filepath.Join(dir, "data"), line)
	if change != nil {
		text = change(text)
	}
	path = filepath.Join(dir, "curewright.toml")
	testkit.Write(t, path, text)
	return path, line
}

// TestTentCheck: what a heater lacks is refused, with its place, by check and
// by watch alike.
func TestTentCheck(t *testing.T) {
	del := func(key string) func(string) string {
		return func(s string) string {
			var keep []string
			for l := range strings.SplitSeq(s, "\n") {
				if !strings.HasPrefix(l, key+" =") {
					keep = append(keep, l)
				}
			}
			return strings.Join(keep, "\n")
		}
	}
	sub := func(a, b string) func(string) string {
		return func(s string) string {
			if !strings.Contains(s, a) {
				t.Fatalf("%q is not in the file", a)
			}
			return strings.ReplaceAll(s, a, b)
		}
	}
	for name, tt := range map[string]struct {
		change func(string) string
		want   string
	}{
		"good":                     {nil, ""},
		"no max_air_c":             {del("max_air_c"), "tent.max_air_c: required"},
		"no max_panel_c":           {del("max_panel_c"), "tent.max_panel_c: required"},
		"no thermal_cutoff_c":      {del("thermal_cutoff_c"), "tent.thermal_cutoff_c: required"},
		"no limit probe":           {del("limit_probe"), "tent.limit_probe: required"},
		"limit is the control":     {sub(`limit_probe = "tent-air"`, `limit_probe = "panel"`), "one probe cannot check itself"},
		"limit not wired":          {sub(`limit_probe = "tent-air"`, `limit_probe = "radio"`), "the limit probe must be wired to this board"},
		"limit not in the file":    {sub(`limit_probe = "tent-air"`, `limit_probe = "other"`), "no [[probe]] has the id"},
		"pushed control":           {sub(`control_probe = "panel"`, `control_probe = "radio"`), "unless allow_pushed_control = true"},
		"pushed control allowed":   {sub(`control_probe = "panel"`, "control_probe = \"radio\"\nallow_pushed_control = true"), ""},
		"no watchdog named":        {del("watchdog"), "tent.relay.watchdog: required"},
		"lease too long":           {sub(`lease = "5s"`, `lease = "10m"`), "tent.lease: 10m0s must be"},
		"lease too short":          {sub(`lease = "5s"`, `lease = "2s"`), "tent.lease"},
		"cut-out below the air":    {sub("thermal_cutoff_c = 60", "thermal_cutoff_c = 35"), "the cut-out would open in normal use"},
		"set point over its limit": {sub("max_panel_c = 35", "max_panel_c = 35\nmax_set_c = 34.5"), "tent.max_set_c"},
		"unknown key":              {sub("max_panel_c = 35", "max_panel_c = 35\nmax_pannel_c = 40"), "unknown key"},
		"plug without a timer": {sub(`output = "relay"`, `output = "plug"
plug = {broker = "mqtt://127.0.0.1:1883", topic = "a", on_message = "on", off_message = "off", state_topic = "b", state_key = "on", timer_key = "t"}`), "every renewal must set the plug's own off-timer"},
		"plug that says no timer": {sub(`output = "relay"`, `output = "plug"
plug = {broker = "mqtt://127.0.0.1:1883", topic = "a", on_message = "on {seconds}", off_message = "off", state_topic = "b", state_key = "on"}`), "a plug that does not say it back is not accepted"},
		"command of nothing": {sub(`output = "relay"`, `output = "command"`), "tent.command.argv: required"},
		"unknown output":     {sub(`output = "relay"`, `output = "bonfire"`), `"bonfire" is not relay, pulse, plug, command`},
		"no output":          {del("output"), "tent.output: missing"},
	} {
		t.Run(name, func(t *testing.T) {
			path, line := tentConfig(t, tt.change)
			var out, errw bytes.Buffer
			code := run(t.Context(), []string{"check", "--config", path}, strings.NewReader(""), &out, &errw)
			if tt.want == "" {
				if code != exitDone || !strings.Contains(out.String(), "heater by relay") {
					t.Errorf("exit %d\n%s%s", code, out.String(), errw.String())
				}
				return
			}
			if code != exitUsage || !strings.Contains(errw.String(), tt.want) {
				t.Errorf("exit %d, want %d with %q\n%s", code, exitUsage, tt.want, errw.String())
			}
			if code := run(t.Context(), []string{"watch", "--config", path}, strings.NewReader(""), io.Discard, io.Discard); code != exitUsage {
				t.Errorf("watch: exit %d, want %d", code, exitUsage)
			}
			if b, _ := os.ReadFile(line); string(b) != "1\n" {
				t.Errorf("a line was driven by a refused configuration: %q", b)
			}
		})
	}
}

// put makes a change, by the daemon's socket where the answer points there, as
// the command line does.
func put(t *testing.T, method, url, body string) (int, string) {
	t.Helper()
	code, text, socket := putBy(t, http.DefaultClient, method, url, body)
	if code == http.StatusForbidden && socket != "" {
		code, text, _ = putBy(t, &http.Client{Transport: &http.Transport{DisableKeepAlives: true,
			DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) { return web.DialSocket(ctx, socket) }}}, method, url, body)
	}
	return code, text
}

func putBy(t *testing.T, c *http.Client, method, url, body string) (code int, text, socket string) {
	t.Helper()
	req, err := http.NewRequest(method, url, strings.NewReader(body))
	testkit.OK(t, err)
	req.Header.Set("Content-Type", "application/json")
	resp, err := c.Do(req)
	testkit.OK(t, err)
	defer resp.Body.Close()
	b, _ := io.ReadAll(resp.Body)
	return resp.StatusCode, string(b), resp.Header.Get(web.SocketHeader)
}

// TestTentDaemon runs the daemon with a heater whose relay's line is a file
// and whose guard is a real process: off from the start, latched until
// somebody has accepted it, asked for inside the file's limits only, off by
// hand, every change in the history.
func TestTentDaemon(t *testing.T) {
	path, line := tentConfig(t, nil)
	is := func() string { b, _ := os.ReadFile(line); return strings.TrimSpace(string(b)) }
	var v web.TentView

	url, _, stop := startWatch(t, "--config", path)
	testkit.Until(t, "the line off", func() bool { return is() == "0" })
	testkit.Until(t, "a step with both probes", func() bool { testkit.Get(t, url+"/api/v1/tent", &v); return v.PanelC != nil && v.AirC != nil })
	if !v.Latched || v.Heater != "off" || v.OnToday != nil || v.Word != "latch_file" {
		t.Errorf("before it was ever accepted: %+v", v)
	}
	if code, body := put(t, "PUT", url+"/api/v1/tent/setpoint", `{"set_point_c":26}`); code != 400 || !strings.Contains(body, "release") {
		t.Errorf("a set point while latched: %d %s", code, body)
	}
	if code := stop(); code != exitDone {
		t.Errorf("exit %d", code)
	}

	var out bytes.Buffer
	if code := run(t.Context(), []string{"tent", "accept", "--config", path}, strings.NewReader("no\n"), &out, io.Discard); code != exitFailed {
		t.Errorf("accept with no: exit %d", code)
	}
	if code := run(t.Context(), []string{"tent", "accept", "--config", path}, strings.NewReader("yes\n"), &out, io.Discard); code != exitDone {
		t.Fatalf("accept: exit %d\n%s", code, out.String())
	}
	if !strings.Contains(out.String(), "Never sleep in a tent") || !strings.Contains(out.String(), "off for good at 40 °C air") {
		t.Errorf("accept shows neither limits nor cautions:\n%s", out.String())
	}

	url, _, stop = startWatch(t, "--config", path)
	testkit.Until(t, "a step with both probes", func() bool { testkit.Get(t, url+"/api/v1/tent", &v); return v.PanelC != nil && v.Word == "not_asked" })
	if v.Latched || v.Heater != "off" || v.OnToday == nil || *v.OnToday != 0 {
		t.Errorf("accepted: %+v", v)
	}
	for _, bad := range []string{`{"set_point_c":30.5}`, `{"set_point_c":4.9}`, `{"set_point_c":1e9}`, `{"set_point_c":"hot"}`, `{"set_point_c":26,"max_air_c":90}`} {
		if code, body := put(t, "PUT", url+"/api/v1/tent/setpoint", bad); code != 400 {
			t.Errorf("%s: %d %s", bad, code, body)
		}
	}
	if code, body := put(t, "PUT", url+"/api/v1/tent/setpoint", `{"set_point_c":26}`); code != 200 || !strings.Contains(body, `"set_point_c":26`) {
		t.Errorf("a set point inside the limits: %d %s", code, body)
	}
	// A raised limit wants another acceptance, and no log-in can give it.
	stop()
	text := testkit.MustRead(t, path)
	testkit.Write(t, path, strings.Replace(string(text), "max_panel_c", "disagree_k = 25\nmax_panel_c", 1))
	url, _, stop = startWatch(t, "--config", path)
	testkit.Until(t, "a step", func() bool {
		testkit.Get(t, url+"/api/v1/tent", &v)
		return v.PanelC != nil && v.Word == "not_accepted"
	})
	if !v.Latched || !strings.Contains(v.NotAccepted, "disagree_k was 20 and is 25") {
		t.Errorf("with a changed limit: %+v", v)
	}
	if code, body := put(t, "POST", url+"/api/v1/tent/release", ""); code != 409 {
		t.Errorf("release of limits that nobody accepted: %d %s", code, body)
	}
	if code, body := put(t, "PUT", url+"/api/v1/tent/setpoint", `{"set_point_c":26}`); code != 400 || !strings.Contains(body, "not those that were accepted") {
		t.Errorf("a set point by limits that nobody accepted: %d %s", code, body)
	}
	t.Setenv("CUREWRIGHT_SERVER", url)
	desk := pairToken(t, url, "control")
	req, _ := http.NewRequest("POST", url+"/api/v1/tent/accept", strings.NewReader(`{"limits_hash":"`+v.LimitsHash+`"}`))
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Authorization", "Bearer "+desk)
	if resp, err := http.DefaultClient.Do(req); err != nil || resp.StatusCode != http.StatusForbidden {
		t.Errorf("accepted with a log-in for control: %v %v", resp, err)
	} else {
		resp.Body.Close()
	}
	if code, body := put(t, "POST", url+"/api/v1/tent/accept", `{"limits_hash":"0000"}`); code != 409 {
		t.Errorf("other limits: %d %s", code, body)
	}
	if out := cmdOK(t, "tent", "accept", "--yes"); !strings.Contains(out, "disagree_k = 25") || !strings.Contains(out, "Never sleep") {
		t.Errorf("accept by the running daemon:\n%s", out)
	}
	testkit.Until(t, "accepted", func() bool { testkit.Get(t, url+"/api/v1/tent", &v); return !v.Latched && v.NotAccepted == "" })
	if code, body := put(t, "PUT", url+"/api/v1/tent/setpoint", `{"set_point_c":26}`); code != 200 {
		t.Errorf("a set point after it: %d %s", code, body)
	}
	testkit.Until(t, "settling", func() bool { testkit.Get(t, url+"/api/v1/tent", &v); return v.Word == "settling" })
	// Empty is the file between two writings of its guard.
	if is() == "1" {
		t.Error("heat before the probes were sound for a minute")
	}
	if code, _ := put(t, "POST", url+"/api/v1/tent/solvent", ""); code != 200 {
		t.Errorf("solvent: %d", code)
	}
	testkit.Until(t, "solvent", func() bool { testkit.Get(t, url+"/api/v1/tent", &v); return v.Word == "solvent" && v.SolventMin != nil })
	if code, _ := put(t, "POST", url+"/api/v1/tent/release", ""); code != 409 {
		t.Errorf("release with nothing latched: %d", code)
	}
	if code, _ := put(t, "POST", url+"/api/v1/tent/off", `{"why":"going home"}`); code != 200 {
		t.Errorf("off: %d", code)
	}
	testkit.Until(t, "off by hand", func() bool { testkit.Get(t, url+"/api/v1/tent", &v); return v.WishC == nil && v.SetPointC == nil })
	var b bytes.Buffer
	resp, err := http.Get(url + "/metrics")
	testkit.OK(t, err)
	io.Copy(&b, resp.Body)
	resp.Body.Close()
	for _, want := range []string{"curewright_tent_heater_on 0", "curewright_tent_latched 0", "curewright_tent_panel_temperature_celsius 25.0625"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("metrics lack %q", want)
		}
	}
	stop()
	if is() != "0" {
		t.Error("line on after the stop")
	}

	// Every change is in the history, with who and why.
	st, err := history.Open(filepath.Join(filepath.Dir(path), "data"), history.Options{})
	testkit.OK(t, err)
	defer st.Close()
	es, err := st.Events(t.Context(), time.Now().Add(-time.Hour), time.Now().Add(time.Hour), 0)
	testkit.OK(t, err)
	var told []string
	for _, e := range es {
		if e.Kind == "heater" {
			told = append(told, e.Text+", "+e.By)
		}
	}
	for _, want := range []string{"to be held at 26 °C, board", "off: solvent in use, loopback", "off: going home, loopback"} {
		if !slices.Contains(told, want) {
			t.Errorf("history lacks %q: %q", want, told)
		}
	}
}

// pairToken lets a device in at the board and returns its log-in.
func pairToken(t *testing.T, url, role string) string {
	t.Helper()
	code, body := put(t, "POST", url+"/api/v1/paircodes", `{"role":"`+role+`"}`)
	var pc web.PairCode
	if err := json.Unmarshal([]byte(body), &pc); err != nil || code != http.StatusCreated {
		t.Fatalf("pair code: %d %s", code, body)
	}
	code, body = put(t, "POST", url+"/api/v1/pair", `{"code":"`+pc.Code+`","device":"desk"}`)
	var got web.Paired
	if err := json.Unmarshal([]byte(body), &got); err != nil || code != http.StatusOK {
		t.Fatalf("pair: %d %s", code, body)
	}
	return got.Token
}
