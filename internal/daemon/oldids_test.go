// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"bufio"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/history"
	"curewright/internal/testkit"
)

// A store of an earlier version with ids, names and notes of a quarter of a
// megabyte opens. No page, stream, table or metric carries them whole; each
// record is still found, corrected and taken out by the name that is shown, and so
// it is after the next start.
func TestOldStoreWithLongIDs(t *testing.T) {
	dir := t.TempDir()
	at := time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC)
	long := func(kind string, i int) string {
		return fmt.Sprintf("%s-%d-%s", kind, i, strings.Repeat("€x", 65_000))
	}
	const n = 3
	store, err := history.Open(dir, history.Options{})
	testkit.OK(t, err)
	put := func(kind, id string, body any) {
		t.Helper()
		if _, _, err := store.CreateWork(t.Context(), kind, id, mustJSON(t, body), "Ann", at, ""); err != nil {
			t.Fatal(err)
		}
	}
	for i := range n {
		put("panel", long("panel", i), map[string]any{"name": long("name", i), "core": "foam", "probe": long("probe", i)})
		put("batch", long("cup", i), map[string]any{"resin": "medium", "mixed": at})
		put("coat", long("coat", i), map[string]any{"panel": long("panel", i), "resin": "medium", "kind": "fill coat", "applied": at, "batches": []string{long("cup", i)}, "note": long("note", i)})
		put("feel", long("feel", i), map[string]any{"coat": long("coat", i), "at": at.Add(time.Hour), "state": "tacky"})
	}
	testkit.OK(t, store.PutKV(t.Context(), "alert", "a-1", mustJSON(t, map[string]any{"id": "a-1", "rule": "window_open", "subject": long("coat", 0), "state": "firing", "text": long("text", 0), "severity": "soon", "since": at})))
	testkit.OK(t, store.Close())

	var gone string
	for start := range 2 {
		t.Run(fmt.Sprintf("start %d", start+1), func(t *testing.T) {
			live := newLiveDaemon(t, dir, at.Add(2*time.Hour))
			if err := live.d.Evaluate(t.Context()); err != nil {
				t.Error(err)
			}
			const most = 400_000
			for _, path := range []string{"/api/v1/snapshot", "/api/v1/coats?all=true", "/api/v1/panels", "/api/v1/batches", "/api/v1/alerts?all=true", "/api/v1/entries", "/api/v1/probes", "/metrics"} {
				code, b := live.Raw("GET", path, nil)
				if code != http.StatusOK || len(b) > most || strings.Contains(string(b), strings.Repeat("€x", 1000)) {
					t.Errorf("%s: %d, %d bytes", path, code, len(b))
				}
			}
			stream, err := http.Get(live.URL + "/api/v1/events")
			testkit.OK(t, err)
			defer stream.Body.Close()
			first, err := bufio.NewReaderSize(stream.Body, most).ReadSlice('\n')
			if err != nil || len(first) == most {
				t.Errorf("the stream's first line: %d bytes, %v", len(first), err)
			}

			var coats struct{ Coats []web.CoatView }
			testkit.OK(t, json.Unmarshal(live.Do("GET", "/api/v1/coats?all=true", nil, http.StatusOK), &coats))
			if want := n - start; len(coats.Coats) != want {
				t.Fatalf("%d coats, want %d", len(coats.Coats), want)
			}
			for _, c := range coats.Coats {
				if c.ID == gone {
					t.Errorf("%s was taken out and is back", c.ID)
				}
				if len(c.Feels) != 1 || len(c.Batches) != 1 {
					t.Errorf("%s lost its finger test or its cup: %+v %+v", c.ID, c.Feels, c.Batches)
				}
			}
			c := coats.Coats[0]
			live.Do("PATCH", "/api/v1/coats/"+url.PathEscape(c.ID), map[string]any{"note": "short again"}, http.StatusOK)
			if code, b := live.Raw("GET", "/api/v1/panels/"+url.PathEscape(c.Panel)+"/record?format=json", nil); code != http.StatusOK || len(b) > 4*most {
				t.Errorf("the record of %s: %d, %d bytes", c.Panel, code, len(b))
			}
			live.Do("DELETE", "/api/v1/feels/"+url.PathEscape(c.Feels[0].ID), nil, http.StatusOK)
			live.Do("DELETE", "/api/v1/coats/"+url.PathEscape(c.ID), nil, http.StatusOK)
			gone = c.ID
		})
	}
}
