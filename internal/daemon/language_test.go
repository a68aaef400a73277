// SPDX-License-Identifier: Apache-2.0

package daemon_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"curewright/internal/daemon"
	"curewright/internal/daemon/daemontest"
	"curewright/internal/testkit"
	"curewright/model/words"
	"curewright/sensors/shopsim"
)

// A language's file that the configuration names is what the running daemon says
// of a coat, of the next step, of a plan and in the record; a fault of the file
// stops the start with its code.
func TestLanguage(t *testing.T) {
	pseudo, file := words.Pseudo(), testkit.Pseudo(t)
	d := daemontest.New(t, daemontest.Options{Shed: &shopsim.Config{Seed: 1}, Change: func(c *daemon.Config) { c.Shop.Language = file }})
	var out struct{ Coat string }
	if err := json.Unmarshal(d.Do("POST", "/api/v1/jobs", map[string]any{"template": "glass-skin", "id": "skin", "resin": "medium",
		"panels": []map[string]any{{"side": "outer", "id": "lid-a", "probe": shopsim.Panel1, "core": "foam", "area_m2": 1.25}}}, http.StatusCreated), &out); err != nil {
		t.Fatal(err)
	}
	d.Advance(5 * time.Minute)
	d.Do("POST", "/api/v1/jobs/skin/done", map[string]any{"step": "glass"}, http.StatusCreated)
	d.Advance(20 * time.Minute)
	names := []string{"glass", "lid-a", "medium", "skin", "fill", "wash"}
	check := func(what, text string) {
		t.Helper()
		if bare := words.Bare(text, names...); text == "" || len(bare) > 0 {
			t.Errorf("%s: %q is not of the language: %q", what, bare, text)
		}
	}
	e := d.Coats()[0].Estimate
	check("advice", e.Advice)
	check("why", e.Because.String())
	for _, n := range e.Notes {
		check("note", n)
	}
	snap, err := d.Snapshot(t.Context())
	if err != nil || len(snap.Next) == 0 {
		t.Fatal(err, "no next step")
	}
	check("next step", snap.Next[0].Order)
	var p struct {
		Say   string
		Steps []struct{ Say string }
	}
	testkit.OK(t, json.Unmarshal(d.Do("POST", "/api/v1/plan", map[string]any{"job": "skin", "day": map[string]any{"start": d.Now()}}, http.StatusOK), &p))
	check("plan", p.Say)
	for _, s := range p.Steps {
		check("plan", s.Say)
	}
	page, err := d.Record(t.Context(), "lid-a", "html")
	if err != nil || !strings.Contains(string(page), pseudo.Text("record.page.cautions")) || strings.Contains(string(page), words.English.Text("record.page.how_sure")) {
		t.Errorf("the record: %v", err)
	}

	testkit.Write(t, file, "[coat.order]\nfeel = \"{when}\"\nnonsense = \"x\"\n")
	conf := filepath.Join(t.TempDir(), "c.toml")
	testkit.OK(t, os.WriteFile(conf, fmt.Appendf(nil, "[shop]\nlanguage = %q\n", file), 0o600))
	_, _, err = daemon.LoadWithSecrets(conf, true)
	if err == nil || !strings.Contains(err.Error(), "coat.order.feel") || !strings.Contains(err.Error(), "coat.order.nonsense") || !strings.Contains(err.Error(), "c.toml:2") {
		t.Errorf("a language with faults: %v", err)
	}
}
