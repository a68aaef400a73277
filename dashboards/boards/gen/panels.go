// SPDX-License-Identifier: Apache-2.0

package main

import (
	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/cog/variants"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/prometheus"
	"github.com/grafana/grafana-foundation-sdk/go/statetimeline"
	"github.com/grafana/grafana-foundation-sdk/go/table"
	"github.com/grafana/grafana-foundation-sdk/go/timeseries"
)

// Graphite for what is, one ink for "you can act now", one for "act before
// harm". A colour never stands alone: the word is always beside it.
const (
	graphite = "#55606b"
	pale     = "#9aa3ab"
	paper    = "#c9ced3"
	inkAct   = "#1f6f8b"
	inkHarm  = "#a8462c"
)

var source = common.DataSourceRef{Type: cog.ToPtr("prometheus"), Uid: cog.ToPtr("${source}")}

// query is one line of a chart or one column of a table.
type query struct {
	expr, legend string
}

func (q query) target(ref string, instant bool) cog.Builder[variants.Dataquery] {
	b := prometheus.NewDataqueryBuilder().Datasource(source).Expr(q.expr).LegendFormat(q.legend).RefId(ref)
	if instant {
		return b.Instant().Format(prometheus.PromQueryFormatTable)
	}
	return b.Range()
}

func ref(i int) string { return string(rune('A' + i)) }

func steps(first string, at ...dashboard.Threshold) *dashboard.ThresholdsConfigBuilder {
	return dashboard.NewThresholdsConfigBuilder().Mode(dashboard.ThresholdsModeAbsolute).
		Steps(append([]dashboard.Threshold{{Color: first}}, at...))
}

func at(x float64, color string) dashboard.Threshold {
	return dashboard.Threshold{Value: &x, Color: color}
}

// lines is a chart over time. A gap in the readings is a gap in the line.
func lines(title, says, unit string, width uint32, qs ...query) *timeseries.PanelBuilder {
	p := timeseries.NewPanelBuilder().Title(title).Description(says).Datasource(source).Unit(unit).
		Span(width).Height(8).LineWidth(1).FillOpacity(0).ShowPoints(common.VisibilityModeNever).
		SpanNulls(common.BoolOrFloat64{Bool: cog.ToPtr(false)}).
		Legend(common.NewVizLegendOptionsBuilder().DisplayMode(common.LegendDisplayModeList).Placement(common.LegendPlacementBottom).ShowLegend(true)).
		Tooltip(common.NewVizTooltipOptionsBuilder().Mode(common.TooltipDisplayModeMulti).Sort(common.SortOrderDescending))
	for i, q := range qs {
		p = p.WithTarget(q.target(ref(i), false))
	}
	return p
}

// limitLines draws the thresholds as lines across a chart.
func limitLines(p *timeseries.PanelBuilder, t *dashboard.ThresholdsConfigBuilder) *timeseries.PanelBuilder {
	return p.Thresholds(t).ThresholdsStyle(common.NewGraphThresholdsStyleConfigBuilder().Mode(common.GraphThresholdsStyleModeDashed))
}

// strips is a state over time, one strip a series, with the word on it.
func strips(title, says string, width, height uint32, words []word, qs ...query) *statetimeline.PanelBuilder {
	p := statetimeline.NewPanelBuilder().Title(title).Description(says).Datasource(source).
		Span(width).Height(height).MergeValues(true).ShowValue(common.VisibilityModeAlways).RowHeight(.8).LineWidth(0).FillOpacity(75).
		Mappings([]dashboard.ValueMapping{mapping(words)}).
		ColorScheme(dashboard.NewFieldColorBuilder().Mode(dashboard.FieldColorModeIdFixed).FixedColor(paper)).
		Legend(common.NewVizLegendOptionsBuilder().ShowLegend(false))
	for i, q := range qs {
		p = p.WithTarget(q.target(ref(i), false))
	}
	return p
}

// word is what a number stands for.
type word struct {
	value, text, color string
}

func mapping(words []word) dashboard.ValueMapping {
	m := dashboard.ValueMap{Type: dashboard.MappingTypeValueToText, Options: map[string]dashboard.ValueMappingResult{}}
	for i, w := range words {
		m.Options[w.value] = dashboard.ValueMappingResult{Text: cog.ToPtr(w.text), Color: cog.ToPtr(w.color), Index: cog.ToPtr(int32(i))}
	}
	return dashboard.ValueMapping{ValueMap: &m}
}

// column is one value of a table's row.
type column struct {
	query
	name, unit string
	words      []word
	limits     []dashboard.Threshold
}

// rows is a table with one row for each set of labels that the columns share.
func rows(title, says string, width, height uint32, labels map[string]string, cols ...column) *table.PanelBuilder {
	p := table.NewPanelBuilder().Title(title).Description(says).Datasource(source).Span(width).Height(height).
		ShowHeader(true).CellHeight(common.TableCellHeightSm).
		Footer(common.NewTableFooterOptionsBuilder().Show(false).Reducer([]string{"sum"})).
		Filterable(true).
		WithTransformation(dashboard.DataTransformerConfig{Id: "merge", Options: map[string]any{}})
	rename, hide := map[string]any{}, map[string]any{"Time": true}
	for from, to := range labels {
		rename[from] = to
	}
	for i, c := range cols {
		p = p.WithTarget(c.target(ref(i), true))
		value := "Value #" + ref(i)
		if len(cols) == 1 {
			value = "Value"
		}
		if c.name == "" {
			hide[value] = true
			continue
		}
		rename[value] = c.name
		set := []dashboard.DynamicConfigValue{}
		if c.unit != "" {
			set = append(set, dashboard.DynamicConfigValue{Id: "unit", Value: c.unit})
		}
		if c.words != nil {
			set = append(set, dashboard.DynamicConfigValue{Id: "mappings", Value: []dashboard.ValueMapping{mapping(c.words)}})
		}
		if c.limits != nil {
			set = append(set,
				dashboard.DynamicConfigValue{Id: "thresholds", Value: dashboard.ThresholdsConfig{Mode: dashboard.ThresholdsModeAbsolute, Steps: c.limits}},
				dashboard.DynamicConfigValue{Id: "custom.cellOptions", Value: map[string]any{"type": "color-text"}})
		}
		if len(set) > 0 {
			p = p.OverrideByName(c.name, set)
		}
	}
	return p.WithTransformation(dashboard.DataTransformerConfig{Id: "organize",
		Options: map[string]any{"excludeByName": hide, "renameByName": rename}})
}

// frame is what both boards have: the data source, the sites to choose from.
func frame(uid, title, says, from string, many bool) *dashboard.DashboardBuilder {
	return dashboard.NewDashboardBuilder(title).Uid(uid).Description(says).Tags([]string{"curewright"}).
		Editable().Tooltip(dashboard.DashboardCursorSyncCrosshair).Refresh("30s").Time(from, "now").Timezone("browser").
		WithVariable(dashboard.NewDatasourceVariableBuilder("source").Label("Data source").Type("prometheus")).
		WithVariable(dashboard.NewQueryVariableBuilder("site").Label("Site").Datasource(source).
			Query(dashboard.StringOrMap{String: cog.ToPtr("label_values(curewright_build_info, site)")}).
			Refresh(dashboard.VariableRefreshOnTimeRangeChanged).Sort(dashboard.VariableSortNaturalAsc).
			// Everything, also boards that are scraped without a site.
			IncludeAll(true).AllValue(".*").Multi(many).
			Current(dashboard.VariableOption{Text: text("All"), Value: text("$__all")})).
		Annotation(mark("Coats", pale, "{{kind}} on {{panel}}", "{{resin}}, {{coat}}{{site}}",
			// What was not there a minute ago: a coat is marked when it was entered.
			"max by (site, panel, coat, kind, resin) ("+on("curewright_coat_info")+") unless max by (site, panel, coat, kind, resin) ("+on("curewright_coat_info")+" offset 1m)")).
		Annotation(mark("Calls", inkHarm, "{{rule}}", "{{subject}} {{panel}} {{site}}",
			// A band for as long as nobody has answered.
			"max by (site, rule, subject, panel) ("+on("curewright_alert_active", `state="firing", severity=~"danger|act"`)+")"))
}

// mark is what is drawn across every chart of a board; it can be switched off at
// its top.
func mark(name, color, title, says, expr string) *dashboard.AnnotationQueryBuilder {
	return dashboard.NewAnnotationQueryBuilder().Name(name).Datasource(source).Enable(true).IconColor(color).
		Expr(expr).Step("60s").TitleFormat(title).TextFormat(says)
}

// toShed leads from a site's row or strip to that site's own board, over the
// same span.
func toShed(site string) []dashboard.DynamicConfigValue {
	return []dashboard.DynamicConfigValue{{Id: "links", Value: []map[string]any{{
		"title": "This shed and its coats", "url": "/d/" + shedUID + "?var-site=" + site + "&var-source=${source}&${__url_time_range}",
	}}}}
}

// back leads from one board to the other.
func back(title, uid string) *dashboard.DashboardLinkBuilder {
	return dashboard.NewDashboardLinkBuilder(title).Type(dashboard.DashboardLinkTypeLink).Url("/d/" + uid + "?var-source=${source}").KeepTime(true)
}

// The boards' addresses, which links go by.
const (
	shedUID = "curewright-shed"
	yardUID = "curewright-yard"
)

func text(s string) dashboard.StringOrArrayOfString {
	return dashboard.StringOrArrayOfString{String: &s}
}
