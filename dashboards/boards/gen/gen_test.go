// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	promquery "github.com/grafana/grafana-foundation-sdk/go/prometheus"
	"github.com/grafana/grafana-foundation-sdk/go/statetimeline"
	"github.com/grafana/grafana-foundation-sdk/go/table"
	"github.com/grafana/grafana-foundation-sdk/go/timeseries"
	"github.com/prometheus/common/model"
	"github.com/prometheus/prometheus/model/rulefmt"
	"github.com/prometheus/prometheus/promql/parser"
)

// The committed files are what this program writes: an edit by hand, or a
// change here that was not written out, shows.
func TestCommitted(t *testing.T) {
	files, err := generate()
	if err != nil {
		t.Fatal(err)
	}
	if len(files) != 3 {
		t.Errorf("%d files generated, want 3", len(files))
	}
	for name, want := range files {
		got, err := os.ReadFile(filepath.Join("..", name))
		if err != nil {
			t.Error(err)
			continue
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s differs from what is generated: run \"go run . ..\" in this folder", name)
		}
	}
}

// read decodes a committed board with every field checked against Grafana's
// own schema.
func read(t *testing.T, name string) dashboard.Dashboard {
	t.Helper()
	r := cog.NewRuntime()
	r.RegisterPanelcfgVariant(timeseries.VariantConfig())
	r.RegisterPanelcfgVariant(statetimeline.VariantConfig())
	r.RegisterPanelcfgVariant(table.VariantConfig())
	r.RegisterDataqueryVariant(promquery.VariantConfig())
	text, err := os.ReadFile(filepath.Join("..", name))
	if err != nil {
		t.Fatal(err)
	}
	if err := strict(text); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	var b dashboard.Dashboard
	if err := json.Unmarshal(text, &b); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	if err := b.Validate(); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return b
}

// strict reports fields that Grafana's schema does not have. The decoder's
// list of faults is an error even when it is empty, and what it decoded is
// then incomplete, so only its verdict is of use.
func strict(text []byte) error {
	var b dashboard.Dashboard
	err := b.UnmarshalJSONStrict(text)
	if list, ok := err.(cog.BuildErrors); ok && len(list) == 0 {
		return nil
	}
	return err
}

func TestBoards(t *testing.T) {
	for name := range boards {
		b := read(t, name)
		ids := map[uint32]bool{0: true}
		titles, used := map[string]bool{}, map[[2]uint32]string{}
		queries := 0
		for _, p := range b.Panels {
			if p.RowPanel != nil {
				continue
			}
			panel := p.Panel
			title := *panel.Title
			if titles[title] {
				t.Errorf("%s: two panels called %q", name, title)
			}
			titles[title] = true
			if panel.Id == nil || ids[*panel.Id] {
				t.Errorf("%s: %q has no number of its own", name, title)
			} else {
				ids[*panel.Id] = true
			}
			// No panel lies on another.
			g := panel.GridPos
			for x := g.X; x < g.X+g.W; x++ {
				for y := g.Y; y < g.Y+g.H; y++ {
					if other := used[[2]uint32{x, y}]; other != "" {
						t.Fatalf("%s: %q lies on %q", name, title, other)
					}
					used[[2]uint32{x, y}] = title
				}
			}
			if g.X+g.W > 24 {
				t.Errorf("%s: %q is wider than the board", name, title)
			}
			for _, target := range panel.Targets {
				q, ok := target.(*promquery.Dataquery)
				if !ok {
					t.Fatalf("%s: %q: a query of another kind: %T", name, title, target)
				}
				queries++
				checkQuery(t, name+": "+title, strings.ReplaceAll(q.Expr, "$__rate_interval", "1m"))
				if q.Format != nil && *q.Format == promquery.PromQueryFormatTable {
					e, err := promql.ParseExpr(q.Expr)
					if _, ok := e.(*parser.AggregateExpr); err == nil && !ok {
						t.Errorf("%s: %q: the metric's name is a column and keeps rows apart: %s", name, title, q.Expr)
					}
				}
				// Otherwise a board for one site would show every site.
				if !strings.Contains(q.Expr, `site=~"$site"`) {
					t.Errorf("%s: %q is not kept to the chosen site: %s", name, title, q.Expr)
				}
			}
		}
		// What is marked across the charts, and the ways between the boards.
		for _, a := range b.Annotations.List {
			if a.Expr == nil || !strings.Contains(*a.Expr, `site=~"$site"`) {
				t.Fatalf("%s: the marks %q are not kept to the chosen site", name, a.Name)
			}
			checkQuery(t, name+": "+a.Name, *a.Expr)
		}
		if len(b.Annotations.List) != 2 {
			t.Errorf("%s: %d kinds of marks, want coats and calls", name, len(b.Annotations.List))
		}
		if queries < 15 {
			t.Errorf("%s: only %d queries", name, queries)
		}
	}
}

// Every link between the boards leads to a board that is there, with the
// variables that it has.
func TestLinks(t *testing.T) {
	uids, vars := map[string]bool{}, map[string]bool{}
	var texts []string
	for name := range boards {
		b := read(t, name)
		uids[*b.Uid] = true
		for _, v := range b.Templating.List {
			vars[v.Name] = true
		}
		text, err := os.ReadFile(filepath.Join("..", name))
		if err != nil {
			t.Fatal(err)
		}
		texts = append(texts, string(text))
	}
	n := map[string]int{}
	for _, text := range texts {
		for _, m := range regexp.MustCompile(`"url": "/d/([a-z-]+)\?([^"]*)"`).FindAllStringSubmatch(text, -1) {
			if n[m[1]]++; !uids[m[1]] {
				t.Errorf("a link to %s, which no board is", m[1])
			}
			for _, v := range regexp.MustCompile(`var-([a-z]+)=`).FindAllStringSubmatch(m[2], -1) {
				if !vars[v[1]] {
					t.Errorf("a link sets %s, which no board has", v[1])
				}
			}
		}
	}
	if n[shedUID] != 3 || n[yardUID] != 1 {
		t.Errorf("%v: want two tables and a strip that lead to the shed, and the way back", n)
	}
}

var promql = parser.NewParser(parser.Options{})

// checkQuery parses a query and looks at every metric in it.
func checkQuery(t *testing.T, where, q string) {
	t.Helper()
	e, err := promql.ParseExpr(q)
	if err != nil {
		t.Errorf("%s: %v in %s", where, err, q)
		return
	}
	parser.Inspect(e, func(n parser.Node, _ []parser.Node) error {
		if v, ok := n.(*parser.VectorSelector); ok && !known(v.Name) {
			t.Errorf("%s: no metric is called %q", where, v.Name)
		}
		return nil
	})
}

// The daemon's metrics as its source declares them, and those every Go
// program or scrape has.
var declared = func() map[string]bool {
	m := map[string]bool{"up": true, "ALERTS": true, "process_resident_memory_bytes": true,
		"process_cpu_seconds_total": true, "process_start_time_seconds": true, "curewright_build_info": true}
	text, err := os.ReadFile("../../web/metrics.go")
	if err != nil {
		panic(err)
	}
	for _, x := range regexp.MustCompile(`durations\("([a-z0-9_]+)"`).FindAllSubmatch(text, -1) {
		m["curewright_"+string(x[1])+"_bucket"] = true
	}
	for _, x := range regexp.MustCompile(`(?:gauge|counter)\("([a-z0-9_]+)"`).FindAllSubmatch(text, -1) {
		m["curewright_"+string(x[1])] = true
	}
	for _, r := range records {
		m[r.Name] = true
	}
	return m
}()

func known(metric string) bool { return declared[metric] }

func TestRules(t *testing.T) {
	text, err := os.ReadFile("../rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	groups, errs := rulefmt.Parse(text, false, model.UTF8Validation, promql, slog.New(slog.DiscardHandler))
	for _, err := range errs {
		t.Error(err)
	}
	if groups == nil {
		return
	}
	n := 0
	for _, g := range groups.Groups {
		for _, r := range g.Rules {
			n++
			checkQuery(t, g.Name+": "+r.Record+r.Alert, r.Expr)
		}
	}
	if want := len(records) + len(derived) + len(repeated) + len(ofTheYard); n != want {
		t.Errorf("%d rules in the file, want %d", n, want)
	}
}

// The strict decoder is only worth something if it does refuse a field, at
// the top and deep inside.
func TestStrict(t *testing.T) {
	read(t, "shed.json") // makes the kinds of panel known
	text, err := os.ReadFile("../shed.json")
	if err != nil {
		t.Fatal(err)
	}
	for _, where := range []string{`"uid": "curewright-shed"`, `"showHeader": true`, `"expr": `, `"cellHeight": `} {
		bad := strings.Replace(string(text), where, `"colour": "blue", `+where, 1)
		if bad == string(text) {
			t.Errorf("%s is not in the board", where)
		}
		if strict([]byte(bad)) == nil {
			t.Errorf("an unknown field beside %s was taken", where)
		}
	}
}
