// SPDX-License-Identifier: Apache-2.0

package web

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"reflect"
	"strings"
	"time"
	"unicode/utf8"

	"curewright/alerts"
)

func (s *Server) healthz(http.ResponseWriter, *http.Request) (any, error) {
	return map[string]bool{"alive": true}, nil
}

func (s *Server) readyz(_ http.ResponseWriter, r *http.Request) (any, error) {
	late := orEmpty(s.b.Ready(r.Context()))
	out := status{http.StatusOK, map[string]any{"ready": len(late) == 0, "late": late}}
	if len(late) > 0 {
		out.code = http.StatusServiceUnavailable
	}
	return out, nil
}

func (s *Server) whoami(w http.ResponseWriter, r *http.Request) (any, error) {
	who := whoOf(r)
	// Whether there is a tent is said here, so that a page need not ask for one
	// that is not there.
	tent := false
	if t := s.b.HeatedTent(); t != nil {
		_, err := t.Tent(r.Context())
		tent = err == nil
	}
	return map[string]any{"name": who.Name, "role": who.Role, "version": s.cfg.Version, "tent": tent}, nil
}

func (s *Server) probes(r *http.Request) (any, error) {
	hs, err := s.b.Probes(r.Context())
	if err != nil {
		return nil, err
	}
	return map[string]any{"probes": viewProbes(hs, s.b.Now())}, nil
}

var probeRoles = map[string]bool{"": true, "air": true, "panel": true, "pot": true, "outdoor": true, "tent": true}

func (s *Server) setProbe(r *http.Request, q ProbePatch) (any, error) {
	var f Faults
	if q.Name != nil && (strings.TrimSpace(*q.Name) == "" || len(*q.Name) > 60) {
		f = append(f, Fault{Field: "name", What: "want 1 to 60 characters"})
	}
	if q.Role != nil && !probeRoles[*q.Role] {
		f = append(f, Fault{Field: "role", What: "want air, panel, pot, outdoor, tent or nothing"})
	}
	if q.Name == nil && q.Role == nil && q.Panel == nil && q.Accepted == nil {
		f = append(f, Fault{Field: "", What: "nothing to change"})
	}
	if f != nil {
		return nil, f
	}
	id := r.PathValue("id")
	return idBody{ID: id}, s.b.SetProbe(r.Context(), whoOf(r), id, q.Name, q.Role, q.Panel, q.Accepted)
}

func (s *Server) alerts(w http.ResponseWriter, r *http.Request) (any, error) {
	q := newQuery(r, "all")
	all := q.flag("all", false)
	if err := q.err(); err != nil {
		return nil, err
	}
	as, err := s.b.Alerts(r.Context(), all)
	return map[string][]alerts.Alert{"alerts": orEmpty(as)}, err
}

func (s *Server) ack(w http.ResponseWriter, r *http.Request) (any, error) {
	if err := noBody(w, r); err != nil {
		return nil, err
	}
	id := r.PathValue("id")
	return idBody{ID: id}, s.b.Ack(r.Context(), whoOf(r), id)
}

func (s *Server) testSound(r *http.Request, q SoundTest) (any, error) {
	if q.Channel == "" {
		return nil, Faults{{Field: "channel", What: "required"}}
	}
	return map[string]string{"channel": q.Channel}, s.b.TestSound(r.Context(), q.Channel, q.Heard)
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
	bad := func(field, format string, a ...any) {
		f = append(f, Fault{Field: field, What: fmt.Sprintf(format, a...)})
	}
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
	if utf8.RuneCountInString(v.ShopName) > 60 {
		bad("shop_name", "is longer than 60 characters")
	}
	return f
}

func (s *Server) putSettings(w http.ResponseWriter, r *http.Request) (any, error) {
	b, err := body(w, r, maxBody)
	if err != nil {
		return nil, err
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
			return nil, err
		}
		f = CheckSettings(p.over(now))
	}
	if f != nil {
		return nil, f
	}
	if err := s.b.PutSettings(r.Context(), whoOf(r), b); err != nil {
		return nil, err
	}
	return s.b.Settings(r.Context())
}

// Clock settings outside this span are a phone with no battery left, not a
// time.
var (
	earliestClock = time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
	latestClock   = time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)
)

func (s *Server) clock(r *http.Request, q ClockTime) (any, error) {
	if q.Time == nil || q.Time.Before(earliestClock) || q.Time.After(latestClock) {
		return nil, Faults{{Field: "time", What: "want this phone's time, between 2025 and 2100"}}
	}
	err := s.b.TrustClock(r.Context(), whoOf(r), *q.Time, q.Confirm)
	return map[string]time.Time{"now": s.b.Now()}, err
}

func (s *Server) pot(w http.ResponseWriter, r *http.Request) (any, error) {
	q := newQuery(r, "resin", "grams", "shape", "diameter_mm", "depth_mm", "shop", "start")
	p := PotQuery{
		Resin: q.text("resin"), Grams: q.must("grams"), Shape: cmp.Or(q.text("shape"), "cup"),
		DiameterMM: q.ptr("diameter_mm"), DepthMM: q.ptr("depth_mm"),
		ShopC: q.must("shop"), StartC: q.ptr("start"),
	}
	if p.Resin == "" {
		q.bad("resin", "required")
	}
	if p.Shape != "cup" && p.Shape != "tray" && p.Shape != "bond" {
		q.bad("shape", "want cup, tray or bond")
	}
	if err := q.err(); err != nil {
		return nil, err
	}
	return s.computed(w, r, func(ctx context.Context) (any, error) { return s.b.Pot(ctx, p) })
}

func (s *Server) tokens(w http.ResponseWriter, r *http.Request) (any, error) {
	ts, err := s.b.ListTokens(r.Context())
	return map[string][]TokenInfo{"tokens": orEmpty(ts)}, err
}

func (s *Server) revoke(w http.ResponseWriter, r *http.Request) (any, error) {
	id := r.PathValue("id")
	err := s.b.RevokeToken(r.Context(), id)
	s.pages.changed() // it is shut out even where that could not be written
	return idBody{ID: id}, err
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

func (s *Server) newCode(r *http.Request, q NewPairCode) (any, error) {
	var f Faults
	if q.Days < 0 || q.Days > MaxTokenDays {
		f = append(f, Fault{Field: "days", What: fmt.Sprintf("%d is not between 0 (as long as it is used) and %d", q.Days, MaxTokenDays)})
	}
	switch q.Role {
	case Look, Record, Push, Control:
	default:
		f = append(f, Fault{Field: "role", What: "want look, record, push or control"})
	}
	if len(q.Name) > 60 {
		f = append(f, Fault{Field: "name", What: "is longer than 60 bytes"})
	}
	if f != nil {
		return nil, f
	}
	code, exp, err := s.b.NewPairCode(r.Context(), q.Role, q.Name, q.Days)
	if err != nil {
		return nil, err
	}
	return status{http.StatusCreated, PairCode{code, exp, s.cfg.Loopback(), s.listens(), s.cert != nil}}, nil
}

func (s *Server) record(w http.ResponseWriter, r *http.Request) (any, error) {
	q := newQuery(r, "format")
	format := cmp.Or(q.text("format"), "html")
	mime := map[string]string{"html": "text/html; charset=utf-8", "json": "application/json", "csv": "text/csv; charset=utf-8"}[format]
	if mime == "" {
		q.bad("format", "want html, json or csv")
	}
	if err := q.err(); err != nil {
		return nil, err
	}
	return s.work(w, r, s.pour, computeFor, func(ctx context.Context) (any, error) {
		b, err := s.b.Record(ctx, r.PathValue("id"), format)
		if err != nil {
			return nil, err
		}
		// The record is one file that must print the same from a stick in a year,
		// so its style is inside it; nothing else may load or run.
		w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; base-uri 'none'; form-action 'none'; sandbox allow-modals")
		out := file{kind: mime, b: b}
		if format != "html" {
			out.name = fileName(r.PathValue("id")) + "." + format
		}
		return out, nil
	})
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
