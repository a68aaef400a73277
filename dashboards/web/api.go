// SPDX-License-Identifier: Apache-2.0

package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"reflect"
	"strings"
	"time"

	"curewright/alerts"
)

func (s *Server) healthz(w http.ResponseWriter, r *http.Request) {
	s.answer(w, r, http.StatusOK, map[string]bool{"alive": true})
}

func (s *Server) readyz(w http.ResponseWriter, r *http.Request) {
	late := orEmpty(s.b.Ready(r.Context()))
	code := http.StatusOK
	if len(late) > 0 {
		code = http.StatusServiceUnavailable
	}
	s.answer(w, r, code, map[string]any{"ready": len(late) == 0, "late": late})
}

func (s *Server) snapshot(w http.ResponseWriter, r *http.Request) {
	if !s.query(w, r) {
		return
	}
	snap, err := s.b.Snapshot(r.Context())
	if err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, snap)
}

func (s *Server) whoami(w http.ResponseWriter, r *http.Request) {
	who := whoOf(r)
	// Whether there is a tent is said here, so that a page need not ask for one
	// that is not there.
	tent := false
	if t := s.b.HeatedTent(); t != nil {
		_, err := t.Tent(r.Context())
		tent = err == nil
	}
	s.answer(w, r, http.StatusOK, map[string]any{"name": who.Name, "role": who.Role, "version": s.cfg.Version, "tent": tent})
}

func (s *Server) probes(w http.ResponseWriter, r *http.Request) {
	if !s.query(w, r) {
		return
	}
	hs, err := s.b.Probes(r.Context())
	if err != nil {
		s.problem(w, r, err)
		return
	}
	out := []ProbeView{}
	now := s.b.Now()
	for _, h := range hs {
		out = append(out, ViewProbe(h, now))
	}
	s.answer(w, r, http.StatusOK, map[string]any{"probes": out})
}

var probeRoles = map[string]bool{"": true, "air": true, "panel": true, "pot": true, "outdoor": true, "tent": true}

func (s *Server) setProbe(w http.ResponseWriter, r *http.Request) {
	var q ProbePatch
	if !s.read(w, r, &q) {
		return
	}
	var f Faults
	if q.Name != nil && (strings.TrimSpace(*q.Name) == "" || len(*q.Name) > 60) {
		f = append(f, Fault{"name", "want 1 to 60 characters"})
	}
	if q.Role != nil && !probeRoles[*q.Role] {
		f = append(f, Fault{"role", "want air, panel, pot, outdoor, tent or nothing"})
	}
	if q.Name == nil && q.Role == nil && q.Panel == nil && q.Accepted == nil {
		f = append(f, Fault{"", "nothing to change"})
	}
	if f != nil {
		s.faults(w, r, http.StatusBadRequest, f)
		return
	}
	id := r.PathValue("id")
	if err := s.b.SetProbe(r.Context(), whoOf(r), id, q.Name, q.Role, q.Panel, q.Accepted); err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, idBody{ID: id})
}

func (s *Server) forgetProbe(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	if err := s.b.ForgetProbe(r.Context(), whoOf(r), id); err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, idBody{ID: id})
}

func (s *Server) alerts(w http.ResponseWriter, r *http.Request) {
	all, ok := s.flag(w, r, "all", false)
	if !ok {
		return
	}
	as, err := s.b.Alerts(r.Context(), all)
	if err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, map[string][]alerts.Alert{"alerts": orEmpty(as)})
}

func (s *Server) ack(w http.ResponseWriter, r *http.Request) {
	if !s.noBody(w, r) {
		return
	}
	id := r.PathValue("id")
	if err := s.b.Ack(r.Context(), whoOf(r), id); err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, idBody{ID: id})
}

// noBody accepts an empty body or an empty object.
func (s *Server) noBody(w http.ResponseWriter, r *http.Request) bool {
	if r.ContentLength == 0 {
		return true
	}
	b, ok := s.body(w, r, maxBody)
	if !ok {
		return false
	}
	if len(b) == 0 {
		return true
	}
	if f := decodeStrict(b, new(struct{}), false); f != nil {
		s.faults(w, r, http.StatusBadRequest, f)
		return false
	}
	return true
}

func (s *Server) testSound(w http.ResponseWriter, r *http.Request) {
	var q SoundTest
	if !s.read(w, r, &q) {
		return
	}
	if q.Channel == "" {
		s.fail(w, r, http.StatusBadRequest, "channel", "required")
		return
	}
	if err := s.b.TestSound(r.Context(), q.Channel, q.Heard); err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, map[string]string{"channel": q.Channel})
}

func (s *Server) settings(w http.ResponseWriter, r *http.Request) {
	if !s.query(w, r) {
		return
	}
	v, err := s.b.Settings(r.Context())
	if err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, v)
}

// SettingsPatch is what PUT /settings takes; the other keys of [SettingsView]
// are the daemon's to say.
type SettingsPatch struct {
	SleepFrom  *string  `json:"sleep_from"`
	SleepTo    *string  `json:"sleep_to"`
	LowC       *float64 `json:"low_c"`
	LowFor     *string  `json:"low_for"`
	Units      *string  `json:"units"`
	Clock      *string  `json:"clock"`
	ShopName   *string  `json:"shop_name"`
	FuelHeater *bool    `json:"fuel_heater"`
}

var readOnlySettings = fieldsOf(reflect.TypeFor[SettingsView]())

// over puts what the patch names over settings.
func (p SettingsPatch) over(v SettingsView) SettingsView {
	set(&v.SleepFrom, p.SleepFrom)
	set(&v.SleepTo, p.SleepTo)
	set(&v.LowFor, p.LowFor)
	set(&v.Units, p.Units)
	set(&v.Clock, p.Clock)
	set(&v.ShopName, p.ShopName)
	if p.LowC != nil {
		v.LowC = p.LowC
	}
	return v
}

func set[T any](to, from *T) {
	if from != nil {
		*to = *from
	}
}

// LowMinC and LowMaxC bound the overnight low that a person may name, °C, on the
// page and in the file alike.
const (
	LowMinC = -30
	LowMaxC = 35
)

// CheckSettings reports what is wrong with the settings that a person may set,
// all of it at once. There is no other check of them.
func CheckSettings(v SettingsView) Faults {
	var f Faults
	bad := func(field, format string, a ...any) { f = append(f, Fault{field, fmt.Sprintf(format, a...)}) }
	for _, c := range []struct{ field, v string }{{"sleep_from", v.SleepFrom}, {"sleep_to", v.SleepTo}} {
		if t, err := time.Parse("15:04", c.v); c.v != "" && (err != nil || t.Format("15:04") != c.v) {
			bad(c.field, "want a time of day such as 22:30, or nothing for none")
		}
	}
	if (v.SleepFrom == "") != (v.SleepTo == "") {
		bad("sleep_to", "from and to go together")
	}
	if v.LowC != nil && !(*v.LowC >= LowMinC && *v.LowC <= LowMaxC) {
		hint := ""
		if *v.LowC > LowMaxC && *v.LowC <= 95 {
			hint = "; is this °F?"
		}
		bad("low_c", "want °C from %d to %d%s", LowMinC, LowMaxC, hint)
	}
	if v.LowFor != "" {
		if _, err := time.Parse(time.DateOnly, v.LowFor); err != nil {
			bad("low_for", "want the date of that night such as 2026-10-10")
		}
	}
	if v.Units != "si" && v.Units != "us" {
		bad("units", "want si or us")
	}
	if v.Clock != "24h" && v.Clock != "12h" {
		bad("clock", "want 24h or 12h")
	}
	if n := len([]rune(v.ShopName)); n > 60 {
		bad("shop_name", "is longer than 60 characters")
	}
	return f
}

func (s *Server) putSettings(w http.ResponseWriter, r *http.Request) {
	b, ok := s.body(w, r, maxBody)
	if !ok {
		return
	}
	var p SettingsPatch
	f := decodeStrict(b, &p, true)
	for i, x := range f {
		if _, ro := readOnlySettings[x.Field]; ro && x.What == "unknown field" {
			f[i].What = "is said by the daemon and cannot be set"
		}
	}
	if f == nil {
		now, err := s.b.Settings(r.Context())
		if err != nil {
			s.problem(w, r, err)
			return
		}
		f = CheckSettings(p.over(now))
	}
	if f != nil {
		s.faults(w, r, http.StatusBadRequest, f)
		return
	}
	if err := s.b.PutSettings(r.Context(), whoOf(r), b); err != nil {
		s.problem(w, r, err)
		return
	}
	v, err := s.b.Settings(r.Context())
	if err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, v)
}

// Clock settings outside this span are a phone with no battery left, not a
// time.
var (
	earliestClock = time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
	latestClock   = time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)
)

func (s *Server) clock(w http.ResponseWriter, r *http.Request) {
	var q ClockTime
	if !s.read(w, r, &q) {
		return
	}
	if q.Time == nil || q.Time.Before(earliestClock) || q.Time.After(latestClock) {
		s.fail(w, r, http.StatusBadRequest, "time", "want this phone's time, between 2025 and 2100")
		return
	}
	if err := s.b.TrustClock(r.Context(), whoOf(r), *q.Time, q.Confirm); err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, map[string]time.Time{"now": s.b.Now()})
}

// raw passes on an answer that the backend has already written as JSON.
func (s *Server) raw(w http.ResponseWriter, r *http.Request, b json.RawMessage, err error) {
	if err != nil {
		s.problem(w, r, err)
		return
	}
	if !json.Valid(b) {
		s.complain("answer", "not JSON", "route", r.Pattern)
		s.fail(w, r, http.StatusInternalServerError, "", "the answer could not be written; it is in the log")
		return
	}
	s.write(w, r, http.StatusOK, b)
}

// object reads a request's body as one JSON object whose keys the backend
// checks.
func (s *Server) object(w http.ResponseWriter, r *http.Request) (json.RawMessage, bool) {
	b, ok := s.body(w, r, maxBody)
	if !ok {
		return nil, false
	}
	f := jsonText(b)
	if f == nil {
		var m map[string]json.RawMessage
		if json.Unmarshal(b, &m) != nil || m == nil {
			f = Faults{{"", "want an object"}}
		}
	}
	if f == nil {
		f = boundTexts(b)
	}
	if f != nil {
		s.faults(w, r, http.StatusBadRequest, f)
		return nil, false
	}
	return b, true
}

func (s *Server) plan(w http.ResponseWriter, r *http.Request) {
	b, ok := s.object(w, r)
	if !ok {
		return
	}
	r, done, ok := s.work(w, r, s.compute, computeFor)
	if !ok {
		return
	}
	defer done()
	out, err := s.b.Plan(r.Context(), b)
	s.raw(w, r, out, err)
}

func (s *Server) fit(w http.ResponseWriter, r *http.Request) {
	b, ok := s.object(w, r)
	if !ok {
		return
	}
	r, done, ok := s.work(w, r, s.compute, computeFor)
	if !ok {
		return
	}
	defer done()
	out, err := s.b.FitResin(r.Context(), b)
	s.raw(w, r, out, err)
}

func (s *Server) pot(w http.ResponseWriter, r *http.Request) {
	q, f := newQuery(r, "resin", "grams", "shape", "diameter_mm", "depth_mm", "shop", "start")
	p := PotQuery{
		Resin: q.text("resin"), Grams: q.must("grams"), Shape: q.text("shape"),
		DiameterMM: q.ptr("diameter_mm"), DepthMM: q.ptr("depth_mm"),
		ShopC: q.must("shop"), StartC: q.ptr("start"),
	}
	if p.Resin == "" {
		q.bad("resin", "required")
	}
	switch p.Shape {
	case "":
		p.Shape = "cup"
	case "cup", "tray", "bond":
	default:
		q.bad("shape", "want cup, tray or bond")
	}
	if *f != nil {
		s.faults(w, r, http.StatusBadRequest, *f)
		return
	}
	r, done, ok := s.work(w, r, s.compute, computeFor)
	if !ok {
		return
	}
	defer done()
	out, err := s.b.Pot(r.Context(), p)
	s.raw(w, r, out, err)
}

func (s *Server) tentOf(w http.ResponseWriter, r *http.Request) (Tent, bool) {
	t := s.b.HeatedTent()
	if t == nil {
		s.fail(w, r, http.StatusNotFound, "", "no tent is set up here; see [tent] in the configuration file")
	}
	return t, t != nil
}

func (s *Server) tent(w http.ResponseWriter, r *http.Request) {
	if t, ok := s.tentOf(w, r); ok {
		v, err := t.Tent(r.Context())
		if err != nil {
			s.problem(w, r, err)
			return
		}
		v.Limits, v.Past = orEmpty(v.Limits), orEmpty(v.Past)
		s.answer(w, r, http.StatusOK, v)
	}
}

func (s *Server) setTent(w http.ResponseWriter, r *http.Request) {
	t, ok := s.tentOf(w, r)
	if !ok {
		return
	}
	var q TentPoint
	if !s.read(w, r, &q) {
		return
	}
	if q.SetPointC == nil {
		s.fail(w, r, http.StatusBadRequest, "set_point_c", "required; to switch off use /tent/off")
		return
	}
	if err := t.SetTentPoint(r.Context(), whoOf(r), *q.SetPointC); err != nil {
		s.problem(w, r, err)
		return
	}
	s.tent(w, r)
}

func (s *Server) tentOff(w http.ResponseWriter, r *http.Request) {
	t, ok := s.tentOf(w, r)
	if !ok {
		return
	}
	var q TentOffWhy
	if r.ContentLength != 0 && !s.read(w, r, &q) {
		return
	}
	if q.Why == "" {
		q.Why = "switched off by hand"
	}
	if err := t.TentOff(r.Context(), whoOf(r), q.Why); err != nil {
		s.problem(w, r, err)
		return
	}
	s.tent(w, r)
}

func (s *Server) tokens(w http.ResponseWriter, r *http.Request) {
	ts, err := s.b.ListTokens(r.Context())
	if err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, map[string][]TokenInfo{"tokens": orEmpty(ts)})
}

func (s *Server) revoke(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	err := s.b.RevokeToken(r.Context(), id)
	s.pages.changed() // it is shut out even where that could not be written
	if err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, idBody{ID: id})
}

// MaxTokenDays is the longest that a log-in can be asked to be good for: ten
// years. Without a number it is good for as long as it is used.
const MaxTokenDays = 3650

// PairCode is the answer to POST /paircodes.
type PairCode struct {
	Code    string    `json:"code"`
	Expires time.Time `json:"expires"`
	// LocalOnly says that the page is served to this machine only, so that no
	// phone can redeem the code.
	LocalOnly bool `json:"local_only"`
	// Listen is the address that is served, and TLS whether with a certificate.
	Listen string `json:"listen"`
	TLS    bool   `json:"tls"`
}

func (s *Server) newCode(w http.ResponseWriter, r *http.Request) {
	var q NewPairCode
	if !s.read(w, r, &q) {
		return
	}
	var f Faults
	if q.Days < 0 || q.Days > MaxTokenDays {
		f = append(f, Fault{"days", fmt.Sprintf("%d is not between 0 (as long as it is used) and %d", q.Days, MaxTokenDays)})
	}
	switch q.Role {
	case Look, Record, Push, Control:
	default:
		f = append(f, Fault{"role", "want look, record, push or control"})
	}
	if len(q.Name) > 60 {
		f = append(f, Fault{"name", "is longer than 60 bytes"})
	}
	if f != nil {
		s.faults(w, r, http.StatusBadRequest, f)
		return
	}
	code, exp, err := s.b.NewPairCode(r.Context(), q.Role, q.Name, q.Days)
	if err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusCreated, PairCode{code, exp, s.cfg.Loopback(), s.listens(), s.cert != nil})
}

func (s *Server) record(w http.ResponseWriter, r *http.Request) {
	q, f := newQuery(r, "format")
	format := q.text("format")
	mime := map[string]string{"": "text/html; charset=utf-8", "html": "text/html; charset=utf-8",
		"json": "application/json", "csv": "text/csv; charset=utf-8"}[format]
	if mime == "" {
		q.bad("format", "want html, json or csv")
	}
	if *f != nil {
		s.faults(w, r, http.StatusBadRequest, *f)
		return
	}
	if format == "" {
		format = "html"
	}
	r, done, ok := s.work(w, r, s.pour, computeFor)
	if !ok {
		return
	}
	defer done()
	b, err := s.b.Record(r.Context(), r.PathValue("id"), format)
	if err != nil {
		s.problem(w, r, err)
		return
	}
	h := w.Header()
	h.Set("Content-Type", mime)
	// The record is one file that must print the same from a stick in a year,
	// so its style is inside it; nothing else may load or run.
	h.Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; base-uri 'none'; form-action 'none'; sandbox allow-modals")
	if format != "html" {
		h.Set("Content-Disposition", `attachment; filename="`+fileName(r.PathValue("id"))+"."+format+`"`)
	}
	w.WriteHeader(http.StatusOK)
	if r.Method != http.MethodHead {
		w.Write(b)
	}
}

// fileName keeps letters and digits: the header's quoting differs by browser.
func fileName(s string) string {
	t := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_' {
			return r
		}
		return '-'
	}, s)
	return t[:min(len(t), 60)]
}
