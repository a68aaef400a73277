// SPDX-License-Identifier: Apache-2.0

package daemon_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"curewright/dashboards/web"
	"curewright/heat"
	"curewright/internal/daemon"
	"curewright/internal/daemon/daemontest"
	"curewright/internal/realpart"
	"curewright/internal/testkit"
	"curewright/model/job"
	"curewright/sensors"
	"curewright/sensors/shopsim"
)

const examplesFile = "testdata/openapi-examples.json"

// asked is one call as the document gives it for an example.
type asked struct {
	Request json.RawMessage `json:"request,omitempty"`
	Answer  json.RawMessage `json:"answer,omitempty"`
	Text    string          `json:"text,omitempty"`
}

// caller asks the real daemon and holds every request and answer against the
// document.
type caller struct {
	*daemontest.Daemon
	t       *testing.T
	doc     map[string]any
	schemas *jsonschema.Compiler
	done    map[string]*jsonschema.Schema
	calls   map[string]asked
	errors  map[string]asked
	seen    map[string]bool
}

const docURL = "file:///openapi.json"

// newCaller reads the document as strictly as it can be read: an answer's key
// that stands nowhere in it is a fault, though clients are told to pass it over.
func newCaller(t *testing.T, d *daemontest.Daemon) *caller {
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(d.Do("GET", "/api/v1/openapi.json", nil, 200)))
	testkit.OK(t, err)
	closeObjects(doc)
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	testkit.OK(t, c.AddResource(docURL, doc))
	return &caller{Daemon: d, t: t, doc: doc.(map[string]any), schemas: c, done: map[string]*jsonschema.Schema{},
		calls: map[string]asked{}, errors: map[string]asked{}, seen: map[string]bool{}}
}

func closeObjects(v any) {
	switch v := v.(type) {
	case map[string]any:
		if _, ok := v["properties"].(map[string]any); ok && v["additionalProperties"] == nil && v["type"] == "object" {
			v["additionalProperties"] = false
		}
		for _, x := range v {
			closeObjects(x)
		}
	case []any:
		for _, x := range v {
			closeObjects(x)
		}
	}
}

func escape(s string) string {
	return url.PathEscape(strings.NewReplacer("~", "~0", "/", "~1").Replace(s))
}

// hold checks a body against a schema of the document, by its place there.
func (c *caller) hold(what string, body []byte, place ...string) {
	c.t.Helper()
	at := docURL + "#"
	for _, p := range place {
		at += "/" + escape(p)
	}
	s := c.done[at]
	if s == nil {
		var err error
		if s, err = c.schemas.Compile(at); err != nil {
			c.t.Errorf("%s: %v", what, err)
			return
		}
		c.done[at] = s
	}
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(body))
	if err != nil {
		c.t.Errorf("%s: %v: %.200s", what, err, body)
		return
	}
	if err := s.Validate(v); err != nil {
		c.t.Errorf("%s does not obey the document: %v\n%.400s", what, err, body)
	}
}

func dig(v any, keys ...string) any {
	for _, k := range keys {
		m, _ := v.(map[string]any)
		v = m[k]
	}
	return v
}

// call asks for route, with its parameters put in, and checks what goes out and
// what comes back.
func (c *caller) call(route string, args []string, query string, body any, want int, head ...string) []byte {
	c.t.Helper()
	method, pattern, _ := strings.Cut(route, " ")
	path := pattern
	for _, a := range args {
		i, j := strings.IndexByte(path, '{'), strings.IndexByte(path, '}')
		path = path[:i] + url.PathEscape(a) + path[j+1:]
	}
	op := dig(c.doc, "paths", pattern, strings.ToLower(method))
	if op == nil {
		c.t.Errorf("%s stands not in the document", route)
		return nil
	}
	var rd []byte
	switch b := body.(type) {
	case nil:
	case []byte:
		rd = b
	case string:
		rd = []byte(b)
	default:
		rd, _ = json.Marshal(b)
	}
	req, err := http.NewRequestWithContext(c.t.Context(), method, c.URL+path+query, bytes.NewReader(rd))
	testkit.OK(c.t, err)
	req.Header.Set("Content-Type", "application/json")
	for i := 0; i < len(head); i += 2 {
		if req.Header.Set(head[i], head[i+1]); head[i] == "Host" {
			req.Host = head[i+1]
		}
	}
	resp, err := http.DefaultClient.Do(req)
	testkit.OK(c.t, err)
	defer resp.Body.Close()
	var got []byte
	kind, _, _ := strings.Cut(resp.Header.Get("Content-Type"), ";")
	if kind == "text/event-stream" { // which has no end
		buf := make([]byte, 4096)
		n, _ := io.ReadAtLeast(resp.Body, buf, 16)
		got = buf[:n]
	} else if got, err = io.ReadAll(resp.Body); err != nil {
		c.t.Fatal(err)
	}
	if resp.StatusCode != want {
		c.t.Errorf("%s: %d, want %d: %.300s", route, resp.StatusCode, want, got)
		return got
	}
	code := strconv.Itoa(want)
	place := []string{"paths", pattern, strings.ToLower(method), "responses", code}
	r := dig(op, "responses", code)
	if r == nil {
		c.t.Errorf("%s: a %d, which the document does not know: %s", route, want, got)
		return got
	}
	if at, ok := dig(r, "$ref").(string); ok {
		place = strings.Split(strings.TrimPrefix(at, "#/"), "/")
		r = dig(c.doc, place...)
	}
	if dig(r, "content", kind) == nil {
		c.t.Errorf("%s: %d answers %s, which the document does not know", route, want, kind)
		return got
	}
	x := asked{}
	sent := req.Header.Get("Content-Type") == "application/json"
	if sent && json.Valid(rd) {
		x.Request = rd
	}
	if kind == "application/json" {
		c.hold(fmt.Sprintf("%s: the %d", route, want), got, append(place, "content", kind, "schema")...)
		x.Answer = thin(got)
	} else if len(got) < 2000 && kind != "text/html" {
		x.Text = string(got)
	}
	if pattern == "/readyz" { // late is no error of the request
		c.calls[route] = x
	} else if want >= 400 {
		if _, had := c.errors[code]; !had {
			c.errors[code] = asked{Answer: x.Answer}
		}
		c.seen[route] = true
		return got
	}
	if sent && len(rd) > 0 {
		c.hold(route+": the request", rd, "paths", pattern, strings.ToLower(method), "requestBody", "content", "application/json", "schema")
	}
	c.seen[route] = true
	if _, had := c.calls[route]; !had && pattern != "/api/v1/openapi.json" {
		c.calls[route] = x
	}
	return got
}

// thin keeps an example short: two of each list, and none of what is long and
// says nothing alone.
func thin(b []byte) json.RawMessage {
	var cut func(v any) any
	cut = func(v any) any {
		switch v := v.(type) {
		case []any:
			for i := range v {
				v[i] = cut(v[i])
			}
			if len(v) > 3 { // a triple is one thing: p10, p50, p90
				v = v[:2]
			}
			return v
		case map[string]any:
			for k := range v {
				v[k] = cut(v[k])
			}
		}
		return v
	}
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.UseNumber()
	var v any
	if dec.Decode(&v) != nil {
		return nil
	}
	out, _ := json.Marshal(cut(v))
	return out
}

// obedient is a heater that does as it is told; it says what it was asked last.
type obedient struct {
	mu sync.Mutex
	st heat.Status
}

func (h *obedient) Hold(_ string, c float64) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.st.AimC, h.st.WishC = sensors.Some(c), sensors.Some(c)
	return nil
}
func (h *obedient) Off(string, string)                       { h.mu.Lock(); defer h.mu.Unlock(); h.st.AimC = sensors.Value{} }
func (h *obedient) UseSolvent(string)                        {}
func (h *obedient) Release(string) error                     { return nil }
func (h *obedient) SetResume(string, bool)                   {}
func (h *obedient) Status() heat.Status                      { h.mu.Lock(); defer h.mu.Unlock(); return h.st }
func (*obedient) Limits() (lines []string, hash, why string) { return nil, "", "" }
func (*obedient) Accept(string, string) error                { return heat.ErrOtherLimits }

type kv = map[string]any

// Every route of the real daemon is asked, with the roles and errors that a
// healthy one can be brought to, and every request and answer obeys the document
// that the same daemon serves. With -update the calls become its examples.
func TestAnswersObeyOpenAPI(t *testing.T) {
	if testing.Short() {
		t.Skip("a shed's night and the whole API: the race detector sees the same handlers in dashboards/web")
	}
	d := daemontest.New(t, daemontest.Options{Shed: &shopsim.Config{Seed: 1}, Before: func(d *daemon.Daemon) {
		sec := heat.DefaultSection()
		sec.Output, sec.Control, sec.Limit, sec.Shed = "relay", shopsim.Panel1, shopsim.TentAir, shopsim.ShedAir
		sec.MaxAirC, sec.MaxPanelC, sec.HeaterW = new(52.0), new(44.0), 1000
		d.AttachTent(sec.Defaults(), func(func(heat.Event), func() (heat.Profile, bool)) daemon.TentHolder {
			return &obedient{st: heat.Status{PanelC: sensors.Some(18), AirC: sensors.Some(18)}}
		})
	}})
	c := newCaller(t, d)
	const v1 = "/api/v1"
	id := func(b []byte) string {
		var v struct{ ID string }
		json.Unmarshal(b, &v)
		return v.ID
	}
	now := func() string { return d.Now().Format(time.RFC3339) }
	d.Advance(time.Hour)

	// The record.
	c.call("POST "+v1+"/pieces", nil, "", kv{"id": "lid", "name": "Locker lid"}, 201)
	c.call("POST "+v1+"/panels", nil, "", kv{"id": "lid-a", "piece": "lid", "name": "Lid, outer", "probe": shopsim.Panel1, "air": shopsim.ShedAir, "core": "foam", "area_m2": 1.4}, 201)
	c.call("POST "+v1+"/panels", nil, "", kv{"id": "lid-b", "piece": "lid", "probe": shopsim.Panel2, "air": shopsim.ShedAir, "core": "foam", "area_m2": 1.4}, 201, "Idempotency-Key", "once")
	c.call("POST "+v1+"/panels", nil, "", kv{"id": "lid-c", "piece": "lid"}, 409, "Idempotency-Key", "once")
	c.call("PATCH "+v1+"/panels/{id}", []string{"lid-b"}, "", kv{"name": "Lid, inner"}, 200)
	c.call("PATCH "+v1+"/pieces/{id}", []string{"lid"}, "", kv{"name": "Locker lid, port"}, 200)
	c.call("POST "+v1+"/batches", nil, "", kv{"id": "cup-1", "resin": "medium", "resin_g": 100, "hardener_g": 30, "mixed": now()}, 201)
	c.call("PATCH "+v1+"/batches/{id}", []string{"cup-1"}, "", kv{"lot": "R-114"}, 200)
	c.call("POST "+v1+"/coats", nil, "", kv{"id": "tack", "panel": "lid-a", "resin": "medium", "kind": "tack coat", "batches": []string{"cup-1"}, "applied": now()}, 201)
	c.call("PATCH "+v1+"/coats/{id}", []string{"tack"}, "", kv{"note": "thin at the edge"}, 200)
	c.call("POST "+v1+"/batches/{id}/end", []string{"cup-1"}, "", kv{"left_g": 12}, 200)
	d.Advance(3 * time.Hour)
	c.call("POST "+v1+"/coats/{id}/feels", []string{"tack"}, "", kv{"at": now(), "state": "tacky"}, 201)
	feel := id(c.call("POST "+v1+"/feels", nil, "", kv{"coat": "tack", "at": now(), "state": "tacky"}, 201))
	c.call("PATCH "+v1+"/feels/{id}", []string{feel}, "", kv{"state": "green"}, 200)
	c.call("DELETE "+v1+"/feels/{id}", []string{feel}, "", nil, 200)
	c.call("POST "+v1+"/resins/fit", nil, "", kv{"name": "club epoxy", "hardener_kind": "cycloaliphatic", "ratio_by_weight": []int{100, 30}, "min_temp_c": 12, "time": []kv{{"event": "tack_free", "temp_c": 22, "hours": []int{4, 5}}}}, 200)
	var resins struct{ Resins []json.RawMessage }
	json.Unmarshal(c.call("GET "+v1+"/resins", nil, "", nil, 200), &resins)
	var mine kv
	json.Unmarshal(resins.Resins[0], &mine)
	mine["name"] = "club epoxy"
	delete(mine, "generic")
	c.call("POST "+v1+"/resins", nil, "", mine, 201)
	c.call("PATCH "+v1+"/resins/{id}", []string{"club epoxy"}, "", kv{"ratio_tolerance_pct": 4}, 200)
	c.call("GET "+v1+"/resins/{id}", []string{"club epoxy"}, "", nil, 200)
	c.call("DELETE "+v1+"/resins/{id}", []string{"club epoxy"}, "", nil, 200)
	can := id(c.call("POST "+v1+"/stock", nil, "", kv{"resin": "medium", "part": "resin", "full_g": 5000, "lot": "R-114"}, 201))
	c.call("PATCH "+v1+"/stock/{id}", []string{can}, "", kv{"price": 90.5, "currency": "EUR"}, 200)
	c.call("GET "+v1+"/stock/{id}", []string{can}, "", nil, 200)
	csv := c.call("GET "+v1+"/stock.csv", nil, "", nil, 200)
	c.call("POST "+v1+"/stock/import", nil, "", kv{"csv": string(csv)}, 200)
	c.call("GET "+v1+"/stock", nil, "", nil, 200)

	// Jobs.
	c.call("GET "+v1+"/jobs/templates", nil, "", nil, 200)
	steps := []job.Step{
		{ID: "seal", Panel: "lid-b", Do: "coat", Coat: "seal"}, {ID: "cloth", Panel: "lid-b", Do: "coat", Coat: "wet-out", Cloth: "glass 200 twill"},
		{ID: "fill", Panel: "lid-b", Do: "coat", Coat: "fill coat"}, {ID: "more", Panel: "lid-b", Do: "coat", Coat: "fill coat"},
	}
	c.call("POST "+v1+"/jobs", nil, "", kv{"id": "lids", "name": "Locker lids", "resin": "medium", "steps": steps}, 201)
	c.call("PATCH "+v1+"/jobs/{id}", []string{"lids"}, "", kv{"name": "Two locker lids"}, 200)
	c.call("GET "+v1+"/jobs", nil, "", nil, 200)
	c.call("GET "+v1+"/next", nil, "?panel=lid-b", nil, 200)
	c.call("POST "+v1+"/jobs/{id}/later", []string{"lids"}, "", kv{"step": "seal", "until": d.Now().Add(time.Hour).Format(time.RFC3339)}, 201)
	c.call("POST "+v1+"/jobs/{id}/mixed", []string{"lids"}, "", kv{"step": "seal"}, 201)
	done := c.call("POST "+v1+"/jobs/{id}/done", []string{"lids"}, "", kv{"step": "seal"}, 201)
	var entered web.Entered
	json.Unmarshal(done, &entered)
	d.Advance(time.Hour)
	c.call("POST "+v1+"/jobs/{id}/feel", []string{"lids"}, "", kv{"step": "seal", "state": "wet"}, 201)
	c.call("POST "+v1+"/feel", nil, "", kv{"panel": "lid-a", "state": "tacky"}, 201)
	c.call("POST "+v1+"/jobs/{id}/skip", []string{"lids"}, "", kv{"step": "more", "why": "one fills it"}, 201)
	c.call("POST "+v1+"/jobs/{id}/reopen", []string{"lids"}, "", kv{"step": "more"}, 201)
	c.call("POST "+v1+"/jobs/{id}/insert", []string{"lids"}, "", kv{"after": "fill", "step": kv{"id": "wait", "panel": "lid-b", "do": "wait", "hours": 2}}, 201)
	c.call("PATCH "+v1+"/ticks/{id}", []string{entered.Tick}, "", kv{"note": "as planned"}, 200)
	c.call("POST "+v1+"/jobs/{id}/repeat", []string{"lids"}, "", kv{"step": "seal"}, 201)
	c.call("POST "+v1+"/jobs/{id}/settle", []string{"lids"}, "", kv{"step": "cloth", "keep": "nothing"}, 400)
	c.call("GET "+v1+"/jobs/{id}", []string{"lids"}, "", nil, 200)
	c.call("GET "+v1+"/jobs/{id}/file", []string{"lids"}, "", nil, 200)
	var entries struct{ Entries []web.EntryView }
	json.Unmarshal(c.call("GET "+v1+"/entries", nil, "?limit=5", nil, 200), &entries)
	c.call("POST "+v1+"/entries/{id}/undo", []string{entries.Entries[0].ID}, "", kv{}, 201)
	c.call("POST "+v1+"/undo", nil, "", kv{}, 201)
	c.call("POST "+v1+"/plan", nil, "", kv{"job": "lids", "day": kv{"start": d.Now().Add(14 * time.Hour).Format(time.RFC3339), "hours": []string{"08:00-20:00"}, "people": 1}}, 200)

	// Looks.
	c.call("GET "+v1+"/snapshot", nil, "", nil, 200)
	c.call("GET "+v1+"/coats", nil, "?all=true", nil, 200)
	c.call("GET "+v1+"/coats", nil, "?all=perhaps", nil, 400)
	c.call("GET "+v1+"/coats/{id}", []string{"tack"}, "", nil, 200)
	c.call("GET "+v1+"/coats/{id}", []string{"nobody"}, "", nil, 404)
	c.call("GET "+v1+"/coats/{id}/trace", []string{"tack"}, "?points=20", nil, 200)
	c.call("GET "+v1+"/coats/{id}/feels", []string{"tack"}, "", nil, 200)
	for _, w := range []string{"pieces", "panels", "batches", "feels"} {
		c.call("GET "+v1+"/"+w, nil, "", nil, 200)
	}
	c.call("GET "+v1+"/pieces/{id}", []string{"lid"}, "", nil, 200)
	c.call("GET "+v1+"/panels/{id}", []string{"lid-b"}, "", nil, 200)
	c.call("GET "+v1+"/batches/{id}", []string{"cup-1"}, "", nil, 200)
	var feels struct{ Feels []struct{ ID string } }
	json.Unmarshal(c.call("GET "+v1+"/feels", nil, "", nil, 200), &feels)
	c.call("GET "+v1+"/feels/{id}", []string{feels.Feels[0].ID}, "", nil, 200)
	c.call("GET "+v1+"/panels/{id}/laminate", []string{"lid-a"}, "", nil, 200)
	c.call("GET "+v1+"/pieces/{id}/bill", []string{"lid"}, "", nil, 200)
	for _, f := range []string{"html", "csv", "json"} {
		c.call("GET "+v1+"/panels/{id}/record", []string{"lid-a"}, "?format="+f, nil, 200)
	}
	c.call("POST "+v1+"/readings", nil, "", []kv{{"probe": "radio-1", "temp_c": 17.5, "rh_pct": 61}, {"probe": "radio-2", "temp_c": 400}}, 202)
	c.call("GET "+v1+"/readings", nil, "?probe="+shopsim.Panel1+"&max=20", nil, 200)
	c.call("GET "+v1+"/readings", nil, "?probe="+shopsim.Panel1+"&format=csv", nil, 200)
	c.call("GET "+v1+"/probes", nil, "", nil, 200)
	c.call("PUT "+v1+"/probes/{id}", []string{"radio-1"}, "", kv{"name": "By the door", "role": "air", "accepted": true}, 200)
	c.call("DELETE "+v1+"/probes/{id}", []string{"radio-1"}, "", nil, 200)
	c.call("GET "+v1+"/settings", nil, "", nil, 200)
	c.call("PUT "+v1+"/settings", nil, "", kv{"sleep_from": "22:30", "sleep_to": "06:30", "low_c": 4}, 200)
	c.call("PUT "+v1+"/settings", nil, "", kv{"low_c": 70, "units": "imperial"}, 400)
	c.call("POST "+v1+"/clock", nil, "", kv{"time": now()}, 409)
	c.call("GET "+v1+"/air", nil, "?temp=18&rh=60&panel=12", nil, 200)
	c.call("GET "+v1+"/cure", nil, "?resin=medium&temp=18", nil, 200)
	c.call("GET "+v1+"/pot", nil, "?resin=medium&grams=180&shop=17", nil, 200)
	c.call("POST "+v1+"/mix", nil, "", kv{"resin": "medium", "panel": "lid-b", "kind": "wet-out", "cloth": "glass 200 twill"}, 200)
	d.Advance(9 * time.Hour)
	var as struct{ Alerts []struct{ ID string } }
	json.Unmarshal(c.call("GET "+v1+"/alerts", nil, "?all=true", nil, 200), &as)
	if len(as.Alerts) == 0 {
		t.Fatal("a night of open coats and nothing was called")
	}
	json.Unmarshal(c.call("GET "+v1+"/alerts", nil, "", nil, 200), &as)
	if len(as.Alerts) > 0 {
		c.call("POST "+v1+"/alerts/{id}/ack", []string{as.Alerts[0].ID}, "", kv{}, 200)
	}
	c.call("POST "+v1+"/sound/test", nil, "", kv{"channel": "page", "heard": true}, 200)
	c.call("GET /healthz", nil, "", nil, 200)
	c.call("GET /readyz", nil, "", nil, 503) // its parts do not run in a test
	c.call("GET /metrics", nil, "", nil, 200)
	c.call("GET /metrics", nil, "", nil, 200, "Accept", "application/openmetrics-text; version=1.0.0")
	c.call("GET /events", nil, "", nil, 200)
	c.call("GET "+v1+"/events", nil, "", nil, 200)
	c.call("GET "+v1+"/openapi.json", nil, "", nil, 200)
	c.call("GET /ack/{token}", []string{"no-such-link"}, "", nil, 404)
	c.call("POST /ack/{token}", []string{"no-such-link"}, "", nil, 404)

	// The tent.
	c.call("GET "+v1+"/tent", nil, "", nil, 200)
	c.call("PUT "+v1+"/tent/setpoint", nil, "", kv{"set_point_c": 22}, 200)
	c.call("POST "+v1+"/tent/aim", nil, "", kv{"coat": "tack", "wish": "hard", "by": d.Now().Add(30 * time.Hour).Format(time.RFC3339), "probability": 0.8}, 200)
	c.call("DELETE "+v1+"/tent/aim", nil, "", nil, 200)
	c.call("POST "+v1+"/tent/off", nil, "", kv{"why": "home"}, 200)
	c.call("POST "+v1+"/tent/solvent", nil, "", nil, 200)
	c.call("POST "+v1+"/tent/release", nil, "", nil, 409) // nothing is latched
	c.call("PUT "+v1+"/tent/resume", nil, "", kv{"on": true}, 200)
	c.call("POST "+v1+"/tent/accept", nil, "", kv{"limits_hash": "6f1d"}, 403) // the socket's alone

	// Log-ins.
	var code web.PairCode
	json.Unmarshal(c.call("POST "+v1+"/paircodes", nil, "", kv{"role": "record", "name": "phone"}, 201), &code)
	var in web.Paired
	json.Unmarshal(c.call("POST "+v1+"/pair", nil, "", kv{"code": code.Code, "device": "phone"}, 200), &in)
	c.call("GET "+v1+"/whoami", nil, "", nil, 200, "Authorization", "Bearer "+in.Token)
	c.call("GET "+v1+"/tokens", nil, "", nil, 403, "Authorization", "Bearer "+in.Token)
	c.call("GET "+v1+"/whoami", nil, "", nil, 401, "Authorization", "Bearer nobody")
	var toks struct{ Tokens []struct{ ID string } }
	json.Unmarshal(c.call("GET "+v1+"/tokens", nil, "", nil, 200), &toks)
	c.call("DELETE "+v1+"/tokens/{id}", []string{toks.Tokens[0].ID}, "", nil, 200)
	c.call("POST "+v1+"/logout", nil, "", nil, 200)
	c.call("POST /logout", nil, "", nil, 200)
	json.Unmarshal(c.call("POST "+v1+"/paircodes", nil, "", kv{"role": "look"}, 201), &code)
	c.call("POST /pair", nil, "", kv{"code": code.Code}, 200)
	for range 40 {
		resp, err := http.Post(d.URL+v1+"/pair", "application/json", strings.NewReader(`{"code":"AAAA-AAAA"}`))
		testkit.OK(t, err)
		if resp.Body.Close(); resp.StatusCode == http.StatusTooManyRequests {
			break
		}
	}
	c.call("POST "+v1+"/pair", nil, "", kv{"code": "AAAA-AAAA"}, 429)
	c.call("POST "+v1+"/plan", nil, "", `{"note":"`+strings.Repeat("n", 1<<20)+`"}`, 413)

	// Taking out, last.
	c.call("DELETE "+v1+"/stock/{id}", []string{can}, "", nil, 200)
	c.call("DELETE "+v1+"/ticks/{id}", []string{entered.Tick}, "", nil, 200)
	c.call("DELETE "+v1+"/jobs/{id}", []string{"lids"}, "", nil, 200)
	json.Unmarshal(d.Do("GET", v1+"/feels", nil, 200), &feels)
	for _, f := range feels.Feels {
		d.Do("DELETE", v1+"/feels/"+f.ID, nil, 200)
	}
	c.call("DELETE "+v1+"/coats/{id}", []string{"tack"}, "", nil, 200)
	c.call("DELETE "+v1+"/batches/{id}", []string{"cup-1"}, "", nil, 200)
	c.call("POST "+v1+"/panels", nil, "", kv{"id": "spare", "piece": "spare", "no_probe": true}, 201)
	c.call("DELETE "+v1+"/panels/{id}", []string{"spare"}, "", nil, 200)
	c.call("POST "+v1+"/pieces", nil, "", kv{"id": "nothing"}, 201)
	c.call("DELETE "+v1+"/pieces/{id}", []string{"nothing"}, "", nil, 200)
	c.call("GET "+v1+"/memory", nil, "", nil, 200)
	c.call("GET "+v1+"/memory/file", nil, "?what=lots", nil, 200)
	learnt := c.call("GET "+v1+"/memory/file", nil, "", nil, 200)
	c.call("POST "+v1+"/memory/file", nil, "", learnt, 200)
	c.call("POST "+v1+"/memory/forget", nil, "", kv{"lot": "L1"}, 200)
	copied := c.call("GET "+v1+"/backup", nil, "", nil, 200)
	c.call("POST "+v1+"/backup", nil, "", copied, 200, "Content-Type", "application/octet-stream")

	for _, r := range web.APIRoutes() {
		if name := r.Method + " " + r.Path; !c.seen[name] && name != "GET /pair" {
			t.Errorf("%s was not asked", name)
		}
	}
	if u := flag.Lookup("update"); u != nil && u.Value.String() == "true" {
		tent := c.calls["GET "+v1+"/tent"].Answer
		c.calls["POST "+v1+"/tent/accept"] = asked{json.RawMessage(`{"limits_hash":"6f1d"}`), tent, ""}
		c.calls["POST "+v1+"/jobs/{id}/settle"] = asked{json.RawMessage(`{"step":"cloth","keep":"tick-7"}`), c.calls["POST "+v1+"/jobs/{id}/skip"].Answer, ""}
		c.calls["POST "+v1+"/tent/release"] = asked{nil, tent, ""}
		c.calls["POST "+v1+"/clock"] = asked{json.RawMessage(`{"time":"2026-10-10T09:12:00+01:00"}`), json.RawMessage(`{"now":"2026-10-10T08:12:00Z"}`), ""}
		b, err := json.MarshalIndent(kv{"calls": c.calls, "errors": c.errors}, "", " ")
		testkit.OK(t, err)
		testkit.Write(t, examplesFile, string(b)+"\n")
	}
	// The examples themselves obey the schemas that they stand beside.
	var ex struct{ Calls map[string]asked }
	testkit.OK(t, json.Unmarshal(testkit.MustRead(t, examplesFile), &ex))
	for route, a := range ex.Calls {
		method, pattern, _ := strings.Cut(route, " ")
		method = strings.ToLower(method)
		if dig(c.doc, "paths", pattern, method, "requestBody", "content", "application/json") != nil && a.Request != nil {
			c.hold(route+": the example of its request", a.Request, "paths", pattern, method, "requestBody", "content", "application/json", "schema")
		}
		for _, code := range []string{"200", "201", "202"} {
			if dig(c.doc, "paths", pattern, method, "responses", code, "content", "application/json") != nil && a.Answer != nil {
				c.hold(route+": the example of its answer", a.Answer, "paths", pattern, method, "responses", code, "content", "application/json", "schema")
			}
		}
	}
}

// A validator that others keep reads the document: OpenAPI 3.1's own schema,
// every reference followed.
func TestOpenAPIIsOpenAPI(t *testing.T) {
	realpart.NPM(t, "@seriousme", "openapi-schema-validator")
	file, err := filepath.Abs("../../dashboards/web/openapi.json")
	testkit.OK(t, err)
	cmd := exec.CommandContext(t.Context(), realpart.Program(t, "node"), "--input-type=module", "-e", `
import { Validator } from '@seriousme/openapi-schema-validator';
import { readFileSync } from 'node:fs';
const v = new Validator();
const r = await v.validate(JSON.parse(readFileSync(process.argv[1], 'utf8')));
if (!r.valid || v.version !== '3.1') { console.log(v.version, JSON.stringify(r.errors, null, 1)); process.exit(1); }
v.resolveRefs();`, file)
	cmd.Dir = "../oracles"
	cmd.Stderr = os.Stderr
	if out, err := cmd.Output(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}
