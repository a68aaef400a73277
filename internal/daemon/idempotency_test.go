// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"bytes"
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/testkit"
)

// An idempotency key belongs to one log-in, route and body, also after a
// restart; a repeat of what was taken out since says so.
func TestIdempotencyKeyIsOnesOwn(t *testing.T) {
	dir := t.TempDir()
	at := time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC)
	live := newLiveDaemon(t, dir, at)
	token := func() string {
		code, _, err := live.d.NewPairCode(t.Context(), web.Record, "phone", 0)
		testkit.OK(t, err)
		tok, _, err := live.d.Redeem(t.Context(), code, "phone")
		testkit.OK(t, err)
		return tok
	}
	ask := func(method, path, body, tok string) (int, string) {
		t.Helper()
		r, err := http.NewRequest(method, live.URL+path, strings.NewReader(body))
		testkit.OK(t, err)
		r.Header.Set("Idempotency-Key", "tap-1")
		if tok != "" {
			r.Header.Set("Authorization", "Bearer "+tok)
		}
		res, err := http.DefaultClient.Do(r)
		testkit.OK(t, err)
		defer res.Body.Close()
		var b bytes.Buffer
		b.ReadFrom(res.Body)
		return res.StatusCode, b.String()
	}
	mine, other := token(), token()
	const panel = `{"id":"lid","core":"foam"}`
	same := func(want string) {
		t.Helper()
		if code, text := ask("POST", "/api/v1/panels", panel, mine); code != http.StatusCreated || !strings.Contains(text, want) {
			t.Errorf("the same request: %d %s", code, text)
		}
		for name, a := range map[string][4]string{
			"another log-in": {"POST", "/api/v1/panels", panel, other},
			"no log-in":      {"POST", "/api/v1/panels", panel, ""},
			"another body":   {"POST", "/api/v1/panels", `{"id":"lid-2","core":"foam"}`, mine},
			"another route":  {"POST", "/api/v1/pieces", `{"id":"lid"}`, mine},
			"a patch":        {"PATCH", "/api/v1/panels/lid", `{"core":"wood"}`, mine},
			"a delete":       {"DELETE", "/api/v1/panels/lid", "", mine},
		} {
			code, text := ask(a[0], a[1], a[2], a[3])
			if code != http.StatusConflict || !strings.Contains(text, "used for another request") {
				t.Errorf("%s: %d %s, want 409 with why", name, code, text)
			}
		}
	}
	same(`"created":true`)
	same(`"created":false`)
	if w := live.work(); len(w.Panels) != 1 || w.Panels[0].Core != "foam" {
		t.Errorf("panels %+v", w.Panels)
	}
	testkit.OK(t, live.d.store.Close())
	live = newLiveDaemon(t, dir, at.Add(time.Hour))
	same(`"created":false`)
	testkit.OK(t, live.d.Delete(t.Context(), web.Who{Name: "Ben"}, "panel", "lid", ""))
	code, text := ask("POST", "/api/v1/panels", panel, mine)
	var e struct{ Error web.Faults }
	if err := json.Unmarshal([]byte(text), &e); err != nil || code != http.StatusConflict || !strings.Contains(text, "panel lid was entered by this and taken out by Ben") {
		t.Errorf("a repeat after a delete: %d %s", code, text)
	}
}

func (l *liveDaemon) work() (w struct{ Panels []struct{ ID, Core string } }) {
	testkit.Get(l.t, l.URL+"/api/v1/panels", &w)
	return w
}
