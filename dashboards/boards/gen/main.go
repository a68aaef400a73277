// SPDX-License-Identifier: Apache-2.0

// Command gen writes the boards and rules that stand beside it: one Grafana
// board for a shed, one for a yard of many, and the Prometheus rules. They are
// built from typed builders so that a field Grafana does not know cannot get
// in, and committed so that nobody needs this program to use them.
//
// The boards are in the classic form, not the newer "v2": every Grafana that is
// about imports it.
//
// It is a module of its own: neither the builders nor the query parser belong
// in the daemon.
//
//	go run . ..
package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"sort"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
)

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: go run . FOLDER")
		os.Exit(2)
	}
	files, err := generate()
	if err != nil {
		fmt.Fprintln(os.Stderr, "gen:", err)
		os.Exit(1)
	}
	names := make([]string, 0, len(files))
	for name := range files {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		if err := os.WriteFile(filepath.Join(os.Args[1], name), files[name], 0o644); err != nil {
			fmt.Fprintln(os.Stderr, "gen:", err)
			os.Exit(1)
		}
	}
}

// generate returns every file by its name.
func generate() (map[string][]byte, error) {
	out := map[string][]byte{"rules.yml": rulesFile()}
	for name, build := range boards {
		b, err := build()
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		for i := range b.Panels {
			// Links to a panel stay good only while its number does.
			if p := b.Panels[i].Panel; p != nil {
				p.Id = cog.ToPtr(uint32(i + 1))
			} else {
				b.Panels[i].RowPanel.Id = uint32(i + 1)
			}
		}
		if err := b.Validate(); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		text, err := json.MarshalIndent(b, "", "  ")
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		out[name] = append(text, '\n')
	}
	return out, nil
}
