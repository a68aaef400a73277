// SPDX-License-Identifier: Apache-2.0

package alertmanager

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"curewright/alerts"

	"curewright/internal/realpart"
	"curewright/internal/testkit"
)

func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// start runs a real Alertmanager on a free loopback port.
func start(t *testing.T) (url string) {
	t.Helper()
	bin := realpart.Program(t, "prometheus-alertmanager")
	dir := t.TempDir()
	conf := filepath.Join(dir, "am.yml")
	testkit.Write(t, conf, "route:\n  receiver: none\nreceivers:\n- name: none\n")
	addr := freePort(t)
	var log bytes.Buffer
	cmd := exec.Command(bin, "--config.file="+conf, "--storage.path="+dir, "--web.listen-address="+addr, "--cluster.listen-address=")
	cmd.Stdout, cmd.Stderr = &log, &log
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Signal(syscall.SIGTERM); cmd.Wait() })
	url = "http://" + addr
	for range 200 {
		res, err := http.Get(url + "/-/ready")
		if err == nil {
			res.Body.Close()
			if res.StatusCode == 200 {
				return url
			}
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatalf("alertmanager does not start:\n%s", log.String())
	return ""
}

// amtool asks the running Alertmanager what it holds.
func amtool(t *testing.T, url string, filter ...string) []map[string]any {
	t.Helper()
	out, err := exec.Command(realpart.Program(t, "amtool"), append([]string{"--alertmanager.url=" + url, "--output=json", "alert", "query"}, filter...)...).Output()
	if err != nil {
		t.Fatalf("amtool: %v", err)
	}
	var list []map[string]any
	if err := json.Unmarshal(out, &list); err != nil {
		t.Fatalf("amtool said %s: %v", out, err)
	}
	return list
}

func cold(now time.Time) alerts.Alert {
	fired := now.Add(-time.Minute)
	return alerts.Alert{ID: "too-cold-1", Rule: alerts.TooCold, Subject: "tack", Panel: "lid-outer", Severity: alerts.Act, State: alerts.Firing,
		Say: "Lid-outer is at 9 °C: warm it.", Since: fired.Add(-10 * time.Minute), FiredAt: &fired}
}

func TestRealAlertmanager(t *testing.T) {
	url := start(t)
	c, err := New("yard", Options{URL: url + "/", Site: "club-shed", Labels: map[string]string{"team": "coaches"}})
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	a := cold(now)
	send := func(a alerts.Alert, what string) {
		t.Helper()
		if err := c.Send(t.Context(), alerts.Message{Key: a.ID + what, What: what, At: now, Text: a.Say, Alert: &a}); err != nil {
			t.Fatal(err)
		}
	}
	send(a, alerts.WhatFiring)
	send(a, alerts.WhatFiring) // a repeat is the same alert
	got := amtool(t, url, "alertname=CurewrightTooCold", "severity=act", "panel=lid-outer", "site=club-shed", "team=coaches")
	if len(got) != 1 {
		t.Fatalf("amtool finds %v, want one alert", got)
	}
	if s := got[0]["annotations"].(map[string]any)["summary"]; s != a.Say {
		t.Errorf("summary %q, want %q", s, a.Say)
	}
	at, err := time.Parse(time.RFC3339, got[0]["startsAt"].(string))
	if err != nil || at.Sub(*a.FiredAt).Abs() > time.Second {
		t.Errorf("starts at %v, %v; want %v", at, err, a.FiredAt)
	}
	// Repeated, it stays; resolved, it goes.
	if err := c.Refresh(t.Context(), []alerts.Alert{a}); err != nil {
		t.Error(err)
	}
	if n := len(amtool(t, url, "alertname=CurewrightTooCold")); n != 1 {
		t.Errorf("%d alerts after a refresh, want 1", n)
	}
	end := time.Now().Add(-time.Second)
	a.State, a.EndedAt = alerts.Resolved, &end
	send(a, alerts.WhatResolved)
	if n := len(amtool(t, url, "alertname=CurewrightTooCold")); n != 0 {
		t.Errorf("%d alerts after it was resolved, want 0", n)
	}
	if err := c.Send(t.Context(), alerts.Message{Key: "t", What: alerts.WhatTest, Text: "Test.", At: time.Now()}); err != nil {
		t.Error(err)
	}
	if n := len(amtool(t, url, "alertname=CurewrightTest")); n != 1 {
		t.Errorf("%d test alerts, want 1", n)
	}
	// A label that its data model refuses is a permanent error.
	bad, _ := New("yard", Options{URL: url, Labels: map[string]string{"not a label": "x"}})
	if err := bad.Refresh(t.Context(), []alerts.Alert{cold(now)}); !errors.Is(err, alerts.ErrPermanent) {
		t.Errorf("bad label: %v, want a permanent error", err)
	}
}

// Through the engine, the outbox and the dispatcher to the real server.
func TestEngineToAlertmanager(t *testing.T) {
	url := start(t)
	c, err := New("yard", Options{URL: url})
	if err != nil {
		t.Fatal(err)
	}
	e := alerts.New(alerts.Tuning{}, nil, nil)
	d := alerts.NewDispatcher(alerts.DispatchConfig{}, e, nil, c)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); d.Run(ctx) }()
	defer func() { cancel(); <-done }()
	now := time.Now()
	hot := now.Add(-time.Minute)
	in := alerts.Input{Now: now, ClockTrusted: true, Cups: []alerts.Cup{{Batch: "batch-1", Resin: "fast", Mixed: now.Add(-time.Hour), EndsAt: hot, DangerFrom: &hot}}}
	d.Handle(e.Step(in))
	wait := func(n int) {
		t.Helper()
		for range 100 {
			if len(amtool(t, url, "alertname=CurewrightCupOver")) == n {
				return
			}
			time.Sleep(50 * time.Millisecond)
		}
		t.Errorf("amtool never finds %d; stats %+v", n, d.Stats())
	}
	wait(1)
	in.Now, in.Cups = time.Now(), nil
	d.Handle(e.Step(in))
	wait(0)
}

func TestDownAndLogIn(t *testing.T) {
	var user, pass string
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		user, pass, _ = r.BasicAuth()
		w.WriteHeader(http.StatusUnauthorized)
	}))
	c, err := New("yard", Options{URL: srv.URL, User: "shed", Password: "hush-hush"})
	if err != nil {
		t.Fatal(err)
	}
	a := cold(time.Now())
	m := alerts.Message{What: alerts.WhatFiring, Alert: &a}
	if err := c.Send(t.Context(), m); !errors.Is(err, alerts.ErrPermanent) || user != "shed" || pass != "hush-hush" {
		t.Errorf("%v as %s, want a permanent error", err, user)
	}
	srv.Close()
	if err := c.Send(t.Context(), m); err == nil || errors.Is(err, alerts.ErrPermanent) || strings.Contains(err.Error(), "hush-hush") {
		t.Errorf("nobody there: %v, want a passing error", err)
	}
	if _, err := New("yard", Options{URL: "yard:9093"}); err == nil {
		t.Error("an address without a scheme is taken")
	}
}

func Example() {
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var list []struct{ Labels map[string]string }
		json.NewDecoder(r.Body).Decode(&list)
		fmt.Println(r.URL.Path, list[0].Labels["alertname"], list[0].Labels["severity"])
	}))
	defer srv.Close()
	c, err := New("yard", Options{URL: srv.URL, Site: "club-shed"})
	if err != nil {
		fmt.Println(err)
		return
	}
	err = c.Refresh(context.Background(), []alerts.Alert{{Rule: alerts.ClosingSoon, Severity: alerts.Act, Since: time.Now()}})
	fmt.Println(err)
	// Output:
	// /api/v2/alerts CurewrightClosingSoon act
	// <nil>
}
