// SPDX-License-Identifier: Apache-2.0

package web_test

import (
	"bufio"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"

	"curewright/dashboards/web"
)

func TestWork(t *testing.T) {
	b := shop(t)
	h := server(t, b).Handler()
	as, err := b.Alerts(t.Context(), false)
	if err != nil || len(as) == 0 {
		t.Fatalf("no alert in the shop: %v", err)
	}
	alert := as[0].ID
	const coatBody = `{"panel":"lid-outer","resin":"medium","kind":"fill coat","applied":"2026-10-10T10:00:00Z","cloth":[{"name":"glass","g_m2":163}]}`
	for name, tt := range map[string]struct {
		ask
		want  int
		fault string // the first, as "field: what"; "" for none
	}{
		"piece":                 {ask{method: "POST", path: "/api/v1/pieces", body: `{"id":"lid-2","name":"Second lid"}`}, 201, ""},
		"panel":                 {ask{method: "POST", path: "/api/v1/panels", body: `{"id":"lid-inner","piece":"lid","probe":"panel-1","air":"shed-air","core":"foam","area_m2":1.4}`}, 201, ""},
		"panel again":           {ask{method: "POST", path: "/api/v1/panels", body: `{"id":"lid-outer"}`}, 409, "panel lid-outer: conflict"},
		"batch":                 {ask{method: "POST", path: "/api/v1/batches", body: `{"resin":"medium","lot":"A7","resin_g":100,"hardener_g":30,"mixed":"2026-10-10T10:00:00+01:00","shape":"cup","diameter_mm":80,"start_c":19}`}, 201, ""},
		"coat":                  {ask{method: "POST", path: "/api/v1/coats", body: coatBody}, 201, ""},
		"feel":                  {ask{method: "POST", path: "/api/v1/coats/tack/feels", body: `{"at":"2026-10-10T11:05:00+01:00","state":"tacky"}`}, 201, ""},
		"id with a line break":  {ask{method: "POST", path: "/api/v1/pieces", body: `{"id":"a\nb"}`}, 400, "id: has a control character, U+000A"},
		"id that goes up":       {ask{method: "POST", path: "/api/v1/pieces", body: `{"id":".."}`}, 400, "id: cannot be .."},
		"id of 65":              {ask{method: "POST", path: "/api/v1/pieces", body: `{"id":"` + strings.Repeat("ä", 65) + `"}`}, 400, "id: is longer than 64 characters"},
		"id of 64":              {ask{method: "POST", path: "/api/v1/pieces", body: `{"id":"` + strings.Repeat("ä", 64) + `"}`}, 201, ""},
		"name of 2001":          {ask{method: "POST", path: "/api/v1/pieces", body: `{"id":"x","name":"` + strings.Repeat("n", 2001) + `"}`}, 400, "name: is longer than 2000 characters"},
		"name for a terminal":   {ask{method: "POST", path: "/api/v1/pieces", body: `{"id":"x","name":"\u001b[2J"}`}, 400, "name: has a control character, U+001B"},
		"name written backward": {ask{method: "PATCH", path: "/api/v1/pieces/lid", body: `{"name":"\u202egpj"}`}, 400, "name: has a control character, U+202E"},
		"plan with a long text": {ask{method: "POST", path: "/api/v1/plan", body: `{"day":{"note":"` + strings.Repeat("n", 2001) + `"}}`}, 400, "the text at line 1 column 16 is longer than 2000 characters"},
		"probe of 65":           {ask{path: "/api/v1/readings?probe=" + strings.Repeat("p", 65)}, 400, "probe: is longer than 64 characters"},
		"feel of another coat":  {ask{method: "POST", path: "/api/v1/coats/tack/feels", body: `{"coat":"seal","state":"tacky"}`}, 400, "coat: is not the coat of the address"},
		"feel of no coat":       {ask{method: "POST", path: "/api/v1/coats/none/feels", body: `{"state":"tacky"}`}, 400, `coat: unknown coat "none"`},
		"coat on no panel":      {ask{method: "POST", path: "/api/v1/coats", body: `{"panel":"x","resin":"medium","kind":"seal","applied":"2026-10-10T10:00:00Z"}`}, 400, `panel: unknown panel "x"`},
		"time as words":         {ask{method: "POST", path: "/api/v1/coats", body: `{"panel":"lid-outer","applied":"this morning"}`}, 400, `applied: "this morning" is not a time: want a time such as 2026-10-10T09:40:00+01:00`},
		"unknown field":         {ask{method: "POST", path: "/api/v1/coats", body: `{"pannel":"lid-outer"}`}, 400, "pannel: unknown field"},
		"other case":            {ask{method: "POST", path: "/api/v1/coats", body: `{"Panel":"lid-outer"}`}, 400, "Panel: unknown field"},
		"in a list":             {ask{method: "POST", path: "/api/v1/coats", body: `{"cloth":[{"name":"glass"},{"g_m2":"163"}]}`}, 400, "cloth[1].g_m2: want a number"},
		"text after":            {ask{method: "POST", path: "/api/v1/coats", body: coatBody + ` {}`}, 400, "text after the JSON value, near line 1 column 130"},
		"empty":                 {ask{method: "POST", path: "/api/v1/coats", header: map[string]string{"Content-Type": "application/json"}}, 400, "the body is empty, want JSON"},
		"no object":             {ask{method: "POST", path: "/api/v1/coats", body: `[]`}, 400, "want an object"},
		"null":                  {ask{method: "POST", path: "/api/v1/coats", body: `null`}, 400, "null, want an object"},
		"patch":                 {ask{method: "PATCH", path: "/api/v1/coats/tack", body: `{"cover":"peel ply","ended":null}`}, 200, ""},
		"patch of nothing":      {ask{method: "PATCH", path: "/api/v1/coats/tack", body: `{}`}, 400, "nothing to change"},
		"patch of the id":       {ask{method: "PATCH", path: "/api/v1/coats/tack", body: `{"id":"x"}`}, 400, "id: stays as it is; delete the entry and make another"},
		"patch of no coat":      {ask{method: "PATCH", path: "/api/v1/coats/none", body: `{"cover":"none"}`}, 404, "coat none: not found"},
		"delete":                {ask{method: "DELETE", path: "/api/v1/feels/feel-1"}, 200, ""},
		"delete nothing":        {ask{method: "DELETE", path: "/api/v1/feels/none"}, 404, "feel none: not found"},
		"end of a cup":          {ask{method: "POST", path: "/api/v1/batches/cup-1/end", body: `{"at":"2026-10-10T10:20:00Z","left_g":12}`}, 200, ""},
		"end of a cup, by tap":  {ask{method: "POST", path: "/api/v1/batches/cup-1/end"}, 200, ""},
		"less than nothing":     {ask{method: "POST", path: "/api/v1/batches/cup-1/end", body: `{"left_g":-1}`}, 400, "left_g: is below zero"},
		"end of no cup":         {ask{method: "POST", path: "/api/v1/batches/none/end"}, 404, "batch none: not found"},
		"key with a line break": {ask{method: "DELETE", path: "/api/v1/feels/feel-1", header: map[string]string{"Idempotency-Key": "a\tb"}}, 400, "Idempotency-Key: want one word of up to 128 printable ASCII characters"},
		"acknowledge":           {ask{method: "POST", path: "/api/v1/alerts/" + alert + "/ack"}, 200, ""},
		"acknowledge, empty":    {ask{method: "POST", path: "/api/v1/alerts/" + alert + "/ack", body: `{}`}, 200, ""},
		"acknowledge nothing":   {ask{method: "POST", path: "/api/v1/alerts/zz/ack"}, 404, "alert zz: not found"},
		"name a probe":          {ask{method: "PUT", path: "/api/v1/probes/radio-7", body: `{"name":"Loft","role":"outdoor","accepted":true}`}, 200, ""},
		"probe's role":          {ask{method: "PUT", path: "/api/v1/probes/radio-7", body: `{"role":"roof"}`}, 400, "role: want air, panel, pot, outdoor, tent or nothing"},
		"probe, nothing":        {ask{method: "PUT", path: "/api/v1/probes/radio-7", body: `{}`}, 400, "nothing to change"},
		"no such probe":         {ask{method: "PUT", path: "/api/v1/probes/zz", body: `{"name":"x"}`}, 404, "probe zz: not found"},
		"sound":                 {ask{method: "POST", path: "/api/v1/sound/test", body: `{"channel":"page","heard":true}`}, 200, ""},
		"sound of nothing":      {ask{method: "POST", path: "/api/v1/sound/test", body: `{}`}, 400, "channel: required"},
		"phone's time":          {ask{method: "POST", path: "/api/v1/clock", body: `{"time":"2026-10-10T10:00:00Z"}`}, 409, "conflict: the board knows the date by itself"},
		"flat phone":            {ask{method: "POST", path: "/api/v1/clock", body: `{"time":"1970-01-01T00:00:00Z"}`}, 400, "time: want this phone's time, between 2025 and 2100"},
		"settings":              {ask{method: "PUT", path: "/api/v1/settings", body: `{"low_c":6.5,"low_for":"2026-10-10","sleep_from":"23:00","sleep_to":"06:30"}`}, 200, ""},
		"low in °F":             {ask{method: "PUT", path: "/api/v1/settings", body: `{"low_c":44}`}, 400, "low_c: want °C from -30 to 35; is this °F?"},
		"sleep at 25":           {ask{method: "PUT", path: "/api/v1/settings", body: `{"sleep_from":"25:00"}`}, 400, "sleep_from: want a time of day such as 22:30, or nothing for none"},
		"read-only setting":     {ask{method: "PUT", path: "/api/v1/settings", body: `{"clock_trusted":true}`}, 400, "clock_trusted: is said by the daemon and cannot be set"},
		"no tent":               {ask{path: "/api/v1/tent"}, 404, "no tent is set up here; see [tent] in the configuration file"},
		"pair role":             {ask{method: "POST", path: "/api/v1/paircodes", body: `{"role":"god"}`}, 400, "role: want look, record, push or control"},
		"wrong method":          {ask{method: "POST", path: "/api/v1/snapshot"}, 405, "POST is not for this address; GET is"},
		"wrong address":         {ask{path: "/api/v1/coat"}, 404, "no such address: /api/v1/coat"},
		"plan":                  {ask{method: "POST", path: "/api/v1/plan", body: `{"day":{}}`}, 400, "job:1:2: day.start: missing"},
		"plan of a list":        {ask{method: "POST", path: "/api/v1/plan", body: `[1]`}, 400, "want an object"},
		"fit":                   {ask{method: "POST", path: "/api/v1/resins/fit", body: `{"name":"x"}`}, 200, ""},
	} {
		t.Run(name, func(t *testing.T) {
			w := tt.do(t, h)
			if w.Code != tt.want {
				t.Errorf("%d %s, want %d", w.Code, w.Body, tt.want)
			}
			if tt.fault != "" {
				if got := first(t, w); got != tt.fault {
					t.Errorf("fault %q, want %q", got, tt.fault)
				}
			}
			if ct := w.Header().Get("Content-Type"); ct != "application/json" {
				t.Errorf("answered as %q", ct)
			}
		})
	}
}

// All faults of a body at once, each with its place.
func TestAllFaults(t *testing.T) {
	h := server(t, shop(t)).Handler()
	w := ask{method: "POST", path: "/api/v1/batches", body: `{"resin":7,"resin_g":"a","mixed":null,"colour":1,"lot":"a","lot":"b","left_g":1e999}`}.do(t, h)
	var e struct{ Error web.Faults }
	if err := json.Unmarshal(w.Body.Bytes(), &e); err != nil {
		t.Fatal(err)
	}
	want := web.Faults{
		{Field: "resin", What: "want text in quotes"},
		{Field: "resin_g", What: "want a number"},
		{Field: "mixed", What: "null, want a time such as 2026-10-10T09:40:00+01:00"},
		{Field: "colour", What: "unknown field"},
		{Field: "lot", What: "given twice"},
		{Field: "left_g", What: "want a number"},
	}
	if e.Error.Error() != want.Error() {
		t.Errorf("faults\n%v\nwant\n%v", e.Error, want)
	}
}

// A repeat under the same key gets the first answer; without a key it is a
// second coat.
func TestIdempotencyKey(t *testing.T) {
	h := server(t, shop(t)).Handler()
	post := func(key string) (int, string) {
		a := ask{method: "POST", path: "/api/v1/coats", body: `{"panel":"lid-outer","resin":"medium","kind":"seal","applied":"2026-10-10T10:00:00Z"}`}
		if key != "" {
			a.header = map[string]string{"Idempotency-Key": key}
		}
		w := a.do(t, h)
		var x struct{ ID string }
		if err := json.Unmarshal(w.Body.Bytes(), &x); err != nil || x.ID == "" {
			t.Fatalf("%d %s", w.Code, w.Body)
		}
		return w.Code, x.ID
	}
	c1, id1 := post("k1")
	c2, id2 := post("k1")
	_, id3 := post("k2")
	_, id4 := post("")
	_, id5 := post("")
	if c1 != 201 || c2 != 201 || id1 != id2 {
		t.Errorf("repeat: %d %s then %d %s, want the same", c1, id1, c2, id2)
	}
	if id3 == id1 || id4 == id5 {
		t.Errorf("ids %s %s, %s %s: want each its own", id1, id3, id4, id5)
	}
}

func TestLooking(t *testing.T) {
	b := shop(t)
	h := server(t, b).Handler()
	get := func(path string) map[string]json.RawMessage {
		t.Helper()
		w := ask{path: path}.do(t, h)
		var m map[string]json.RawMessage
		if err := json.Unmarshal(w.Body.Bytes(), &m); err != nil || w.Code != 200 {
			t.Fatalf("%s: %d %s %v", path, w.Code, w.Body, err)
		}
		return m
	}
	is := func(got json.RawMessage, want string) {
		t.Helper()
		if string(got) != want {
			t.Errorf("got %s, want %s", got, want)
		}
	}
	// The estimate's keys are those of the command line's replay.
	c := get("/api/v1/coats/tack")
	for _, k := range []string{"id", "panel", "resin", "applied_at", "temp_c", "alpha", "tg_c", "kappa", "state", "state_probability",
		"unknown_why", "advice", "next_window", "events", "blush", "stall", "degraded_minutes", "record", "feels", "batches", "open"} {
		if _, ok := c[k]; !ok {
			t.Errorf("coat without %q", k)
		}
	}
	is(c["state"], `"tacky"`)
	is(c["open"], "true")
	seal := get("/api/v1/coats/seal")
	is(seal["open"], "false")
	is(seal["state"], `"unknown"`)
	is(seal["alpha"], "null")
	var list struct{ Coats []web.CoatView }
	for path, want := range map[string]int{"/api/v1/coats": 1, "/api/v1/coats?all=true": 2} {
		if err := json.Unmarshal(ask{path: path}.do(t, h).Body.Bytes(), &list); err != nil || len(list.Coats) != want {
			t.Errorf("%s: %d coats, %v; want %d", path, len(list.Coats), err, want)
		}
	}
	is(get("/api/v1/panels")["panels"], `[{"id":"lid-outer","piece":"lid","probe":"panel-1","air":"shed-air","core":"foam","area_m2":1.4}]`)
	is(get("/api/v1/pieces/lid")["record"], `{"id":"lid","name":"Locker lid"}`)
	is(get("/api/v1/whoami")["role"], `"control"`)
	if pot := get("/api/v1/pot?grams=100&shop=20&resin=medium"); len(pot["verdict"]) == 0 || len(pot["work_minutes"]) == 0 {
		t.Errorf("cup: %s", pot)
	}
	if pts := get("/api/v1/coats/tack/trace?points=5"); !strings.Contains(string(pts["points"]), `"at":"2026-10-10T09:40:00+01:00"`) {
		t.Errorf("trace does not begin at the application: %s", pts["points"])
	}
	// WMO-No. 8, Annex 4.B, evaluated: 9.255 °C.
	if air := get("/api/v1/air?temp=20&rh=50"); !strings.HasPrefix(string(air["dew_point_c"]), "9.25") {
		t.Errorf("dew point %s, want 9.255", air["dew_point_c"])
	}
	if cure := get("/api/v1/cure?resin=medium&temp=20"); !strings.Contains(string(cure["times_min"]), "tacky") {
		t.Errorf("cure: %s", cure["times_min"])
	}
	for path, want := range map[string]string{
		"/api/v1/air?temp=20&rh=50&dew=1":                "dew: unknown parameter; want temp, rh, panel, pressure",
		"/api/v1/air?temp=20":                            "rh: required",
		"/api/v1/air?temp=NaN&rh=50":                     `temp: "NaN" is not a number`,
		"/api/v1/air?temp=20&rh=500":                     "rh: 500 %: must be above 0 and at most 100 %",
		"/api/v1/cure?resin=medium&temp=1e300":           "temp: want °C from -20 to 120",
		"/api/v1/cure?resin=none&temp=20":                "resin: no epoxy named none",
		"/api/v1/pot?grams=1&grams=2&shop=1&resin=x":     "grams: given twice",
		"/api/v1/pot?grams=&shop=1&resin=x":              "grams: is empty, want a number",
		"/api/v1/coats?all=yes":                          `all: "yes" is not true or false`,
		"/api/v1/coats/none":                             "no coat none",
		"/api/v1/coats/none/trace":                       "no coat none",
		"/api/v1/coats/tack/trace?points=1":              "points: want a whole number from 2 to 4000",
		"/api/v1/coats/tack/trace?from=2027-01-01":       `from: "2027-01-01" is not a time such as 2026-10-10T09:40:00Z`,
		"/api/v1/coats/tack/trace?to=2020-01-01T00:00Z":  `to: "2020-01-01T00:00Z" is not a time such as 2026-10-10T09:40:00Z`,
		"/api/v1/panels/none":                            "no panel none",
		"/api/v1/readings":                               "probe: required",
		"/api/v1/readings?probe=none":                    "probe: no probe none",
		"/api/v1/readings?probe=panel-1&max=1":           "max: want a whole number from 8 to 100000",
		"/api/v1/readings?probe=panel-1&format=xml":      "format: want json or csv",
		"/api/v1/snapshot?since=1":                       "since: unknown parameter",
		"/api/v1/resins/" + strings.Repeat("x", 100_000): "no resin " + strings.Repeat("x", 60) + "…",
	} {
		w := ask{path: path}.do(t, h)
		if got := first(t, w); got != want || w.Code < 400 || w.Code > 499 {
			t.Errorf("%.60s: %d %q, want %q", path, w.Code, got, want)
		}
	}
}

// A snapshot says nothing present about a probe that has gone quiet, and
// survives the way to a client.
func TestSnapshotJSON(t *testing.T) {
	b := shop(t)
	snap, _ := b.Snapshot(t.Context())
	j, err := json.Marshal(snap)
	if err != nil {
		t.Fatal(err)
	}
	var m struct {
		Probes []struct {
			ID   string
			Now  *struct{ TempC, RHPct *float64 }
			Last *struct {
				TempC *float64 `json:"temp_c"`
				RHPct *float64 `json:"rh_pct"`
			}
			AgeS *float64 `json:"age_s"`
		}
	}
	if err := json.Unmarshal(j, &m); err != nil {
		t.Fatal(err)
	}
	at := func(id string) int {
		for i, p := range m.Probes {
			if p.ID == id {
				return i
			}
		}
		t.Fatalf("no probe %s in %s", id, j)
		return 0
	}
	panel, quiet := m.Probes[at("panel-1")], m.Probes[at("loft")]
	if panel.Now == nil || panel.Last.RHPct != nil || *panel.AgeS != 4 {
		t.Errorf("panel probe: %+v, want a value now, no humidity, 4 s old", panel)
	}
	if quiet.Now != nil || quiet.Last == nil || *quiet.Last.TempC != 12 || *quiet.AgeS != 3*3600 {
		t.Errorf("quiet probe: %+v, want nothing now, 12 °C three hours ago", quiet)
	}
	var back web.Snapshot
	if err := json.Unmarshal(j, &back); err != nil {
		t.Fatal(err)
	}
	j2, err := json.Marshal(back)
	if err != nil || string(j2) != string(j) {
		t.Errorf("there and back: %v\n%s\n%s", err, j, j2)
	}
	if empty, _ := json.Marshal(web.Snapshot{}); strings.Contains(string(empty), `"coats":null`) || strings.Contains(string(empty), `"probes":null`) {
		t.Errorf("an empty shop has null lists: %s", empty)
	}
}

func TestBackendErrors(t *testing.T) {
	b := &faulty{Backend: shop(t)}
	h := server(t, b).Handler()
	for name, tt := range map[string]struct {
		err  error
		want int
	}{
		"broken disk": {errors.New("open /home/me/secret-path: input/output error"), 500},
		"full":        {web.ErrTooMany, 429},
		"wrapped":     {errors.Join(errors.New("batch x"), web.ErrConflict), 409},
	} {
		b.err = tt.err
		for _, a := range []ask{
			{path: "/api/v1/snapshot"}, {path: "/api/v1/coats"}, {path: "/api/v1/probes"}, {path: "/api/v1/readings?probe=panel-1"},
			{path: "/events"}, {method: "POST", path: "/api/v1/readings", body: `[{"probe":"x","temp_c":1}]`},
		} {
			w := a.do(t, h)
			if w.Code != tt.want || strings.Contains(w.Body.String(), "secret") {
				t.Errorf("%s: %s %s: %d %s, want %d without the cause", name, a.method, a.path, w.Code, w.Body, tt.want)
			}
			first(t, w)
		}
	}
	b.err = nil
	b.late = []string{"sampler"}
	if w := (ask{path: "/readyz"}).do(t, h); w.Code != 503 || !strings.Contains(w.Body.String(), `"sampler"`) {
		t.Errorf("late: %d %s", w.Code, w.Body)
	}
	b.late = nil
	if w := (ask{path: "/readyz"}).do(t, h); w.Code != 200 {
		t.Errorf("well: %d %s", w.Code, w.Body)
	}
}

func TestPush(t *testing.T) {
	d := bare(t)
	b := &noting{Backend: d}
	h := server(t, b).Handler()
	w := ask{method: "POST", path: "/api/v1/readings", body: `[{"probe":"r","temp_c":9.5,"rh_pct":null},{"probe":"r","time":"2026-10-10T10:00:00Z"}]`}.do(t, h)
	if want := `{"taken":1,"refused":[{"index":1,"probe":"r","why":"no value in it"}]}` + "\n"; w.Code != 202 || w.Body.String() != want {
		t.Errorf("%d %s, want 202 %s", w.Code, w.Body, want)
	}
	if c := b.calls(); len(c) != 1 || c[0] != "loopback push 2 accept=true" {
		t.Errorf("calls %q", c)
	}
	tok := d.Token("radio", web.Push)
	w = ask{method: "POST", path: "/api/v1/readings", local: lan, token: tok, body: `[]`}.do(t, h)
	if want := `{"taken":0,"refused":[]}` + "\n"; w.Code != 202 || w.Body.String() != want {
		t.Errorf("nothing: %d %s, want %s", w.Code, w.Body, want)
	}
	if c := b.calls(); c[1] != "radio push 0 accept=false" {
		t.Errorf("calls %q", c)
	}
	for body, want := range map[string]string{
		`{"probe":"r"}`:                  "want an array",
		`[{"probe":"r","temp_c":"9.5"}]`: "[0].temp_c: want a number",
		`[{"probe":"r","temp_f":49}]`:    "[0].temp_f: unknown field",
		`[{"probe":"r","temp_c":NaN}]`:   "not JSON at line 1 column 24: invalid character 'N' looking for beginning of value",
		`null`:                           "want an array of readings",
		"[{\"probe\":\"\xff\"}]":         "the body is not UTF-8",
		`[`:                              "not JSON: it ends early",
	} {
		if got := first(t, ask{method: "POST", path: "/api/v1/readings", body: body}.do(t, h)); got != want {
			t.Errorf("%s: %q, want %q", body, got, want)
		}
	}
	// A bridge speaks for many probes: the fault of one is that one's.
	w = ask{method: "POST", path: "/api/v1/readings", body: `[{"probe":"a","temp_c":"9.5","rh":5},{"probe":"r","temp_c":9.5}, 7,{"probe":"r"},{"temp_c":1,"probe":5,"time":"noon"} ,{"probe":"s","temp_c":10}]`}.do(t, h)
	if want := `{"taken":2,"refused":[{"index":0,"probe":"a","why":"temp_c: want a number; rh: unknown field"},{"index":2,"probe":"","why":"want an object"},` +
		`{"index":3,"probe":"r","why":"no value in it"},{"index":4,"probe":"","why":"probe: want text in quotes; time: \"noon\" is not a time: want a time such as 2026-10-10T09:40:00+01:00"}]}` + "\n"; w.Code != 202 || w.Body.String() != want {
		t.Errorf("a mixed push: %d %s, want 202 %s", w.Code, w.Body, want)
	}
	if w = (ask{method: "POST", path: "/api/v1/readings", body: "[" + strings.Repeat("1,", 10_000) + "1]"}).do(t, h); w.Code != 400 && w.Code != 413 {
		t.Errorf("10,001 that are none: %d", w.Code)
	}
	many := "[" + strings.Repeat(`{"probe":"r","temp_c":9},`, 10_000) + `{"probe":"r","temp_c":9}]`
	if w := (ask{method: "POST", path: "/api/v1/readings", body: many}).do(t, h); w.Code != 413 {
		t.Errorf("10,001 readings: %d, want 413", w.Code)
	}
}

func TestBodyLimit(t *testing.T) {
	b := &noting{Backend: bare(t)}
	h := server(t, b).Handler()
	big := `{"name":"` + strings.Repeat("x", web.MaxBody) + `"}`
	for _, a := range []ask{
		{method: "POST", path: "/api/v1/pieces", body: big}, {method: "PATCH", path: "/api/v1/coats/tack", body: big},
		{method: "PUT", path: "/api/v1/settings", body: big}, {method: "POST", path: "/api/v1/plan", body: big},
		{method: "POST", path: "/pair", body: big}, {method: "POST", path: "/api/v1/batches/cup-1/end", body: big},
		{method: "POST", path: "/api/v1/alerts/a1/ack", body: big},
	} {
		if w := a.do(t, h); w.Code != 413 {
			t.Errorf("%s %s: %d, want 413", a.method, a.path, w.Code)
		}
	}
	// Brackets nested a hundred thousand deep must not exhaust the stack.
	deep := strings.Repeat("[", 100_000)
	if w := (ask{method: "POST", path: "/api/v1/pieces", body: deep}).do(t, h); w.Code != 400 {
		t.Errorf("deep nesting: %d, want 400", w.Code)
	}
	if c := b.calls(); len(c) > 0 {
		t.Errorf("reached the daemon: %q", c)
	}
}

// No address leads to a file that is not the page's own.
func TestPaths(t *testing.T) {
	h := server(t, bare(t)).Handler()
	for _, p := range []string{
		"/../../etc/passwd", "/..%2f..%2fetc/passwd", "/js/../../backend.go", "/assets/index.html", "/js", "/js/", "//etc/passwd",
		"/./index.html", "/index.html/", "/index.html%00.js", "/..", "/.", "/js/..", "/%2e%2e/%2e%2e/etc/passwd", "/INDEX.HTML", "/backend.go",
		"/api/v1/panels/..%2f..%2fsettings", "/api/v1/../../healthz",
	} {
		w := ask{path: p}.do(t, h)
		if w.Code != 404 {
			t.Errorf("%s: %d, want 404", p, w.Code)
		}
		if w := (ask{path: p, local: lan}).do(t, h); w.Code != 401 {
			t.Errorf("%s from elsewhere: %d, want 401", p, w.Code)
		}
	}
}

func TestAssets(t *testing.T) {
	s := server(t, bare(t))
	h := s.Handler()
	w := ask{path: "/"}.do(t, h)
	if w.Code != 200 || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/html") {
		t.Fatalf("page: %d %s", w.Code, w.Header().Get("Content-Type"))
	}
	plain, tag := w.Body.String(), w.Header().Get("ETag")
	w = ask{path: "/", header: map[string]string{"Accept-Encoding": "br, gzip;q=0.8"}}.do(t, h)
	zr, err := gzip.NewReader(w.Body)
	if err != nil {
		t.Fatal(err)
	}
	if b, err := io.ReadAll(zr); err != nil || string(b) != plain {
		t.Errorf("compressed page differs: %v", err)
	}
	gzTag := w.Header().Get("ETag")
	if tag == gzTag || tag == "" {
		t.Errorf("tags %s and %s, want two", tag, gzTag)
	}
	for _, tt := range []struct {
		enc, tag string
		want     int
	}{{"", tag, 304}, {"gzip", gzTag, 304}, {"gzip", `"x", W/` + gzTag, 304}, {"gzip", tag, 200}, {"gzip;q=0", tag, 304}, {"", `"old"`, 200}} {
		w := ask{path: "/", header: map[string]string{"Accept-Encoding": tt.enc, "If-None-Match": tt.tag}}.do(t, h)
		if w.Code != tt.want || tt.want == 304 && w.Body.Len() > 0 {
			t.Errorf("%q %s: %d with %d bytes, want %d", tt.enc, tt.tag, w.Code, w.Body.Len(), tt.want)
		}
	}
	if w := (ask{method: "HEAD", path: "/"}).do(t, h); w.Code != 200 || w.Body.Len() != 0 || w.Header().Get("Content-Length") == "" {
		t.Errorf("HEAD: %d, %d bytes", w.Code, w.Body.Len())
	}
	// The policy forbids what is written into the markup.
	for _, bad := range []string{"<script>", " style=\"", " onclick=", "javascript:", "http://", "https://"} {
		if strings.Contains(plain, bad) {
			t.Errorf("the page has %q, which its own policy blocks", bad)
		}
	}
}

func TestOptionalParts(t *testing.T) {
	b := tented(t)
	h := server(t, b).Handler()
	for name, tt := range map[string]struct {
		ask
		want int
		part string
	}{
		"tent":            {ask{path: "/api/v1/tent"}, 200, `"heater":"off"`},
		"set point":       {ask{method: "PUT", path: "/api/v1/tent/setpoint", body: `{"set_point_c":25}`}, 200, `"set_point_c":25`},
		"too hot":         {ask{method: "PUT", path: "/api/v1/tent/setpoint", body: `{"set_point_c":80}`}, 400, "outside 5 to 39, which the configuration file allows"},
		"no set point":    {ask{method: "PUT", path: "/api/v1/tent/setpoint", body: `{}`}, 400, `required`},
		"solvent":         {ask{method: "POST", path: "/api/v1/tent/solvent"}, 200, `"solvent_min":30`},
		"release nothing": {ask{method: "POST", path: "/api/v1/tent/release"}, 409, ""},
		"resume":          {ask{method: "PUT", path: "/api/v1/tent/resume", body: `{"on":true}`}, 200, `"resume":true`},
		"resume, unsaid":  {ask{method: "PUT", path: "/api/v1/tent/resume", body: `{}`}, 400, "required"},
		"aim":             {ask{method: "POST", path: "/api/v1/tent/aim", body: `{"coat":"fill"}`}, 400, `unknown coat`},
		"aim off":         {ask{method: "DELETE", path: "/api/v1/tent/aim"}, 200, `"heater"`},
		"record":          {ask{path: "/api/v1/panels/lid-outer/record?format=csv"}, 200, "section,panel,coat,time,what,value"},
		"record, page":    {ask{path: "/api/v1/panels/lid-outer/record"}, 200, "Cure record: Locker lid"},
		"record, format":  {ask{path: "/api/v1/panels/lid-outer/record?format=exe"}, 400, "want html, json or csv"},
		"record, nothing": {ask{path: "/api/v1/panels/none/record"}, 404, "panel none"},
		"backup":          {ask{path: "/api/v1/backup"}, 200, "SQLite format 3"},
		"tokens":          {ask{path: "/api/v1/tokens"}, 200, `{"tokens":[]}`},
		"revoke":          {ask{method: "DELETE", path: "/api/v1/tokens/x"}, 404, "token x"},
	} {
		t.Run(name, func(t *testing.T) {
			if w := tt.do(t, h); w.Code != tt.want || !strings.Contains(w.Body.String(), tt.part) {
				t.Errorf("%d %s, want %d with %s", w.Code, w.Body, tt.want, tt.part)
			}
		})
	}
	if w := (ask{method: "POST", path: "/api/v1/tent/off"}).do(t, h); w.Code != 200 || !strings.Contains(w.Body.String(), `"set_point_c":null`) {
		t.Errorf("tent off: %d %s", w.Code, w.Body)
	}
}

// A copy goes back as it came; half a copy changes nothing.
func TestRestore(t *testing.T) {
	b := &noting{Backend: shop(t)}
	h := server(t, b).Handler()
	binary := map[string]string{"Content-Type": "application/octet-stream"}
	copied := ask{path: "/api/v1/backup"}.do(t, h).Body.String()
	if w := (ask{method: "POST", path: "/api/v1/backup", body: copied, header: binary}).do(t, h); w.Code != 200 || !strings.Contains(w.Body.String(), "when the board starts next") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := (ask{method: "POST", path: "/api/v1/backup", body: "holiday.jpg", header: binary}).do(t, h); w.Code != 400 {
		t.Errorf("something else: %d %s", w.Code, w.Body)
	}
	for _, ct := range []string{"text/plain", "multipart/form-data", "application/json", ""} {
		if w := (ask{method: "POST", path: "/api/v1/backup", body: copied, header: map[string]string{"Content-Type": ct}}).do(t, h); w.Code != 400 {
			t.Errorf("as %q: %d, want 400", ct, w.Code)
		}
	}
	if c := b.calls(); len(c) != 1 {
		t.Errorf("calls %q, want one that was taken", c)
	}
	addr := serve(t, web.Config{LoopbackRole: web.Control}, b)
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	fmt.Fprintf(c, "POST /api/v1/backup HTTP/1.1\r\nHost: %s\r\nContent-Type: application/octet-stream\r\nContent-Length: 1000\r\n\r\n%s", addr, copied[:17])
	c.(*net.TCPConn).CloseWrite()
	if res, err := http.ReadResponse(bufio.NewReader(c), nil); err == nil && res.StatusCode != 400 {
		t.Errorf("half a copy: %d, want 400", res.StatusCode)
	}
	if c := b.calls(); len(c) != 1 {
		t.Errorf("half a copy reached the store: %q", c)
	}
}

// A program that opens every link in a mail must not acknowledge; the button
// does, once.
func TestAckLink(t *testing.T) {
	d := shop(t)
	name, _ := json.Marshal(map[string]string{"name": `Lid <script>alert(1)</script>`})
	if err := d.Patch(t.Context(), web.Who{}, "panel", "lid-outer", name, ""); err != nil {
		t.Fatal(err)
	}
	b, good := &noting{Backend: d}, link(t, d)
	h := server(t, b).Handler()
	elsewhere := ask{path: "/ack/" + good, local: lan}
	for range 3 {
		w := elsewhere.do(t, h)
		if w.Code != 200 || !strings.Contains(w.Body.String(), "<form method=\"post\">") || strings.Contains(w.Body.String(), "<script") {
			t.Fatalf("page: %d %s", w.Code, w.Body)
		}
	}
	if w := (ask{method: "HEAD", path: "/ack/" + good, local: lan}).do(t, h); w.Code != 200 {
		t.Errorf("HEAD: %d", w.Code)
	}
	if c := b.calls(); len(c) != 0 {
		t.Fatalf("looking acknowledged: %q", c)
	}
	elsewhere.method = "POST"
	other := elsewhere
	other.header = map[string]string{"Origin": "http://evil.example"}
	if w := other.do(t, h); w.Code != 403 {
		t.Errorf("another site's form: %d, want 403", w.Code)
	}
	if w := elsewhere.do(t, h); w.Code != 200 || !strings.Contains(w.Body.String(), "Noted") {
		t.Errorf("button: %d %s", w.Code, w.Body)
	}
	if w := elsewhere.do(t, h); w.Code != 404 {
		t.Errorf("button again: %d, want 404", w.Code)
	}
	if c := b.calls(); len(c) != 1 || !strings.HasPrefix(c[0], "link ack ") {
		t.Errorf("calls %q", c)
	}
	codes := map[int]int{}
	for range 10 {
		codes[ask{path: "/ack/guess", local: lan}.do(t, h).Code]++
	}
	if codes[429] == 0 {
		t.Errorf("guessing is not limited: %v", codes)
	}
	if w := (ask{path: "/ack/" + good, local: lan}).do(t, server(t, bare(t)).Handler()); w.Code != 404 {
		t.Errorf("without links: %d, want 404", w.Code)
	}
}

// A panic in one request is that request's.
func TestPanic(t *testing.T) {
	b := shop(t)
	h := server(t, panicky{b}).Handler()
	w := ask{path: "/api/v1/snapshot"}.do(t, h)
	if w.Code != http.StatusInternalServerError || strings.Contains(w.Body.String(), "boom") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := (ask{path: "/api/v1/settings"}).do(t, h); w.Code != 200 {
		t.Errorf("the next request: %d", w.Code)
	}
}

type panicky struct{ web.Backend }

func (panicky) Snapshot(context.Context) (web.Snapshot, error) { panic("boom") }
