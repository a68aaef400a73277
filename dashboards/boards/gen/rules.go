// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"strings"
	"text/template"
	"time"
)

// record is one recording rule: a yard's figure of a site.
type record struct {
	Name, Why, Expr string
}

var records = []record{
	{"site:up:min", "0 while a board of the site cannot be scraped.",
		`min by (site) (up{job="curewright"})`},
	{"site:curewright_coats_open:sum", "Coats that are still watched.",
		`sum by (site) (curewright_coats_open)`},
	{"site:curewright_coats_unknown:sum", "Coats of which the state is not known.",
		`sum by (site) (curewright_coat_state{state="unknown"})`},
	{"site:curewright_window_closes_seconds:min", "Time until the first window may close: the cautious edge.",
		`min by (site) (curewright_coat_window_closes_seconds{band="p10"} > 0)`},
	{"site:curewright_window_opens_seconds:min", "Time until the next window is open for sure: the cautious edge.",
		`min by (site) (curewright_coat_window_opens_seconds{band="p90"} > 0)`},
	{"site:curewright_panel_temperature_celsius:min", "The coldest panel.",
		`min by (site) (curewright_panel_temperature_celsius)`},
	{"site:curewright_panel_dew_margin_kelvin:min", "The panel nearest to dew.",
		`min by (site) (curewright_panel_dew_margin_kelvin)`},
	{"site:curewright_coat_blush_index:max", "The coat most likely to blush. An ordinal figure: compare it, do not average it.",
		`max by (site) (curewright_coat_blush_index)`},
	{"site:curewright_probes_in_trouble:sum", "Probes whose reading is not to be had or not to be believed.",
		`sum by (site) (curewright_probe_state{state=~"stale|missing|stuck|implausible"})`},
	{"site_severity:curewright_alerts_unacknowledged:sum", "Alerts that fire and that nobody has acknowledged.",
		`sum by (site, severity) (curewright_alerts_unacknowledged)`},
}

// rule is one alerting rule. Those named in the board's own table carry its
// name, severity, hold and clear times.
type rule struct {
	Rule     string // the board's name for it
	Severity string
	For      time.Duration
	Keep     time.Duration
	Expr     string // "" for a rule that repeats what the board itself decided
	By       string // the label that says what it is about: coat, panel, batch or ""
	Why      string
}

// curing limits a rule to panels under a coat that is not hard yet, as the
// board does: dew on a bare or finished panel wakes nobody.
const curing = "and on (site, panel) curewright_coat_state{state=\"hard\"} == 0"

// nearDew is a comparison with hysteresis: below on it begins, and once begun
// it lasts until the margin has passed off.
func nearDew(rule, begins, off string) string {
	m := "min by (site, panel) (curewright_panel_dew_margin_kelvin)"
	return fmt.Sprintf("(%s %s or %s < %s and on (site, panel) ALERTS{alertname=%q}) %s", m, begins, m, off, alertName(rule), curing)
}

// newest is true of the last coat on each panel: only that has a window.
const newest = "and on (site, panel, coat) (curewright_coat_age_seconds == on (site, panel) group_left () min by (site, panel) (curewright_coat_age_seconds))"

// lasts keeps an alert of a coat as long as some figure says that nobody can
// tell: on the board too a coat that is not known ends nothing.
func lasts(rule, while string) string {
	return fmt.Sprintf(" or %s and on (site, panel, coat) label_replace(ALERTS{alertname=%q, alertstate=\"firing\"}, \"coat\", \"$1\", \"subject\", \"(.*)\")", while, alertName(rule))
}

// derived are the rules of the board that its measures suffice for. They speak
// even where the board's own alerts have stopped.
var derived = []rule{
	{Rule: "condensation", Severity: "act", For: time.Minute, Keep: 10 * time.Minute, By: "panel",
		Expr: nearDew("condensation", "<= 0", "0.5")},
	{Rule: "dew_margin", Severity: "soon", For: 5 * time.Minute, Keep: 10 * time.Minute, By: "panel",
		Expr: "(" + nearDew("dew_margin", "< 3", "3.5") + ") > 0",
		Why:  "3 K as in ISO 8502-4. A board with another dew_margin_k in its file differs: change it here too."},
	{Rule: "stall", Severity: "soon", For: 30 * time.Minute, Keep: 15 * time.Minute, By: "coat",
		Expr: "curewright_coat_stall == 1 and on (site, panel, coat) curewright_coat_temperature_celsius"},
	{Rule: "blush_elevated", Severity: "soon", For: 10 * time.Minute, Keep: 10 * time.Minute, By: "coat",
		Expr: `curewright_coat_blush_band{blush="elevated"} == 1 unless on (site, panel, coat) curewright_coat_condensed == 1` +
			lasts("blush_elevated", `curewright_coat_blush_band{blush="unknown"} == 1`)},
	{Rule: "blush_high", Severity: "soon", For: 5 * time.Minute, Keep: 10 * time.Minute, By: "coat",
		Expr: `curewright_coat_blush_band{blush="high"} == 1 or curewright_coat_condensed == 1` +
			lasts("blush_high", `curewright_coat_blush_band{blush="unknown"} == 1`)},
	{Rule: "outgassing", Severity: "act", For: 5 * time.Minute, Keep: 10 * time.Minute, By: "coat",
		Expr: `curewright_coat_outgassing == 1 and on (site, panel, coat) curewright_coat_state{state="wet"} == 1` +
			lasts("outgassing", `curewright_coat_state{state="unknown"} == 1`)},
	{Rule: "not_known", Severity: "soon", For: 10 * time.Minute, Keep: 10 * time.Minute, By: "coat",
		Expr: `curewright_coat_unknown{reason=~"cold_glass|below_minimum|outside_range|gap"} == 1 and on (site, panel, coat) curewright_coat_state{state="unknown"} == 1`,
		Why:  "A coat whose only trouble is a missing reading is left to the probe's own rules; a panel without any probe is named by the board alone."},
	{Rule: "window_closed", Severity: "note", Keep: 10 * time.Minute, By: "coat",
		Expr: `curewright_coat_window_status{status="closed", window!="wet"} == 1 and on (site, panel, coat) curewright_coat_state{state="hard"} == 0 ` + newest +
			lasts("window_closed", `curewright_coat_window_status{status="unknown", window!="wet"} == 1`) + " " + newest},
	{Rule: "cup_over", Severity: "danger", By: "batch",
		Expr: "curewright_cup_danger_seconds <= 0 > -12 * 3600"},
	{Rule: "store_full", Severity: "soon", Keep: 5 * time.Minute,
		Expr: "curewright_store_trouble == 1"},
	{Rule: "clock_in_doubt", Severity: "soon", For: time.Minute,
		Expr: "curewright_clock_trusted == 0"},
	{Rule: "tent_off_by_safety", Severity: "act",
		Expr: "curewright_tent_latched == 1"},
}

// repeated are the rules that hang on more than the board's measures say: what
// a finger found, what is planned, which probe is in use. The board has held
// them already, so they are repeated at once and with its own severity.
var repeated = []rule{
	{Rule: "cup_soon"},
	{Rule: "ready_for_cloth"},
	{Rule: "window_open"},
	{Rule: "feel_now"},
	{Rule: "closing_soon"},
	{Rule: "night_ahead"},
	{Rule: "too_cold"},
	{Rule: "softened"},
	{Rule: "hard"},
	{Rule: "handle"},
	{Rule: "probe_missing"},
	{Rule: "probe_stale"},
	{Rule: "probe_stuck"},
	{Rule: "probe_implausible"},
	{Rule: "probe_battery"},
	{Rule: "backup_old"},
	{Rule: "sender_behind"},
	{Rule: "channel_down"},
}

// ofTheYard are what no board can say of itself.
var ofTheYard = []rule{
	{Rule: "board_down", Severity: "act", For: 5 * time.Minute, Keep: 5 * time.Minute,
		Expr: `up{job="curewright"} == 0`,
		Why:  "Five minutes: a restart or a loose radio link is over by then."},
	{Rule: "board_late", Severity: "soon", For: 5 * time.Minute, Keep: 5 * time.Minute,
		Expr: "curewright_parts_late > 0 or curewright_snapshot_ok == 0"},
	{Rule: "estimates_old", Severity: "soon", For: 10 * time.Minute, Keep: 5 * time.Minute,
		Expr: "curewright_estimate_age_seconds > 600 and on (site, instance) curewright_coats_open > 0"},
	{Rule: "board_restarts", Severity: "soon", Keep: 30 * time.Minute,
		Expr: `changes(process_start_time_seconds{job="curewright"}[1h]) > 3`},
	{Rule: "card_nearly_full", Severity: "soon", For: 30 * time.Minute, Keep: 30 * time.Minute,
		Expr: "curewright_store_free_bytes < 200e6",
		Why:  "At 3 bytes a reading 200 MB lasts years; something else fills the card."},
	{Rule: "nobody_answers", Severity: "act", For: 20 * time.Minute,
		Expr: `sum by (site, instance) (curewright_alerts_unacknowledged{severity=~"danger|act"}) > 0`,
		Why:  "20 min is also when the board itself escalates an alert of severity act."},
	{Rule: "site_not_named", Severity: "note", For: 15 * time.Minute,
		Expr: `up{job="curewright", site=""}`},
	{Rule: "site_differs", Severity: "note", For: 15 * time.Minute,
		Expr: `curewright_shop_info{site!=""} unless on (site, instance) label_replace(curewright_shop_info, "site", "$1", "name", "(.*)")`},
}

// alertName is "Curewright" and the rule's words, as the board itself writes
// it when it sends to an Alertmanager.
func alertName(rule string) string {
	b := strings.Builder{}
	b.WriteString("Curewright")
	for _, w := range strings.Split(rule, "_") {
		b.WriteString(strings.ToUpper(w[:1]) + w[1:])
	}
	return b.String()
}

// expr is the rule's query with exactly the labels that the board gives the
// same alert: Alertmanager then counts both as one.
func (r rule) expr() string {
	switch {
	case r.Expr == "":
		return fmt.Sprintf("max by (site, panel, subject, severity) (curewright_alert_active{rule=%q})", r.Rule)
	case r.By == "":
		return fmt.Sprintf("max by (site) (%s)", r.Expr)
	}
	return fmt.Sprintf("max by (site, panel, subject) (label_replace(%s, \"subject\", \"$1\", %q, \"(.*)\"))", r.Expr, r.By)
}

// texts are what the rules say, by the board's name; {x} is the value of label
// x. They come from the catalogue of model/words, by a test of the package above.
//
//go:embed texts.json
var textsFile []byte

var texts = func() map[string]string {
	m := map[string]string{}
	if err := json.Unmarshal(textsFile, &m); err != nil {
		panic(err) // a file of this package
	}
	return m
}()

// Say turns {x} into the label x, and names the site first.
func (r rule) Say() string {
	s, ok := texts[r.Rule]
	if !ok {
		panic("no text for the rule " + r.Rule)
	}
	for _, l := range []string{"subject", "panel", "instance", "name"} {
		s = strings.ReplaceAll(s, "{"+l+"}", "{{ $labels."+l+" }}")
	}
	return "{{ with $labels.site }}{{ . }}: {{ end }}" + s
}

func span(d time.Duration) string {
	switch {
	case d%time.Hour == 0:
		return fmt.Sprintf("%dh", d/time.Hour)
	case d%time.Minute == 0:
		return fmt.Sprintf("%dm", d/time.Minute)
	}
	return fmt.Sprintf("%ds", d/time.Second)
}

// quoted is a YAML single-quoted scalar: nothing in it is an escape but the
// quote itself.
func quoted(s string) string { return "'" + strings.ReplaceAll(s, "'", "''") + "'" }

var rulesText = template.Must(template.New("rules").Funcs(template.FuncMap{"q": quoted, "span": span, "name": alertName}).Parse(
	`# Generated by dashboards/boards/gen; do not edit. docs/fleet.md says how to use it.
groups:
  - name: curewright-sites
    rules:
{{- range .Records}}
      # {{.Why}}
      - record: {{.Name}}
        expr: {{q .Expr}}
{{- end}}
{{- range .Groups}}

  # {{.Why}}
  - name: {{.Name}}
    rules:
{{- range .Rules}}
{{- if .Why}}
      # {{.Why}}
{{- end}}
      - alert: {{name .Rule}}
        expr: {{q .Expr}}
{{- if .For}}
        for: {{span .For}}
{{- end}}
{{- if .Keep}}
        keep_firing_for: {{span .Keep}}
{{- end}}
        labels:
          rule: {{.Rule}}
          service: curewright
{{- if .Severity}}
          severity: {{.Severity}}
{{- end}}
        annotations:
          summary: {{q .Say}}
{{- end}}
{{- end}}
`))

type group struct {
	Name, Why string
	Rules     []rule
}

func rulesFile() []byte {
	written := func(in []rule, wrap bool) []rule {
		out := make([]rule, len(in))
		for i, r := range in {
			if wrap {
				r.Expr = r.expr()
			}
			out[i] = r
		}
		return out
	}
	var b bytes.Buffer
	err := rulesText.Execute(&b, struct {
		Records []record
		Groups  []group
	}{records, []group{
		{"curewright-measures", "The board's own rules, judged again from its measures.", written(derived, true)},
		{"curewright-board", "The board's own rules that hang on more than its measures say: repeated as it decided them.", written(repeated, true)},
		{"curewright-yard", "What no board can say of itself.", written(ofTheYard, false)},
	}})
	if err != nil {
		panic(err) // the template and the tables are constants of this file
	}
	return b.Bytes()
}
