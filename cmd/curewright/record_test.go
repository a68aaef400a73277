// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/record"
	"curewright/dashboards/web"
	"curewright/internal/daemon"
	"curewright/internal/daemon/daemontest"
	"curewright/internal/demo"
	"curewright/internal/testkit"
	"curewright/sensors/shopsim"
)

// The record of a piece, through the daemon and from its store at rest, holds
// what was done; its sum shows a later change.
func TestRecordOfThePiece(t *testing.T) {
	cfg := daemon.DefaultConfig()
	cfg.Store.Path = t.TempDir()
	cfg.Shop.Air = shopsim.ShedAir
	s, err := demo.NewShow(t.Context(), cfg, shopsim.New(shopsim.Config{Seed: 1}), 60, testkit.NoLog())
	testkit.OK(t, err)
	// What is taken back leaves the work, never the record.
	enter := func(kind, body string) string {
		id, _, err := s.Daemon.Create(t.Context(), web.Who{Name: "phone"}, kind, json.RawMessage(body), "")
		testkit.OK(t, err)
		return id
	}
	at := s.Daemon.Now().Format(time.RFC3339)
	wrongFeel := enter("feel", `{"coat":"a-glass","state":"hard","at":"`+at+`"}`)
	wrongCoat := enter("coat", `{"panel":"lid-a","resin":"slow","kind":"seal","applied":"`+at+`"}`)
	itsFeel := enter("feel", `{"coat":"`+wrongCoat+`","state":"wet","at":"`+at+`"}`)
	for _, e := range [][2]string{{"feel", wrongFeel}, {"feel", itsFeel}, {"coat", wrongCoat}} {
		testkit.OK(t, s.Daemon.Delete(t.Context(), web.Who{Name: "phone"}, e[0], e[1], ""))
	}
	live, err := s.Daemon.Record(t.Context(), "lid-a", "json")
	testkit.OK(t, err)
	if _, err := s.Daemon.Record(t.Context(), "lid-z", "json"); err == nil {
		t.Error("a record of a panel that is not there")
	}
	html, err := s.Daemon.Record(t.Context(), "lid-a", "html")
	if err != nil || !bytes.Contains(html, []byte("aramid 170 plain")) || !bytes.Contains(html, []byte("not a certificate")) {
		t.Errorf("the page lacks the cloth or the caution: %v", err)
	}
	for _, want := range []string{"finger test " + wrongFeel + " struck out; it said: state hard", "coat " + wrongCoat + " struck out; it said: kind seal", "finger test " + itsFeel + " struck out"} {
		if !bytes.Contains(html, []byte(want)) {
			t.Errorf("the page does not say %q", want)
		}
	}
	testkit.OK(t, s.Daemon.Store().Close())
	doc, err := record.Verify(live)
	testkit.OK(t, err)
	// The piece has two sides; its outer one has been coated.
	i := slices.IndexFunc(doc.Sides, func(s record.Side) bool { return s.Panel.ID == "lid-a" })
	if doc.Piece.ID != "locker-lid-a" || len(doc.Sides) != 2 || i < 0 || len(doc.Sides[i].Coats) != 2 {
		t.Fatalf("piece %q, %d sides", doc.Piece.ID, len(doc.Sides))
	}
	glass := doc.Sides[i].Coats[1]
	if glass.Recoat == nil || glass.Recoat.Below != "a-tack" || glass.Estimate == nil || len(glass.Feels) == 0 {
		t.Errorf("the glass layer's entry lacks its recoat, estimate or finger tests: %+v", glass.Recoat)
	}
	kept, edited := filepath.Join(t.TempDir(), "lid-a.json"), filepath.Join(t.TempDir(), "edited.json")
	for name, b := range map[string][]byte{kept: live, edited: bytes.Replace(live, []byte("aramid"), []byte("carbon"), 1)} {
		testkit.OK(t, os.WriteFile(name, b, 0o600))
	}
	if out := cmdOK(t, "record", "--verify", kept); !strings.Contains(out, "as it was made") || !strings.Contains(out, "locker-lid-a") {
		t.Errorf("a record as it was made: %q", out)
	}
	for _, args := range [][]string{{"--verify", edited}, {"--verify", edited + "-not"}, {"--verify", kept, "lid-a"}, {}} {
		if code, out, said := runCmd(t, append([]string{"record"}, args...)...); code != exitUsage || out != "" || strings.Count(said, "\n") != 1 {
			t.Errorf("record %v: exit %d, printed %q, said %q; want 2 and one line", args, code, out, said)
		}
	}
	if _, err := record.Verify(bytes.Replace(live, []byte("aramid"), []byte("carbon"), 1)); err == nil {
		t.Error("a changed record verifies")
	}
	// From the store at rest: the same entries, so the same sum over them.
	out := filepath.Join(t.TempDir(), "lid.json")
	cmdOK(t, "record", "lid-a", "--format", "json", "--data", cfg.Store.Path, "-o", out)
	var rest record.Document
	testkit.OK(t, json.Unmarshal(testkit.MustRead(t, out), &rest))
	if rest.Entries != doc.Entries {
		t.Error("the entries' sum differs between the daemon and its store at rest")
	}
	// The readings come out as replay reads them.
	csvFile := filepath.Join(t.TempDir(), "shed.csv")
	cmdOK(t, "export", "--data", cfg.Store.Path, "-o", csvFile)
	if !strings.HasPrefix(string(testkit.MustRead(t, csvFile)), "time,probe,temp_c,rh_pct,co2_ppm\n") {
		t.Error("the export has another header than replay takes")
	}
}

// "Save everything to this phone" and back: what was entered after the copy is
// gone, what was in it is there.
func TestBackupAndRestore(t *testing.T) {
	dir := t.TempDir()
	live := daemontest.New(t, daemontest.Options{Dir: dir, At: time.Now()})
	live.Post("/api/v1/panels", map[string]any{"id": "lid-a", "core": "foam"})
	copyOf := live.Do("GET", "/api/v1/backup", nil, http.StatusOK)
	live.Post("/api/v1/panels", map[string]any{"id": "lid-b", "core": "foam"})

	send := func(b []byte) (int, string) {
		req, err := http.NewRequestWithContext(t.Context(), "POST", live.URL+"/api/v1/backup", bytes.NewReader(b))
		testkit.OK(t, err)
		req.Header.Set("Content-Type", "application/octet-stream")
		resp, err := http.DefaultClient.Do(req)
		testkit.OK(t, err)
		defer resp.Body.Close()
		text, _ := io.ReadAll(resp.Body)
		return resp.StatusCode, string(text)
	}
	if code, text := send(copyOf[:len(copyOf)/2]); code != http.StatusBadRequest {
		t.Errorf("half a copy: %d %s", code, text)
	}
	if code, text := send(copyOf); code >= 300 || !strings.Contains(text, "starts next") {
		t.Fatalf("restore: %d %s", code, text)
	}
	testkit.OK(t, live.Store().Close())
	again := daemontest.New(t, daemontest.Options{Dir: dir, At: time.Now()})
	w, err := again.Work(t.Context())
	testkit.OK(t, err)
	if len(w.Panels) != 1 || w.Panels[0].ID != "lid-a" {
		t.Errorf("after the restore: %+v, want lid-a alone", w.Panels)
	}
}
