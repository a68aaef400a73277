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
	var b dashboard.Dashboard
	if err := b.UnmarshalJSONStrict(text); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	if err := b.Validate(); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return b
}

func TestBoards(t *testing.T) {
	for name := range boards {
		b := read(t, name)
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
				q, ok := target.(promquery.Dataquery)
				if !ok {
					t.Fatalf("%s: %q: a query of another kind: %T", name, title, target)
				}
				queries++
				checkQuery(t, name+": "+title, strings.ReplaceAll(q.Expr, "$__rate_interval", "1m"))
				// Otherwise a board for one site would show every site.
				if !strings.Contains(q.Expr, `site=~"$site"`) {
					t.Errorf("%s: %q is not kept to the chosen site: %s", name, title, q.Expr)
				}
			}
		}
		if queries < 15 {
			t.Errorf("%s: only %d queries", name, queries)
		}
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

// Grafana keeps a board by its uid and a strict decoder takes no unknown
// field; both are only worth something if the decoder does refuse one.
func TestStrict(t *testing.T) {
	text, err := os.ReadFile("../shed.json")
	if err != nil {
		t.Fatal(err)
	}
	var m map[string]any
	if err := json.Unmarshal(text, &m); err != nil {
		t.Fatal(err)
	}
	m["colour"] = "blue"
	text, _ = json.Marshal(m)
	var b dashboard.Dashboard
	if err := b.UnmarshalJSONStrict(text); err == nil {
		t.Error("an unknown field was taken")
	}
}
