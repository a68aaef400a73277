// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"curewright/dashboards/client"
	"curewright/dashboards/web"
	"curewright/history"
	"curewright/internal/testkit"
	"curewright/model/coat"
)

// A copy handed in over the page takes the store's place at once, in the running
// program: the daemon is back with the copy's work. Every entry that was
// acknowledged is in the new store or in what was put in quarantine.
func TestCopyTakesPlaceAtOnce(t *testing.T) {
	dir := t.TempDir()
	t.Setenv(W1Env, t.TempDir())
	cfg := DefaultConfig()
	cfg.Store.Path, cfg.Web.Listen = dir, "127.0.0.1:0"
	ctx, cancel := context.WithCancel(t.Context())
	ready := make(chan net.Addr, 2)
	ended := make(chan error, 1)
	log := &testkit.Buffer{}
	go func() {
		ended <- Watch(ctx, cfg, "test", slog.New(slog.NewTextHandler(log, nil)), func(a net.Addr, _ string) { ready <- a })
	}()
	defer func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}()
	next := func() string {
		select {
		case a := <-ready:
			return "http://" + a.String()
		case err := <-ended:
			ended <- err
			t.Fatalf("it is over: %v\n%s", err, log)
		case <-time.After(time.Minute):
			t.Fatalf("it does not come back:\n%s", log)
		}
		return ""
	}
	url := next()
	api := &testkit.API{T: t, URL: url}
	// By the socket, as at the board.
	cl, err := client.New("unix:"+filepath.Join(dir, web.SocketName), "")
	testkit.OK(t, err)
	if set, err := cl.Settings(ctx); err != nil {
		t.Fatal(err)
	} else if !set.ClockTrusted {
		api.Do("POST", "/api/v1/clock", map[string]any{"time": time.Now()}, 200)
	}
	onPanel := func(id string) coat.Coat {
		return coat.Coat{ID: id, Panel: "lid", Resin: "medium", Kind: "tack coat", Applied: time.Now().Add(-time.Hour)}
	}
	api.Post("/api/v1/panels", map[string]any{"id": "lid", "core": "foam"})
	if _, err := cl.StartCoat(ctx, onPanel("in-the-copy")); err != nil {
		t.Fatal(err)
	}
	var copied bytes.Buffer
	testkit.OK(t, cl.Backup(ctx, &copied))
	if _, err := cl.StartCoat(ctx, onPanel("after-the-copy")); err != nil {
		t.Fatal(err)
	}

	// Somebody enters all the while, by a phone that asks again until it is taken.
	quit := make(chan struct{})
	over := make(chan []string)
	var refused atomic.Pointer[string]
	go func() {
		var taken []string
		defer func() { over <- taken }()
		for n := 0; ; n++ {
			select {
			case <-quit:
				return
			default:
			}
			id := fmt.Sprintf("p-%d", n)
			_, err := cl.AddPanel(ctx, coat.Panel{ID: id})
			if err == nil {
				taken = append(taken, id)
			} else if text := err.Error(); strings.Contains(text, "copy") {
				refused.Store(&text)
			}
		}
	}()
	say, err := cl.Restore(ctx, bytes.NewReader(copied.Bytes()))
	if err != nil || !strings.Contains(say, "quarantine") {
		t.Fatalf("%q, %v", say, err)
	}
	api.URL = next()
	close(quit)
	taken := <-over

	for _, c := range api.Coats() {
		if c.ID != "in-the-copy" {
			t.Errorf("coat %s is open", c.ID)
		}
	}
	if n := len(api.Coats()); n != 1 {
		t.Errorf("%d coats are open", n)
	}
	has := map[string]bool{}
	panels, err := cl.Panels(ctx)
	testkit.OK(t, err)
	for _, p := range panels {
		has[p.ID] = true
	}
	aside, err := filepath.Glob(filepath.Join(dir, "quarantine", "*", history.File))
	if err != nil || len(aside) != 1 {
		t.Fatalf("in quarantine: %v, %v", aside, err)
	}
	old := t.TempDir()
	testkit.OK(t, os.CopyFS(old, os.DirFS(filepath.Dir(aside[0]))))
	s, err := history.Open(old, history.Options{})
	testkit.OK(t, err)
	defer s.Close()
	w, err := s.Work(ctx)
	testkit.OK(t, err)
	before := len(has)
	for _, p := range w.Panels {
		has[p.ID] = true
	}
	if len(w.Coats) != 2 {
		t.Errorf("%d coats in quarantine", len(w.Coats))
	}
	for _, id := range taken {
		if !has[id] {
			t.Errorf("panel %s was acknowledged and is in neither store", id)
		}
	}
	why := "none was refused in between"
	if r := refused.Load(); r != nil {
		why = *r
	}
	t.Logf("%d entries were taken: %d panels are in the store, %d in quarantine; %s", len(taken), before, len(w.Panels), why)
	if !strings.Contains(log.String(), "starting anew") {
		t.Errorf("not said:\n%s", log)
	}
}

// From when a copy is taken until the daemon is back nothing is entered into the
// store that goes: it would be gone with it.
func TestNothingIsEnteredBeforeTheNewStart(t *testing.T) {
	live := newLiveDaemon(t, t.TempDir(), time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC))
	live.d.restart = make(chan struct{}, 1)
	live.Post("/api/v1/panels", map[string]any{"id": "lid", "core": "foam"})
	who := web.Who{Name: "Ann"}
	var copied bytes.Buffer
	testkit.OK(t, live.d.Backup(t.Context(), &copied))
	// What is no copy changes nothing.
	if _, err := live.d.Restore(t.Context(), who, strings.NewReader("no copy")); err == nil {
		t.Error("taken")
	}
	live.Post("/api/v1/panels", map[string]any{"id": "lid-2", "core": "foam"})
	if _, err := live.d.Restore(t.Context(), who, &copied); err != nil {
		t.Fatal(err)
	}
	<-live.d.restart
	for name, err := range map[string]error{
		"create":   second(live.d.Create(t.Context(), who, "panel", []byte(`{"id":"lid-3"}`), "")),
		"patch":    live.d.Patch(t.Context(), who, "panel", "lid", []byte(`{"core":"wood"}`), ""),
		"delete":   live.d.Delete(t.Context(), who, "panel", "lid", ""),
		"job":      first(live.d.NewJob(t.Context(), who, web.NewJob{}, "")),
		"undo":     first(live.d.Undo(t.Context(), who, "", "")),
		"settings": live.d.PutSettings(t.Context(), who, []byte(`{"low_c":8}`)),
	} {
		if !errors.Is(err, web.ErrNotKept) || !strings.Contains(err.Error(), "a copy is taking the store's place") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if code, body := live.Raw("POST", "/api/v1/panels", []byte(`{"id":"lid-3"}`)); code != 507 || !strings.Contains(string(body), "enter it again") {
		t.Errorf("%d %s", code, body)
	}
}

func first[T any](_ T, err error) error          { return err }
func second[T, U any](_ T, _ U, err error) error { return err }
