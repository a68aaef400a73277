// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"go/ast"
	"go/doc/comment"
	"go/parser"
	"go/token"
	"io"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/internal/daemon/learnt"
	"curewright/internal/daemon/tentplan"
	"curewright/internal/testkit"
	"curewright/model/air"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/job"
	"curewright/model/plan"
	"curewright/model/pot"
	"curewright/sensors"
)

// The words of the API's document. Everything else in it comes from the routes
// and from the types that they carry: keys, types and what the comments in the
// source say of them. TestOpenAPI holds the file that is served against it.

const (
	openAPIFile  = "../../dashboards/web/openapi.json"
	examplesFile = "testdata/openapi-examples.json"
)

// op is what the document says of one route.
type op struct {
	tag, say string
	query    []param
	in       any      // the body's type; nil for none
	need     []string // keys that a body must have
	patch    bool     // every key optional, null clears
	inType   string   // of a body that is no JSON
	loose    string   // a body that is checked by its own parser: where that is described
	code     int      // of success; 0 is 200
	out      any      // the answer's type; nil where outType says what it is
	outType  []string // media types that are no JSON
	errors   []int    // beside those that follow from role, body and path
	key      bool     // takes an Idempotency-Key
}

type param struct {
	name, kind string // string, number, integer, boolean, time
	must       bool
	say        string
}

// object is an answer with one or two keys, in order: name, value, name, value.
type object []any

type idAnswer struct {
	ID string `json:"id"`
}

type created struct {
	ID      string `json:"id"`
	Created bool   `json:"created"` // false: a repeat of an earlier request with its Idempotency-Key
}

// readingRow is one row of GET /readings.
type readingRow struct {
	Time   time.Time     `json:"time"`
	TempC  sensors.Value `json:"temp_c"`
	RHPct  sensors.Value `json:"rh_pct"`
	CO2PPM sensors.Value `json:"co2_ppm"`
}

// planned is what a layup day's answer is.
var planned = reflect.New(reflect.TypeOf(plan.Plan).Out(0)).Elem().Interface()

const (
	tBench, tWork, tJob, tProbes, tAlerts = "Bench", "Work", "Jobs", "Probes and readings", "Alerts"
	tSums, tStock, tTent, tBoard, tLogins = "Calculations", "Stock", "Tent", "Board", "Log-ins"
)

var openAPIOps = func() map[string]op {
	const v1 = "/api/v1"
	sums := []int{429, 503}
	points := []param{{"from", "time", false, "default: since the coat went on"}, {"to", "time", false, "default: 24 h from now"}, {"points", "integer", false, "from 2 to 4000, default 600"}}
	m := map[string]op{
		"GET /healthz":                {tag: tBoard, say: "Whether the process answers. Asks nothing of the board.", out: object{"alive", true}},
		"GET /readyz":                 {tag: tBoard, say: "Whether every part makes progress; 503 names those that do not.", out: object{"ready", true, "late", []string{}}, errors: []int{503}},
		"GET /metrics":                {tag: tBoard, say: "Metrics, as text for Prometheus or as OpenMetrics, by the Accept header; docs/metrics.md lists them.", outType: []string{"text/plain", "application/openmetrics-text"}},
		"GET " + v1 + "/openapi.json": {tag: tBoard, say: "This document.", out: json.RawMessage{}},
		"POST /pair":                  {tag: tLogins, say: "Redeem a pairing code; sets the cookie as well.", in: web.Pairing{}, need: []string{"code"}, out: web.Paired{}, errors: []int{401, 429}},
		"POST /logout":                {tag: tLogins, say: "End this log-in, for whoever copied it too.", out: object{"out", true}},
		"GET /ack/{token}":            {tag: tAlerts, say: "The page behind a message's link: one button. Opening it does nothing.", outType: []string{"text/html"}, errors: []int{429}},
		"POST /ack/{token}":           {tag: tAlerts, say: "That button: the alert has been seen.", outType: []string{"text/html"}, errors: []int{429}},
		"GET /events":                 {tag: tBench, say: "Server-sent events: \"snapshot\" first and after each estimate, \"reading\", \"alert\", \"work\" as they happen.", outType: []string{"text/event-stream"}},
		"GET " + v1 + "/snapshot":     {tag: tBench, say: "One consistent look at the shop: everything that the bench page shows.", out: web.Snapshot{}},
		"GET " + v1 + "/whoami":       {tag: tLogins, say: "Who asks, and what they may.", out: object{"name", "", "role", web.Look, "version", "", "tent", true}},

		"GET " + v1 + "/coats":                {tag: tWork, say: "Coats with their estimates.", query: []param{{"all", "boolean", false, "true: also those that have ended"}}, out: object{"at", time.Time{}, "coats", []web.CoatView{}}},
		"GET " + v1 + "/coats/{id}":           {tag: tWork, say: "One coat: its estimate, its record, finger tests, batches and what was changed.", out: web.CoatView{}},
		"GET " + v1 + "/coats/{id}/trace":     {tag: tWork, say: "A coat's estimate over time, past and forecast.", query: points, out: object{"coat", "", "points", []coat.TracePoint{}}, errors: sums},
		"GET " + v1 + "/coats/{id}/feels":     {tag: tWork, say: "A coat's finger tests.", out: object{"feels", []coat.Feel{}}},
		"POST " + v1 + "/coats/{id}/feels":    {tag: tWork, say: "A finger test of this coat.", in: coat.Feel{}, need: []string{"at", "state"}, code: 201, out: created{}, errors: []int{409, 507}, key: true},
		"POST " + v1 + "/batches/{id}/end":    {tag: tWork, say: "A cup is empty or thrown away.", in: web.BatchEnd{}, out: idAnswer{}, errors: []int{409, 507}, key: true},
		"GET " + v1 + "/panels/{id}/record":   {tag: tWork, say: "The cure record of a panel's piece.", query: []param{{"format", "string", false, "html (the default), json or csv"}}, outType: []string{"text/html", "text/csv", "application/json"}, errors: sums},
		"GET " + v1 + "/panels/{id}/laminate": {tag: tStock, say: "What each coat left on a panel: fibre fraction and g/m².", out: laminateAnswer{}},
		"GET " + v1 + "/pieces/{id}/bill":     {tag: tStock, say: "What a piece took, wasted and cost.", out: billAnswer{}},

		"POST " + v1 + "/readings": {tag: tProbes, say: "Push readings. One that is not written as a reading is refused for itself; where none is, or the body is no array, all is refused.",
			in: []web.PushReading{}, need: []string{"probe"}, code: 202, out: web.PushResult{}, errors: []int{507}},
		"GET " + v1 + "/readings": {tag: tProbes, say: "One probe's readings, streamed.", query: []param{{"probe", "string", true, "its id"}, {"from", "time", false, "default: 24 h ago"}, {"to", "time", false, "default: now"},
			{"max", "integer", false, "from 8 to 100000: thins them, peaks kept, a row of nulls marking each gap"}, {"format", "string", false, "json (the default) or csv"}},
			out: object{"probe", "", "readings", []readingRow{}}, outType: []string{"text/csv"}, errors: []int{404, 429, 503}},
		"GET " + v1 + "/probes":         {tag: tProbes, say: "Every probe with its health. \"now\" is null unless its reading is fresh.", out: object{"probes", []web.ProbeView{}}},
		"PUT " + v1 + "/probes/{id}":    {tag: tProbes, say: "Name a probe, put it on a panel, accept it.", in: web.ProbePatch{}, out: idAnswer{}, errors: []int{409, 507}},
		"DELETE " + v1 + "/probes/{id}": {tag: tProbes, say: "Forget a pushed probe; one that is wired, named in the file or used is a conflict.", out: idAnswer{}, errors: []int{409, 507}},

		"GET " + v1 + "/alerts":           {tag: tAlerts, say: "Alerts that fire or are acknowledged.", query: []param{{"all", "boolean", false, "true: also those that are over"}}, out: object{"alerts", []alerts.Alert{}}},
		"POST " + v1 + "/alerts/{id}/ack": {tag: tAlerts, say: "An alert has been seen.", in: struct{}{}, out: idAnswer{}, errors: []int{409, 507}},
		"POST " + v1 + "/sound/test":      {tag: tAlerts, say: "Sound a channel, or say whether its test was heard.", in: web.SoundTest{}, need: []string{"channel"}, out: object{"channel", ""}, errors: []int{404, 502}},

		"GET " + v1 + "/settings": {tag: tBoard, say: "What a person may set, and what the daemon says of itself.", out: web.SettingsView{}},
		"PUT " + v1 + "/settings": {tag: tBoard, say: "Set some of it; what is left out stays.", in: web.SettingsPatch{}, patch: true, out: web.SettingsView{}, errors: []int{507}},
		"POST " + v1 + "/clock":   {tag: tBoard, say: "Use this phone's time. One by which the board was off for over a day, was started before its last record, or had a coat cure on for over half an hour, is answered by 409 with \"confirm\": repeat it with that.", in: web.ClockTime{}, need: []string{"time"}, out: object{"now", time.Time{}}, errors: []int{409, 507}},

		"GET " + v1 + "/air": {tag: tSums, say: "Moist air at a point.", query: []param{{"temp", "number", true, "of the air, °C"}, {"rh", "number", true, "its relative humidity, %"},
			{"panel", "number", false, "the panel's temperature, °C"}, {"pressure", "number", false, "Pa, default 101325"}}, out: air.Result{}},
		"GET " + v1 + "/cure": {tag: tSums, say: "One epoxy at a steady temperature.", query: []param{{"resin", "string", true, "its name"}, {"temp", "number", true, "°C from -20 to 120"},
			{"kappa", "number", false, "speed against the sheet, from 0.1 to 10, default 1"}, {"diffusion", "boolean", false, "default true"}}, out: cure.SteadyResult{}, errors: []int{404}},
		"GET " + v1 + "/pot": {tag: tSums, say: "One cup: how long it can be used and how hot it gets.", query: []param{{"resin", "string", true, "its name"}, {"grams", "number", true, "in the cup, g"}, {"shape", "string", false, "cup (the default), tray or bond"},
			{"diameter_mm", "number", false, "of the cup, mm"}, {"depth_mm", "number", false, "of tray or bond, mm"}, {"shop", "number", true, "the shop's air, °C"}, {"start", "number", false, "the mix when it was mixed, °C; default the shop's"}}, out: pot.Result{}, errors: sums},
		"POST " + v1 + "/mix":        {tag: tSums, say: "What to mix, in batches that are used in time, and how the pouring stands.", in: web.MixQuery{}, need: []string{"resin"}, patch: true, out: mixAnswer{}},
		"POST " + v1 + "/plan":       {tag: tSums, say: "A layup day, from the keys of a job file, or with \"job\" what is left of a stored one.", loose: "A job file's keys as JSON: docs/plan.md.", out: planned, errors: sums},
		"POST " + v1 + "/resins/fit": {tag: tSums, say: "An epoxy from its data sheet.", loose: "A sheet file's keys as JSON: examples/sheet.toml.", out: cure.FitResult{}, errors: sums},

		"GET " + v1 + "/stock.csv":     {tag: tStock, say: "The containers as a file.", outType: []string{"text/csv"}},
		"POST " + v1 + "/stock/import": {tag: tStock, say: "Such a file, read in whole or not at all; known ids are corrected.", in: web.StockFile{}, need: []string{"csv"}, out: stockRead{}, errors: []int{409, 507}, key: true},
		"GET " + v1 + "/stock":         {tag: tStock, say: "Every container with what is left, and where the written jobs run out.", out: stockAnswer{}},

		"GET " + v1 + "/tent":          {tag: tTent, say: "The tent.", out: web.TentView{}, errors: []int{404}},
		"PUT " + v1 + "/tent/setpoint": {tag: tTent, say: "Hold a set point, within the file's limits.", in: web.TentPoint{}, need: []string{"set_point_c"}, out: web.TentView{}, errors: []int{404, 409, 507}},
		"POST " + v1 + "/tent/off":     {tag: tTent, say: "Heat off, until a person switches it on.", in: web.TentOffWhy{}, out: web.TentView{}, errors: []int{404, 507}},
		"POST " + v1 + "/tent/solvent": {tag: tTent, say: "Solvent is in use: no heat for 30 minutes.", out: web.TentView{}, errors: []int{404, 507}},
		"POST " + v1 + "/tent/release": {tag: tTent, say: "Somebody has looked: take back what safety latched.", out: web.TentView{}, errors: []int{404, 409, 507}},
		"POST " + v1 + "/tent/accept":  {tag: tTent, say: "Accept the heater's limits in force. Only through the board's own socket: no log-in may.", in: web.TentAcceptance{}, need: []string{"limits_hash"}, out: web.TentView{}, errors: []int{404, 409, 507}},
		"PUT " + v1 + "/tent/resume":   {tag: tTent, say: "Whether heat comes back by itself after a power cut.", in: web.TentResume{}, need: []string{"on"}, out: web.TentView{}, errors: []int{404, 507}},
		"POST " + v1 + "/tent/aim":     {tag: tTent, say: "Plan the set points that land a coat's window, make it hard, keep it from stalling, or soak it; with \"apply\" they are followed.", in: tentplan.AimWish{}, need: []string{"coat", "wish"}, out: tentplan.TentPlan{}, errors: []int{404, 429, 503, 507}},
		"DELETE " + v1 + "/tent/aim":   {tag: tTent, say: "Back to the plain hold.", out: web.TentView{}, errors: []int{404, 507}},

		"GET " + v1 + "/memory":         {tag: tStock, say: "What the shop's own coats taught, each claim with its coats.", out: learnt.MemoryView{}, errors: []int{429, 503}},
		"POST " + v1 + "/memory/forget": {tag: tStock, say: "Forget it all, or what was learnt of a coat, a resin, a lot or somebody's finger.", in: learnt.MemoryForget{}, out: learnt.MemoryForgot{}, errors: []int{507}},
		"GET " + v1 + "/memory/file":    {tag: tBoard, say: "What was learnt as one file; what=lots: of resins and lots alone, as a yard may share it.", query: []param{{name: "what", kind: "string", say: "lots, or nothing for all of it"}}, outType: []string{"application/json"}},
		"POST " + v1 + "/memory/file":   {tag: tBoard, say: "Take such a file from another board, whole or not at all.", loose: "docs/memory.md", out: learnt.MemoryTaken{}, errors: []int{413, 507}},
		"GET " + v1 + "/backup":         {tag: tBoard, say: "The whole store as one file.", outType: []string{"application/vnd.sqlite3"}, errors: sums},
		"POST " + v1 + "/backup":        {tag: tBoard, say: "Such a file back; \"next\" says when it is in place.", inType: "application/octet-stream", out: object{"next", ""}, errors: []int{409, 413, 507}},
		"POST " + v1 + "/paircodes":     {tag: tLogins, say: "A code that a phone or a program logs in with, good once, for ten minutes.", in: web.NewPairCode{}, need: []string{"role"}, code: 201, out: web.PairCode{}, errors: []int{429}},
		"GET " + v1 + "/tokens":         {tag: tLogins, say: "The log-ins.", out: object{"tokens", []web.TokenInfo{}}},
		"DELETE " + v1 + "/tokens/{id}": {tag: tLogins, say: "End a log-in.", out: idAnswer{}, errors: []int{507}},

		"GET " + v1 + "/jobs":               {tag: tJob, say: "The jobs.", out: object{"jobs", []web.JobHead{}}},
		"GET " + v1 + "/jobs/templates":     {tag: tJob, say: "The jobs that a new one can be written from.", out: object{"templates", []job.Template{}}},
		"GET " + v1 + "/jobs/{id}":          {tag: tJob, say: "One job with its steps and what was done of each.", out: web.JobView{}},
		"GET " + v1 + "/jobs/{id}/file":     {tag: tJob, say: "The same as a job file, TOML.", outType: []string{"text/plain"}},
		"GET " + v1 + "/next":               {tag: tJob, say: "The one next step of every panel that lies up.", query: []param{{"panel", "string", false, "only of this one"}}, out: object{"at", time.Time{}, "next", []job.Next{}}},
		"GET " + v1 + "/entries":            {tag: tJob, say: "What was entered, newest first.", query: []param{{"limit", "integer", false, "from 1 to 200, default 20"}}, out: object{"entries", []web.EntryView{}}},
		"POST " + v1 + "/jobs":              {tag: tJob, say: "Write a job, with its piece and panels, at once.", in: web.NewJob{}, code: 201, out: web.Entered{}, errors: []int{409, 507}, key: true},
		"POST " + v1 + "/feel":              {tag: tJob, say: "A finger test, by coat, by panel or by step.", in: job.Felt{}, need: []string{"state"}, code: 201, out: web.Entered{}, errors: []int{404, 409, 507}, key: true},
		"POST " + v1 + "/undo":              {tag: tJob, say: "Take the newest entry back as a whole.", in: struct{}{}, code: 201, out: web.Undone{}, errors: []int{404, 409, 507}, key: true},
		"POST " + v1 + "/entries/{id}/undo": {tag: tJob, say: "Take this entry back as a whole.", in: struct{}{}, code: 201, out: web.Undone{}, errors: []int{409, 507}, key: true},
		"POST " + v1 + "/jobs/{id}/done":    {tag: tJob, say: "A step was done: one tap enters all of it.", in: job.Done{}, need: []string{"step"}, code: 201, out: web.Entered{}, errors: []int{409, 507}, key: true},
		"POST " + v1 + "/jobs/{id}/mixed":   {tag: tJob, say: "A planned cup was mixed.", in: job.Mixed{}, need: []string{"step"}, code: 201, out: web.Entered{}, errors: []int{409, 507}, key: true},
		"POST " + v1 + "/jobs/{id}/feel":    {tag: tJob, say: "A finger test at a step.", in: job.Felt{}, need: []string{"state"}, code: 201, out: web.Entered{}, errors: []int{409, 507}, key: true},
		"POST " + v1 + "/jobs/{id}/insert":  {tag: tJob, say: "A step more, before or after another.", in: web.JobInsert{}, need: []string{"step"}, code: 201, out: web.Entered{}, errors: []int{409, 507}, key: true},
	}
	for what, say := range map[string]string{
		"skip": "A step is left out.", "later": "A step is put off.", "repeat": "A step is done once more.",
		"reopen": "A step that was entered is open again.", "settle": "Of two entries that contradict each other, which is right.",
	} {
		m["POST "+v1+"/jobs/{id}/"+what] = op{tag: tJob, say: say, in: job.Put{}, need: []string{"step"}, code: 201, out: web.Entered{}, errors: []int{409, 507}, key: true}
	}
	for _, same := range []string{"POST /pair", "POST /logout", "GET /events"} {
		method, path, _ := strings.Cut(same, " ")
		m[method+" "+v1+path] = m[same]
	}
	for _, k := range []struct {
		word, one string
		v         any
		need      []string
		more      bool // it has no list of its own here
	}{
		{"pieces", "A piece", coat.Piece{}, nil, false},
		{"panels", "A panel", coat.Panel{}, nil, false},
		{"batches", "A mixed cup", coat.Batch{}, []string{"resin"}, false},
		{"coats", "A coat", coat.Coat{}, []string{"panel", "resin", "kind"}, true},
		{"feels", "A finger test", coat.Feel{}, []string{"coat", "state"}, false},
		{"resins", "An epoxy", cure.Resin{}, []string{"name"}, false},
		{"stock", "A container", coat.Stock{}, []string{"part", "full_g"}, true},
		{"jobs", "A job", job.Schedule{}, nil, true},
		{"ticks", "What was done of a step", job.Tick{}, nil, true},
	} {
		tag, path := tWork, v1+"/"+k.word
		if k.word == "stock" {
			tag = tStock
		} else if k.word == "jobs" || k.word == "ticks" {
			tag = tJob
		}
		m["PATCH "+path+"/{id}"] = op{tag: tag, say: k.one + " is put right: null clears a key.", in: k.v, patch: true, out: idAnswer{}, errors: []int{409, 507}, key: true}
		m["DELETE "+path+"/{id}"] = op{tag: tag, say: k.one + " is taken out; it stays in the history of the record.", out: idAnswer{}, errors: []int{409, 507}, key: true}
		if tag == tJob {
			continue
		}
		m["POST "+path] = op{tag: tag, say: k.one + " more.", in: k.v, need: k.need, code: 201, out: created{}, errors: []int{409, 507}, key: true}
		if k.word != "coats" {
			m["GET "+path+"/{id}"] = op{tag: tag, say: k.one + " with what was changed.", out: object{"record", k.v, "changes", []web.Change{}}}
		}
		if !k.more {
			list := reflect.MakeSlice(reflect.SliceOf(reflect.TypeOf(k.v)), 0, 0).Interface()
			m["GET "+path] = op{tag: tag, say: "All of them, as they stand.", out: object{k.word, list}}
		}
	}
	return m
}()

// Errors by status. Every one has the same body.
var openAPIErrors = map[int][2]string{
	400: {"BadRequest", "Something is wrong with the request; every fault at once, each with its field."},
	401: {"LoggedOut", "No log-in, or one that is not known any more."},
	403: {"NotAllowed", "The log-in may not, or the request does not come from our own page or by our own name."},
	404: {"NotFound", "There is no such thing."},
	409: {"Conflict", "It clashes with the record; \"confirm\" where repeating it with that would do."},
	413: {"TooLarge", "The body is too large."},
	429: {"TooMany", "Too many tries, or too much asked for at once; Retry-After says when."},
	502: {"NotSent", "The other end did not take it."},
	503: {"Busy", "The board has too much to do, or a part of it stands; Retry-After says when."},
	507: {"NotKept", "The store has no room or cannot write: nothing was entered."},
}

// Examples of the errors that a test does not bring a healthy daemon to.
var rareErrors = map[int]string{
	502: "not sent: phone: the server answers 503",
	503: "this takes the board too long: ask for less of it",
	507: "not kept: no space left on the card: nothing was entered",
}

// Enumerations, by type: JSON has no other word for them.
var openAPIEnums = map[reflect.Type][]string{
	reflect.TypeFor[web.Role]():        {"look", "record", "push", "control"},
	reflect.TypeFor[coat.State]():      {"wet", "tacky", "green", "firm", "hard", "unknown"},
	reflect.TypeFor[alerts.Severity](): {"danger", "act", "soon", "note"},
}

// Keys whose Go type does not say what they hold: raw JSON that another part
// wrote, or a type that writes itself as another.
var openAPIKeys = map[string]any{
	"Snapshot.probes":  []web.ProbeView{},
	"TentView.aim":     (*tentplan.TentPlan)(nil),
	"TentView.offers":  (*[]tentplan.TentOffer)(nil),
	"TentView.learned": (*tentplan.TentLearned)(nil),
}

// spec builds the document.
type spec struct {
	t       *testing.T
	schemas map[string]any
	named   map[string]reflect.Type
	docs    map[string]*source
}

// lack is a fault, but while the examples are being made.
func (s *spec) lack(format string, a ...any) {
	if s.t.Helper(); *update {
		s.t.Logf(format, a...)
		return
	}
	s.t.Errorf(format, a...)
}

func (s *spec) schema(t reflect.Type, in, patch bool) map[string]any {
	switch {
	case t == reflect.TypeFor[time.Time]():
		return map[string]any{"type": "string", "format": "date-time"}
	case t == reflect.TypeFor[sensors.Value]():
		return map[string]any{"type": []string{"number", "null"}}
	case t == reflect.TypeFor[cure.Range]():
		return map[string]any{"type": "array", "items": map[string]any{"type": "number"}, "minItems": 2, "maxItems": 2}
	case t == reflect.TypeFor[json.RawMessage]():
		return map[string]any{}
	case openAPIEnums[t] != nil:
		name := s.name(t)
		s.schemas[name] = map[string]any{"type": "string", "enum": openAPIEnums[t], "description": s.said(t).text}
		return ref(name)
	}
	switch t.Kind() {
	case reflect.Pointer:
		return orNull(s.schema(t.Elem(), in, patch))
	case reflect.String:
		return map[string]any{"type": "string"}
	case reflect.Bool:
		return map[string]any{"type": "boolean"}
	case reflect.Int, reflect.Int64, reflect.Int32:
		return map[string]any{"type": "integer"}
	case reflect.Uint64, reflect.Uint32, reflect.Uint:
		return map[string]any{"type": "integer", "minimum": 0}
	case reflect.Float64:
		return map[string]any{"type": "number"}
	case reflect.Slice:
		return map[string]any{"type": "array", "items": s.schema(t.Elem(), in, patch)}
	case reflect.Array:
		return map[string]any{"type": "array", "items": s.schema(t.Elem(), in, patch), "minItems": t.Len(), "maxItems": t.Len()}
	case reflect.Map:
		return map[string]any{"type": "object", "additionalProperties": s.schema(t.Elem(), in, patch)}
	case reflect.Struct:
		if t.Name() == "" {
			return s.object(t, in, patch)
		}
		name := s.name(t)
		if patch {
			name += "Patch"
		} else if in {
			name += "Input"
		}
		if _, done := s.schemas[name]; !done {
			s.schemas[name] = nil // it may hold itself
			s.schemas[name] = s.object(t, in, patch)
		}
		return ref(name)
	}
	s.t.Fatalf("%v: the document has no word for it", t)
	return nil
}

func ref(name string) map[string]any {
	return map[string]any{"$ref": "#/components/schemas/" + name}
}

func orNull(m map[string]any) map[string]any {
	if t, ok := m["type"].(string); ok && m["description"] == nil {
		m["type"] = []string{t, "null"}
		return m
	}
	if len(m) == 0 || reflect.DeepEqual(m["type"], []string{"number", "null"}) {
		return m
	}
	return map[string]any{"anyOf": []any{m, map[string]any{"type": "null"}}}
}

// name is a type's name in the document: its own, with its package's before it
// where two have the same.
func (s *spec) name(t reflect.Type) string {
	n := strings.ToUpper(t.Name()[:1]) + t.Name()[1:]
	if at, ok := s.named[n]; ok && at != t {
		p := filepath.Base(t.PkgPath())
		n = strings.ToUpper(p[:1]) + p[1:] + n
	}
	s.named[n] = t
	return n
}

// jsonField is one key of a struct as encoding/json writes it.
type jsonField struct {
	name  string
	f     reflect.StructField
	owner reflect.Type
	omit  bool
	depth int
}

// jsonFields flattens embedded structs by encoding/json's rule: the shallowest
// key of a name counts.
func jsonFields(t reflect.Type, depth int) []jsonField {
	var out []jsonField
	put := func(n jsonField) {
		for i, o := range out {
			if o.name == n.name {
				if n.depth < o.depth {
					out[i] = n
				}
				return
			}
		}
		out = append(out, n)
	}
	for f := range t.Fields() {
		tag := f.Tag.Get("json")
		name, opts, _ := strings.Cut(tag, ",")
		if tag == "-" {
			continue
		}
		ft := f.Type
		if ft.Kind() == reflect.Pointer {
			ft = ft.Elem()
		}
		if f.Anonymous && name == "" && ft.Kind() == reflect.Struct {
			for _, n := range jsonFields(ft, depth+1) {
				put(n)
			}
			continue
		}
		if !f.IsExported() {
			continue
		}
		if name == "" {
			name = f.Name
		}
		put(jsonField{name, f, t, strings.Contains(opts, "omitempty") || strings.Contains(opts, "omitzero"), depth})
	}
	return out
}

func (s *spec) object(t reflect.Type, in, patch bool) map[string]any {
	props, need := map[string]any{}, []string{}
	for _, f := range jsonFields(t, 0) {
		ft := f.f.Type
		if v, ok := openAPIKeys[t.Name()+"."+f.name]; ok {
			ft = reflect.TypeOf(v)
		}
		p := s.schema(ft, in, patch)
		if patch {
			p = orNull(p)
		}
		if d := s.said(f.owner).fields[f.f.Name]; d != "" {
			p = maps.Clone(p)
			p["description"] = d
		}
		props[f.name] = p
		if !f.omit && !in && !patch {
			need = append(need, f.name)
		}
	}
	m := map[string]any{"type": "object", "properties": props}
	if len(need) > 0 {
		m["required"] = need
	}
	if in || patch {
		m["additionalProperties"] = false
	}
	if d := s.said(t).text; d != "" {
		m["description"] = d
	}
	return m
}

// source is what the comments of a type say.
type source struct {
	text   string
	fields map[string]string // by Go name
}

// said reads the comments of a type where it is declared.
func (s *spec) said(t reflect.Type) *source {
	none := &source{}
	rel, ours := strings.CutPrefix(t.PkgPath(), "curewright/")
	if !ours || t.Name() == "" {
		return none
	}
	key := t.PkgPath() + "." + t.Name()
	if _, done := s.docs[t.PkgPath()]; !done {
		s.docs[t.PkgPath()] = none
		files, err := filepath.Glob(filepath.Join("../..", rel, "*.go"))
		testkit.OK(s.t, err)
		fset := token.NewFileSet()
		for _, f := range files {
			a, err := parser.ParseFile(fset, f, nil, parser.ParseComments)
			testkit.OK(s.t, err)
			for _, d := range a.Decls {
				g, ok := d.(*ast.GenDecl)
				if !ok || g.Tok != token.TYPE {
					continue
				}
				for _, sp := range g.Specs {
					ts := sp.(*ast.TypeSpec)
					text := ts.Doc.Text()
					if text == "" {
						text = g.Doc.Text()
					}
					src := &source{text: plainDoc(text), fields: map[string]string{}}
					if st, ok := ts.Type.(*ast.StructType); ok {
						for _, fl := range st.Fields.List {
							d := plainDoc(strings.TrimSpace(fl.Doc.Text() + " " + fl.Comment.Text()))
							for _, n := range fl.Names {
								src.fields[n.Name] = d
							}
						}
					}
					s.docs[t.PkgPath()+"."+ts.Name.Name] = src
				}
			}
		}
	}
	if src := s.docs[key]; src != nil {
		return src
	}
	return none
}

var docLink = regexp.MustCompile(`\[([A-Za-z.]+)\]`)

// plainDoc is a Go comment in one line, without its links.
func plainDoc(text string) string {
	var p comment.Printer
	p.TextWidth = -1
	text = string(p.Text(new(comment.Parser).Parse(text)))
	return docLink.ReplaceAllString(strings.Join(strings.Fields(text), " "), "$1")
}

func (s *spec) answer(v any) map[string]any {
	o, ok := v.(object)
	if !ok {
		return s.schema(reflect.TypeOf(v), false, false)
	}
	props, need := map[string]any{}, []string{}
	for i := 0; i < len(o); i += 2 {
		name := o[i].(string)
		props[name] = s.schema(reflect.TypeOf(o[i+1]), false, false)
		need = append(need, name)
	}
	return map[string]any{"type": "object", "properties": props, "required": need}
}

// example is one request that was really made of the real daemon, and what came.
type example struct {
	Request json.RawMessage `json:"request,omitempty"`
	Answer  json.RawMessage `json:"answer,omitempty"`
	Text    string          `json:"text,omitempty"` // of an answer that is no JSON
}

var pathParam = regexp.MustCompile(`\{(\w+)\}`)

func buildSpec(t *testing.T) []byte {
	s := &spec{t: t, schemas: map[string]any{}, named: map[string]reflect.Type{}, docs: map[string]*source{}}
	var ex struct {
		Calls  map[string]example `json:"calls"`
		Errors map[string]example `json:"errors"`
	}
	testkit.OK(t, json.Unmarshal(testkit.MustRead(t, examplesFile), &ex))
	s.schemas["Errors"] = map[string]any{
		"type": "object", "required": []string{"error"}, "additionalProperties": false,
		"properties": map[string]any{
			"error":   map[string]any{"type": "array", "minItems": 1, "items": s.schema(reflect.TypeFor[web.Fault](), false, false)},
			"confirm": map[string]any{"type": "string", "description": "of a 409: repeat the request with this as its \"confirm\""},
		},
	}
	responses := map[string]any{}
	for code, e := range openAPIErrors {
		body := map[string]any{"schema": ref("Errors")}
		if x, ok := ex.Errors[strconv.Itoa(code)]; ok && x.Answer != nil {
			body["example"] = x.Answer
		} else if what := rareErrors[code]; what != "" {
			body["example"] = map[string]any{"error": web.Faults{{What: what}}}
		} else {
			s.lack("no example of a %d", code)
		}
		responses[e[0]] = map[string]any{"description": e[1], "content": map[string]any{"application/json": body}}
	}
	paths := map[string]map[string]any{}
	seen := map[string]bool{}
	for _, rt := range web.APIRoutes() {
		name := rt.Method + " " + rt.Path
		o, ok := openAPIOps[name]
		if rt.Path == "/pair" && rt.Method == "GET" {
			continue // the page itself
		}
		if !ok {
			t.Errorf("%s: a route that the document has no words for: add them to openAPIOps", name)
			continue
		}
		seen[name] = true
		x := ex.Calls[name]
		m := map[string]any{
			"operationId": operationID(rt.Method, rt.Path), "summary": o.say, "tags": []string{o.tag}, "x-role": rt.Role,
		}
		errs := slices.Clone(o.errors)
		add := func(codes ...int) {
			for _, c := range codes {
				if !slices.Contains(errs, c) {
					errs = append(errs, c)
				}
			}
		}
		if rt.Role == "" {
			m["security"] = []any{}
			m["description"] = "Needs no log-in."
		} else {
			m["description"] = fmt.Sprintf("Needs the role %s.", rt.Role)
			add(401)
		}
		if rt.Path != "/healthz" {
			add(403)
		}
		var params []any
		for _, p := range pathParam.FindAllStringSubmatch(rt.Path, -1) {
			params = append(params, map[string]any{"name": p[1], "in": "path", "required": true, "schema": map[string]any{"type": "string"}, "example": map[string]string{"id": "lid-a", "token": "q7GkXw"}[p[1]]})
			add(404)
		}
		for _, p := range o.query {
			sch := map[string]any{"type": p.kind}
			if p.kind == "time" {
				sch = map[string]any{"type": "string", "format": "date-time"}
			}
			q := map[string]any{"name": p.name, "in": "query", "description": p.say, "schema": sch, "example": paramExamples[p.name]}
			if p.must {
				q["required"] = true
			}
			if paramExamples[p.name] == nil {
				s.lack("%s: no example of %s", name, p.name)
			}
			params = append(params, q)
		}
		if len(o.query) > 0 || o.out != nil && rt.Method == "GET" && rt.Role != "" {
			add(400) // an unknown parameter
		}
		if o.key {
			params = append(params, map[string]any{"$ref": "#/components/parameters/IdempotencyKey"})
			add(400)
		}
		if params != nil {
			m["parameters"] = params
		}
		if o.in != nil || o.loose != "" || o.inType != "" {
			add(400, 413)
			body, kind := map[string]any{}, "application/json"
			switch {
			case o.inType != "":
				kind, body["schema"] = o.inType, map[string]any{"type": "string", "format": "binary"}
			case o.loose != "":
				body["schema"] = map[string]any{"type": "object", "description": o.loose}
			default:
				body["schema"] = s.body(o)
			}
			if o.inType == "" {
				if x.Request == nil {
					s.lack("%s: no example of its request", name)
				}
				body["example"] = x.Request
			}
			_, empty := o.in.(struct{})
			m["requestBody"] = map[string]any{"required": !empty && len(o.need) > 0 || o.loose != "" || o.patch, "content": map[string]any{kind: body}}
		}
		code := o.code
		if code == 0 {
			code = http.StatusOK
		}
		content := map[string]any{}
		if o.out != nil {
			c := map[string]any{"schema": s.answer(o.out)}
			if x.Answer != nil {
				c["example"] = x.Answer
			} else if rt.Path != "/api/v1/openapi.json" {
				s.lack("%s: no example of its answer", name)
			}
			content["application/json"] = c
		}
		for _, k := range o.outType {
			c := map[string]any{"schema": map[string]any{"type": "string"}}
			if strings.HasPrefix(k, "text/") && x.Text != "" {
				c["example"] = x.Text
			}
			if k == "application/json" {
				c["schema"] = map[string]any{"type": "object"}
			}
			content[k] = c
		}
		rs := map[string]any{strconv.Itoa(code): map[string]any{"description": "Done.", "content": content}}
		for _, c := range errs {
			if openAPIErrors[c][0] == "" {
				t.Fatalf("%s: no words for a %d", name, c)
			}
			if strings.HasPrefix(rt.Path, "/ack/") && c != 403 { // a page for a person
				rs[strconv.Itoa(c)] = map[string]any{"description": openAPIErrors[c][1], "content": content}
				continue
			}
			rs[strconv.Itoa(c)] = map[string]any{"$ref": "#/components/responses/" + openAPIErrors[c][0]}
		}
		if rt.Path == "/readyz" {
			rs["503"] = rs["200"]
		}
		m["responses"] = rs
		if paths[rt.Path] == nil {
			paths[rt.Path] = map[string]any{}
		}
		paths[rt.Path][strings.ToLower(rt.Method)] = m
	}
	for name := range openAPIOps {
		if !seen[name] {
			t.Errorf("%s: words for a route that is not there", name)
		}
	}
	doc := map[string]any{
		"openapi": "3.1.0",
		"info": map[string]any{
			"title": "curewright", "version": "1",
			"license":     map[string]any{"name": "Apache-2.0", "identifier": "Apache-2.0"},
			"description": "Times are RFC 3339, temperatures °C (those within a sentence °F for a request with the header \"Prefer: units=us\"), a missing value is null and never a number. Every fault of a request is one entry of \"error\". Answers may get more keys; requests with unknown keys are refused. On the board itself the roles look and record need no log-in; its Unix socket has the role control.",
		},
		"servers":  []any{map[string]any{"url": "http://127.0.0.1:8374", "description": "the board itself"}},
		"security": []any{map[string]any{"token": []any{}}, map[string]any{"cookie": []any{}}},
		"paths":    paths,
		"components": map[string]any{
			"schemas": s.schemas, "responses": responses,
			"parameters": map[string]any{"IdempotencyKey": map[string]any{
				"name": "Idempotency-Key", "in": "header", "description": "One word that is the request's own: sent again with it, it is entered once.",
				"schema": map[string]any{"type": "string", "minLength": 1, "maxLength": 128}, "example": "8e0c2b7d-1",
			}},
			"securitySchemes": map[string]any{
				"token":  map[string]any{"type": "http", "scheme": "bearer", "description": "what `curewright pair` hands out"},
				"cookie": map[string]any{"type": "apiKey", "in": "cookie", "name": web.CookieName, "description": "what pairing sets in a browser"},
			},
		},
	}
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", " ")
	testkit.OK(t, enc.Encode(doc))
	return bytes.TrimSpace(buf.Bytes())
}

// body is a request's schema: its type's, with the keys that must be there.
func (s *spec) body(o op) map[string]any {
	t := reflect.TypeOf(o.in)
	if t.Kind() == reflect.Slice {
		return map[string]any{"type": "array", "maxItems": 10000, "items": s.needing(t.Elem(), o)}
	}
	return s.needing(t, o)
}

func (s *spec) needing(t reflect.Type, o op) map[string]any {
	m := s.schema(t, true, o.patch)
	if len(o.need) == 0 {
		return m
	}
	return map[string]any{"allOf": []any{m}, "required": o.need}
}

var paramExamples = map[string]any{"what": "lots",
	"all": true, "from": "2026-10-10T08:00:00Z", "to": "2026-10-10T20:00:00Z", "points": 120, "format": "json", "probe": "panel-1", "max": 600,
	"temp": 18.5, "rh": 62, "panel": "lid-a", "pressure": 101325, "resin": "medium", "kappa": 1.1, "diffusion": true,
	"grams": 180, "shape": "cup", "diameter_mm": 80, "depth_mm": 12, "shop": 17, "start": 21, "limit": 20,
}

func operationID(method, path string) string {
	w := strings.FieldsFunc(strings.TrimPrefix(path, "/api/v1"), func(r rune) bool { return strings.ContainsRune("/{}._-", r) })
	id := strings.ToLower(method)
	if !strings.HasPrefix(path, "/api/v1") {
		id += "Root"
	}
	for _, x := range w {
		id += strings.ToUpper(x[:1]) + x[1:]
	}
	return id
}

// TestOpenAPI: the document that is served is what the routes and the types
// make; a route without words, or words without a route, fails it.
func TestOpenAPI(t *testing.T) {
	got := buildSpec(t)
	if *update && !t.Failed() {
		var packed bytes.Buffer
		z, _ := gzip.NewWriterLevel(&packed, gzip.BestCompression)
		z.Write(append(got, '\n')) // into memory: cannot fail
		z.Close()
		for name, b := range map[string][]byte{openAPIFile: append(got, '\n'), openAPIFile + ".gz": packed.Bytes()} {
			testkit.OK(t, os.WriteFile(name, b, 0o644))
		}
		return
	}
	z, err := gzip.NewReader(bytes.NewReader(testkit.MustRead(t, openAPIFile+".gz")))
	testkit.OK(t, err)
	if packed, err := io.ReadAll(z); err != nil || !bytes.Equal(packed, testkit.MustRead(t, openAPIFile)) {
		t.Errorf("dashboards/web/openapi.json.gz is not openapi.json packed (%v): go test ./internal/daemon -run OpenAPI -update", err)
	}
	if was := bytes.TrimSpace(testkit.MustRead(t, openAPIFile)); !bytes.Equal(was, got) {
		i := 0
		for i < len(was) && i < len(got) && was[i] == got[i] {
			i++
		}
		t.Errorf("dashboards/web/openapi.json is not what the routes make, from byte %d: go test ./internal/daemon -run OpenAPI -update\n%.200s\n%.200s", i, was[max(0, i-60):], got[max(0, i-60):])
	}
}
