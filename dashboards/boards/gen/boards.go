// SPDX-License-Identifier: Apache-2.0

package main

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"math"
	"strings"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
)

// boards are the boards by file name.
var boards = map[string]func() (dashboard.Dashboard, error){
	"shed.json": shed,
	"yard.json": yard,
}

// The states of a coat with their words, from unknown and wet on, as
// dashboards/textures lists them.
//
//go:embed states.json
var statesFile []byte

// states is a coat's state as a number, so that a strip can be drawn of it, and
// stateWords what each number says: the further cured, the darker.
var states, stateWords = func() (string, []word) {
	var list []struct{ Code, Word string }
	if err := json.Unmarshal(statesFile, &list); err != nil {
		panic(err) // a file of this package
	}
	last := len(list) - 1 // where none is known
	terms := make([]string, len(list))
	says := []word{{"0", list[last].Word, inkHarm}}
	for i, s := range list {
		n := (i + 1) % len(list)
		terms[i] = fmt.Sprintf(`curewright_coat_state{site=~"$site", state=%q} * %d`, s.Code, n)
		if i < last {
			says = append(says, word{fmt.Sprint(n), s.Word, shade(float64(i) / float64(last-1))})
		}
	}
	return "sum by (site, panel, coat) (\n  " + strings.Join(terms, "\n  or ") + "\n)", says
}()

// shade is a grey from that of paper, 0, to one darker than graphite, 1.
func shade(x float64) string {
	part := func(from, to float64) int { return int(math.Round(from + (to-from)*x)) }
	return fmt.Sprintf("#%02x%02x%02x", part(0xc9, 0x39), part(0xce, 0x42), part(0xd3, 0x4b))
}

const windows = `sum by (site, panel, coat, window) (
  curewright_coat_window_status{site=~"$site", status="before"} * 1
  or curewright_coat_window_status{site=~"$site", status="open"} * 2
  or curewright_coat_window_status{site=~"$site", status="closed"} * 3
  or curewright_coat_window_status{site=~"$site", status="cold"} * 4
  or curewright_coat_window_status{site=~"$site", status="unknown"} * 0
)`

var windowWords = []word{
	{"0", "not known", inkHarm}, {"1", "not yet", paper}, {"2", "open", inkAct}, {"3", "closed", graphite}, {"4", "too cold", inkHarm},
}

var yesNo = []word{{"0", "no", graphite}, {"1", "yes", inkHarm}}

const caution = "An estimate, not a certificate of cure or strength: confirm with a fingertip, a hardness gauge, a test piece. The resin's data sheet wins over any number here."

// on keeps a query to the chosen sites.
func on(metric string, more ...string) string {
	return metric + "{" + strings.Join(append([]string{`site=~"$site"`}, more...), ", ") + "}"
}

func shed() (dashboard.Dashboard, error) {
	b := frame(shedUID, "A shed and its coats", "One board of curewright: every coat, the air over it and the board itself. "+caution, "now-12h", false).
		Link(back("All sheds of the yard", yardUID))
	for _, row := range []func(*dashboard.DashboardBuilder) *dashboard.DashboardBuilder{wanting, coatPanels, airPanels, tentPanels, boardPanels} {
		b = row(b)
	}
	return b.Build()
}

func wanting(b *dashboard.DashboardBuilder) *dashboard.DashboardBuilder {
	return b.WithRow(dashboard.NewRowBuilder("What wants you")).
		WithPanel(rows("Alerts that last", "What fires, or is acknowledged and not over.", 10, 7,
			map[string]string{"rule": "what", "severity": "how loud", "state": "answered", "subject": "about", "panel": "panel", "site": "site"},
			column{query: query{expr: "max by (site, rule, severity, state, subject, panel) (" + on("curewright_alert_active") + ")"}})).
		WithPanel(rows("Coats", caution+" Opens is the cautious edge, by which nine of ten such coats are open; closes is the edge before which one of ten is closed.", 14, 7,
			map[string]string{"coat": "coat", "panel": "panel", "kind": "kind", "resin": "epoxy"},
			column{query: query{expr: "max by (site, panel, coat, kind, resin) (" + on("curewright_coat_info") + ")"}},
			column{query: query{expr: states}, name: "state", words: stateWords},
			column{query: query{expr: "max by (site, panel, coat) (" + on("curewright_coat_age_seconds") + ")"}, name: "age", unit: "s"},
			column{query: query{expr: "max by (site, panel, coat) (" + on("curewright_coat_window_opens_seconds", `band="p90"`) + ")"}, name: "opens in", unit: "s"},
			column{query: query{expr: "min by (site, panel, coat) (" + on("curewright_coat_window_closes_seconds", `band="p10"`) + ")"}, name: "closes in", unit: "s"},
			column{query: query{expr: "max by (site, panel, coat) (" + on("curewright_coat_temperature_celsius") + ")"}, name: "temperature", unit: "celsius"},
			column{query: query{expr: "max by (site, panel, coat) (" + on("curewright_coat_stall") + ")"}, name: "stalls", words: yesNo},
			column{query: query{expr: "max by (site, panel, coat) (" + on("curewright_coat_condensed") + ")"}, name: "dew fell", words: yesNo}))
}

func coatPanels(b *dashboard.DashboardBuilder) *dashboard.DashboardBuilder {
	return b.WithRow(dashboard.NewRowBuilder("Coats")).
		WithPanel(strips("What each coat is", "The most advanced state that is more likely than not. "+caution, 12, 8, stateWords,
			query{states, "{{panel}} · {{coat}}"})).
		WithPanel(strips("The next coat's window", "Each coat's next window and what it is now.", 12, 8, windowWords,
			query{windows, "{{panel}} · {{coat}} · {{window}}"})).
		WithPanel(limitLines(lines("Time to the window's edges", "Opens: the cautious edge (p90). Closes: the cautious edge (p10). Below zero it has passed.", "s", 12,
			query{on("curewright_coat_window_opens_seconds", `band="p90"`), "{{panel}} · {{coat}} opens"},
			query{on("curewright_coat_window_closes_seconds", `band="p10"`), "{{panel}} · {{coat}} closes"}),
			steps(inkHarm, at(0, graphite)))).
		WithPanel(lines("Degree of cure", "The middle line is as likely too high as too low; between the outer ones lie eight of ten.", "percentunit", 12,
			query{on("curewright_coat_cure_ratio"), "{{panel}} · {{coat}} {{band}}"}).Min(0).Max(1)).
		WithPanel(lines("Glass transition against temperature", "Where the glass transition passes the coat's own temperature the coat turns firm, and the cure slows down.", "celsius", 12,
			query{on("curewright_coat_tg_celsius", `band="p50"`), "{{panel}} · {{coat}} glass transition"},
			query{on("curewright_coat_temperature_celsius"), "{{panel}} · {{coat}} temperature"})).
		WithPanel(limitLines(lines("Blush index", "Ordinal and not validated: below 0.3 low, to 1 elevated, above high. Wash before the next coat when it is not low.", "none", 12,
			query{on("curewright_coat_blush_index"), "{{panel}} · {{coat}}"}).Min(0),
			steps(graphite, at(.3, pale), at(1, inkHarm)))).
		WithPanel(limitLines(lines("Cups", "Time until the cautious end of each mixed cup's working time.", "s", 12,
			query{on("curewright_cup_remaining_seconds"), "cup {{batch}}"}),
			steps(inkHarm, at(0, graphite)))).
		WithPanel(lines("Speed of each batch against its sheet", "1 is as on the data sheet; finger tests narrow it.", "none", 12,
			query{on("curewright_coat_rate_factor_ratio"), "{{panel}} · {{coat}} {{band}}"}))
}

func airPanels(b *dashboard.DashboardBuilder) *dashboard.DashboardBuilder {
	return b.WithRow(dashboard.NewRowBuilder("Air and panels")).
		WithPanel(lines("Temperatures", "Panels, air and the dew point at each panel.", "celsius", 12,
			query{on("curewright_panel_temperature_celsius"), "{{panel}}"},
			query{on("curewright_probe_temperature_celsius", `role!="panel"`), "{{probe}}"},
			query{on("curewright_panel_dew_point_celsius"), "{{panel}} dew point"})).
		WithPanel(limitLines(lines("Distance to dew", "Panel temperature above the dew point. 3 K is the margin of ISO 8502-4; at 0 it is wet.", "kelvin", 12,
			query{on("curewright_panel_dew_margin_kelvin"), "{{panel}}"}),
			steps(inkHarm, at(0, pale), at(3, graphite)))).
		WithPanel(lines("Humidity", "Of the air, and against each panel's surface: there it passes 100 % when dew forms.", "percentunit", 8,
			query{on("curewright_probe_relative_humidity_ratio"), "{{probe}}"},
			query{on("curewright_panel_relative_humidity_ratio"), "at {{panel}}"}).Min(0)).
		WithPanel(lines("Carbon dioxide", "Feeds the blush index, and tells of a burning heater.", "ppm", 8,
			query{on("curewright_probe_co2_ratio") + " * 1e6", "{{probe}}"}).Min(0)).
		WithPanel(lines("Coldest air expected", "In the next 18 hours.", "celsius", 8,
			query{on("curewright_shop_forecast_low_celsius"), "{{band}}"}))
}

func tentPanels(b *dashboard.DashboardBuilder) *dashboard.DashboardBuilder {
	return b.WithRow(dashboard.NewRowBuilder("Tent")).
		WithPanel(lines("Tent", "Empty where no tent is held.", "celsius", 12,
			query{on("curewright_tent_panel_temperature_celsius"), "panel"},
			query{on("curewright_tent_air_temperature_celsius"), "air"},
			query{on("curewright_tent_set_point_celsius"), "set point"})).
		WithPanel(strips("Heater", "Off by safety wants a person at the tent.", 12, 8,
			[]word{{"0", "off", paper}, {"1", "on", inkAct}, {"2", "off by safety", inkHarm}},
			query{on("curewright_tent_latched") + " * 2 > 0 or " + on("curewright_tent_heater_on"), "heater"}))
}

func boardPanels(b *dashboard.DashboardBuilder) *dashboard.DashboardBuilder {
	return b.WithRow(dashboard.NewRowBuilder("Probes and the board")).
		WithPanel(lines("Age of the last believed reading", "A probe that is silent grows old here; its line above breaks off.", "s", 8,
			query{on("curewright_probe_age_seconds"), "{{probe}}"}).Min(0)).
		WithPanel(lines("Reads without a believed value", "Each minute, by reason.", "none", 8,
			query{"sum by (site, probe, reason) (rate(" + on("curewright_probe_errors_total") + "[$__rate_interval])) * 60", "{{probe}} {{reason}}"}).Min(0)).
		WithPanel(lines("Readings taken", "Each minute.", "none", 8,
			query{"sum by (site, probe) (rate(" + on("curewright_probe_readings_total") + "[$__rate_interval])) * 60", "{{probe}}"}).Min(0)).
		WithPanel(lines("Age of the estimates", "", "s", 6,
			query{on("curewright_estimate_age_seconds"), "{{instance}}"}).Min(0)).
		WithPanel(lines("Store", "What the record takes, and what is left on the card.", "bytes", 6,
			query{on("curewright_store_size_bytes"), "record"},
			query{on("curewright_store_free_bytes"), "free"}).ScaleDistribution(logScale()).Min(1)).
		WithPanel(lines("Readings not yet on disk", "What a power cut would take.", "none", 6,
			query{on("curewright_store_pending_readings"), "{{instance}}"}).Min(0)).
		WithPanel(lines("Memory", "", "bytes", 6,
			query{on("process_resident_memory_bytes", `job="curewright"`), "{{instance}}"}).Min(0))
}

func logScale() cog.Builder[common.ScaleDistributionConfig] {
	return common.NewScaleDistributionConfigBuilder().Type(common.ScaleDistributionLog).Log(10)
}

func yard() (dashboard.Dashboard, error) {
	b := frame(yardUID, "A yard of many sheds", "All boards of curewright at once, by site. Needs the recording rules that come with it. "+caution, "now-24h", true)
	// In a table the metric's name would be a column, and no two columns of
	// values would meet in one row.
	cell := func(metric string) string { return "max by (site) (" + on(metric) + ")" }
	b = b.WithRow(dashboard.NewRowBuilder("Who wants somebody")).
		WithPanel(rows("Sites", "One row a site. "+caution, 24, 12, map[string]string{"site": "site"},
			column{query: query{expr: cell("site:up:min")}, name: "board", words: []word{{"0", "does not answer", inkHarm}, {"1", "answers", graphite}}},
			column{query: query{expr: cell("site:curewright_coats_open:sum")}, name: "coats"},
			column{query: query{expr: `sum by (site) (` + on("site_severity:curewright_alerts_unacknowledged:sum", `severity=~"danger|act"`) + `)`}, name: "wants hands", limits: []dashboard.Threshold{{Color: graphite}, at(1, inkHarm)}},
			column{query: query{expr: `sum by (site) (` + on("site_severity:curewright_alerts_unacknowledged:sum", `severity=~"soon|note"`) + `)`}, name: "can wait"},
			column{query: query{expr: cell("site:curewright_window_opens_seconds:min")}, name: "next opens in", unit: "s"},
			column{query: query{expr: cell("site:curewright_window_closes_seconds:min")}, name: "next closes in", unit: "s"},
			column{query: query{expr: cell("site:curewright_panel_temperature_celsius:min")}, name: "coldest panel", unit: "celsius"},
			column{query: query{expr: cell("site:curewright_panel_dew_margin_kelvin:min")}, name: "nearest to dew", unit: "kelvin", limits: []dashboard.Threshold{{Color: inkHarm}, at(3, graphite)}},
			column{query: query{expr: cell("site:curewright_coats_unknown:sum")}, name: "not known", limits: []dashboard.Threshold{{Color: graphite}, at(1, inkHarm)}},
			column{query: query{expr: cell("site:curewright_probes_in_trouble:sum")}, name: "probes in trouble", limits: []dashboard.Threshold{{Color: graphite}, at(1, inkHarm)}}).
			OverrideByName("site", toShed("${__data.fields.site}"))).
		WithPanel(rows("Alerts that last", "At every site; those that want hands first.", 24, 9,
			map[string]string{"site": "site", "rule": "what", "severity": "how loud", "state": "answered", "subject": "about", "panel": "panel"},
			column{query: query{expr: `max by (site, rule, severity, state, subject, panel) (` + on("curewright_alert_active") + `)`}}).
			OverrideByName("site", toShed("${__data.fields.site}")))

	b = b.WithRow(dashboard.NewRowBuilder("The day so far")).
		WithPanel(strips("Hands wanted", "One strip a site: whether an alert that wants hands was unanswered.", 24, 10,
			[]word{{"0", "quiet", paper}, {"1", "hands wanted", inkHarm}},
			query{`max by (site) (` + on("site_severity:curewright_alerts_unacknowledged:sum", `severity=~"danger|act"`) + ` > bool 0)`, "{{site}}"}).
			WithOverride(dashboard.MatcherConfig{Id: "byType", Options: "number"}, toShed("${__field.labels.site}"))).
		WithPanel(lines("Coldest panel", "", "celsius", 12, query{on("site:curewright_panel_temperature_celsius:min"), "{{site}}"})).
		WithPanel(limitLines(lines("Nearest to dew", "3 K is the margin of ISO 8502-4; at 0 it is wet.", "kelvin", 12, query{on("site:curewright_panel_dew_margin_kelvin:min"), "{{site}}"}),
			steps(inkHarm, at(0, pale), at(3, graphite)))).
		WithPanel(lines("Time to the first closing", "", "s", 12, query{on("site:curewright_window_closes_seconds:min"), "{{site}}"})).
		WithPanel(limitLines(lines("Highest blush index", "Ordinal and not validated.", "none", 12, query{on("site:curewright_coat_blush_index:max"), "{{site}}"}).Min(0),
			steps(graphite, at(.3, pale), at(1, inkHarm))))

	b = b.WithRow(dashboard.NewRowBuilder("Boards")).
		WithPanel(lines("Probes in trouble", "", "none", 8, query{on("site:curewright_probes_in_trouble:sum"), "{{site}}"}).Min(0)).
		WithPanel(lines("Parts that are late", "Parts of a board that made no progress within their own limit.", "none", 8,
			query{"max by (site) (" + on("curewright_parts_late") + ")", "{{site}}"}).Min(0)).
		WithPanel(lines("Room left on the cards", "", "bytes", 8, query{"min by (site) (" + on("curewright_store_free_bytes") + ")", "{{site}}"}).Min(0)).
		WithPanel(lines("Memory", "", "bytes", 8, query{"max by (site) (" + on("process_resident_memory_bytes", `job="curewright"`) + ")", "{{site}}"}).Min(0)).
		WithPanel(lines("Evaluation time", "Nineteen of twenty evaluations of the whole shop are done within this.", "s", 8,
			query{"histogram_quantile(0.95, sum by (site, le) (rate(" + on("curewright_estimate_duration_seconds_bucket") + "[$__rate_interval])))", "{{site}}"}).Min(0)).
		WithPanel(lines("Processor", "Share of one core.", "percentunit", 8,
			query{"max by (site) (rate(" + on("process_cpu_seconds_total", `job="curewright"`) + "[$__rate_interval]))", "{{site}}"}).Min(0)).
		WithPanel(rows("Versions", "What runs where.", 8, 8, map[string]string{"version": "version", "site": "site", "instance": "board"},
			column{query: query{expr: "max by (version, site, instance) (" + on("curewright_build_info") + ")"}}))
	return b.Build()
}
