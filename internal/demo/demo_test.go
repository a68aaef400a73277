// SPDX-License-Identifier: Apache-2.0

package demo

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"maps"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/cli"
	"curewright/internal/daemon"
	"curewright/internal/testkit"
	"curewright/model/coat"
	"curewright/sensors/shopsim"
)

var update = flag.Bool("update", false, "write packaging/testdata/demo.toml anew")

// The simulated crew must do what the demonstration is there to show: cloth
// into a tacky coat, the fill coat onto a green one, and a night in which the
// second lid's window closes.
func TestWeekend(t *testing.T) {
	cfg := daemon.DefaultConfig()
	cfg.Store.Path = t.TempDir()
	cfg.Shop.Air = shopsim.ShedAir
	s, err := NewShow(t.Context(), cfg, shopsim.New(shopsim.Config{Seed: 1}), 60, testkit.NoLog())
	testkit.OK(t, err)
	defer s.Daemon.Store().Close()
	for _, st := range weekend[s.next:] {
		s.clk.Put(st.at())
		testkit.OK(t, s.advance(t.Context(), st.at()))
	}
	w, err := s.Daemon.Work(t.Context())
	testkit.OK(t, err)
	felt := map[string][]coat.State{}
	for _, f := range w.Feels {
		felt[f.Coat] = append(felt[f.Coat], f.State)
	}
	for _, want := range []struct {
		coat  string
		state coat.State
	}{{"a-tack", coat.Tacky}, {"b-tack", coat.Tacky}, {"a-glass", coat.Green}, {"b-glass", coat.Hard}, {"hinge-bond", coat.Hard}} {
		if f := felt[want.coat]; len(f) == 0 || !slices.Contains(f, want.state) {
			t.Errorf("%s was felt %v, never %s", want.coat, f, want.state)
		}
	}
	if f := felt["a-tack"]; f[len(f)-1] != coat.Tacky {
		t.Errorf("the aramid went into a coat that was %s", f[len(f)-1])
	}
	if f := felt["a-glass"]; f[len(f)-1] != coat.Green {
		t.Errorf("the fill coat went onto one that was %s", f[len(f)-1])
	}
	testkit.OK(t, s.Daemon.Evaluate(t.Context()))
	for _, e := range snapshot(t, s).Result.Coats {
		if e.ID == "b-glass" && (e.NextWindow == nil || e.NextWindow.Status != "closed") {
			t.Errorf("on Sunday morning the second lid's window is %+v, want closed", e.NextWindow)
		}
	}
}

// With --watch nobody does anything any more; without it the crew's afternoon
// goes on.
func TestOnlyLooking(t *testing.T) {
	for _, watch := range []bool{false, true} {
		ctx, stop := context.WithCancel(t.Context())
		var out testkit.Buffer
		ended := make(chan error, 1)
		c := Cmd{Listen: "127.0.0.1:0", Speed: 3600, Seed: 1, Watch: watch}
		go func() { ended <- c.Run(&cli.App{Ctx: ctx, Out: &out, Err: &out}) }()
		opened := regexp.MustCompile(`(http://\S+?)/\s`)
		testkit.Until(t, "serving", func() bool { return opened.MatchString(out.String()) })
		url := opened.FindStringSubmatch(out.String())[1]
		var snap struct{ At time.Time }
		testkit.Until(t, "five o'clock", func() bool {
			testkit.Get(t, url+"/api/v1/snapshot", &snap)
			return snap.At.After(demoOpen.Add(time.Hour))
		})
		var w struct{ Coats []struct{ ID string } }
		testkit.Get(t, url+"/api/v1/coats", &w)
		on := slices.ContainsFunc(w.Coats, func(c struct{ ID string }) bool { return c.ID == "a-fill" })
		if on == watch {
			t.Errorf("watch %t: the fill coat of a quarter past four is on: %t", watch, on)
		}
		stop()
		if err := <-ended; err != nil && !errors.Is(err, context.Canceled) {
			t.Error(err)
		}
	}
}

// The demo's record of work after its first hour, as a job file: the numbers
// of small boards are compared over it.
func TestDemoJob(t *testing.T) {
	cfg := daemon.DefaultConfig()
	cfg.Store.Path = t.TempDir()
	s, err := OpenShow(t.Context(), cfg, shopsim.New(shopsim.Config{Seed: 1}), 1, testkit.NoLog())
	testkit.OK(t, err)
	defer s.Daemon.Store().Close()
	end := demoOpen.Add(time.Hour)
	s.clk.Put(end)
	testkit.OK(t, s.advance(t.Context(), end))
	w, err := s.Daemon.Work(t.Context())
	testkit.OK(t, err)
	var b bytes.Buffer
	b.WriteString("# What the demo's crew has done by 17:05 on Saturday. Made by\n# go test ./internal/demo -run TestDemoJob -update\n\n[shop]\nair = \"shed-air\"\n")
	for i := range w.Feels {
		w.Feels[i].ID = fmt.Sprint("feel-", i+1)
	}
	rows(t, &b, "panel", w.Panels)
	rows(t, &b, "batch", w.Batches)
	rows(t, &b, "coat", w.Coats)
	rows(t, &b, "feel", w.Feels)
	const name = "../../packaging/testdata/demo.toml"
	if *update {
		testkit.OK(t, os.WriteFile(name, b.Bytes(), 0o644))
	}
	if !bytes.Equal(testkit.MustRead(t, name), b.Bytes()) {
		t.Errorf("%s is not what the demo's crew does: run this test with -update", name)
	}
}

// rows writes records as an array of tables. TOML writes times without quotes,
// JSON's other values as they are, but for objects.
func rows[T any](t *testing.T, b *bytes.Buffer, table string, list []T) {
	t.Helper()
	for _, x := range list {
		j, err := json.Marshal(x)
		testkit.OK(t, err)
		var keys map[string]json.RawMessage
		testkit.OK(t, json.Unmarshal(j, &keys))
		fmt.Fprintf(b, "\n[[%s]]\n", table)
		for _, k := range slices.Sorted(maps.Keys(keys)) {
			if k != "cloth" {
				fmt.Fprintf(b, "%s = %s\n", k, tomlValue(keys[k]))
			}
		}
		if c, ok := any(x).(coat.Coat); ok {
			for _, cl := range c.Cloth {
				fmt.Fprintf(b, "\n[[cloth]]\ncoat = %q\nname = %q\ng_m2 = %v\n", c.ID, cl.Name, *cl.GM2)
				if cl.Laid != nil {
					fmt.Fprintf(b, "laid = %s\n", cl.Laid.Format(time.RFC3339))
				}
			}
		}
	}
}

func tomlValue(j json.RawMessage) string {
	s := string(j)
	if at, err := time.Parse(time.RFC3339, strings.Trim(s, `"`)); err == nil {
		return at.Format(time.RFC3339)
	}
	return s
}

func snapshot(t *testing.T, s *Show) web.Snapshot {
	t.Helper()
	snap, err := s.Daemon.Snapshot(t.Context())
	testkit.OK(t, err)
	return snap
}
