// SPDX-License-Identifier: Apache-2.0

package boards_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"strings"
	"testing"

	"curewright/alerts"
	"curewright/model/words"
)

var update = flag.Bool("update", false, "write gen/texts.json anew")

// What the Prometheus rules say is what the board says, from the same
// catalogue: the facts are the labels, and where the board's own facts are not
// at hand the catalogue has a sentence for a yard.
func TestRuleTexts(t *testing.T) {
	labels := words.Facts{
		"coat": words.English.Text("part.coat") + " {subject} on {panel}", "panel": "{panel}", "probe": "probe {subject}", "subject": "{subject}", "cup": " {subject}",
		"instance": "{instance}", "name": "{name}",
		"until": "", "first": "", "at": "", "hint": "", "last": "", "left": "", // of one moment: the board alone knows
	}
	texts := map[string]string{}
	for _, r := range alerts.Rules {
		code := "alert." + r.Name + ".yard"
		if !words.English.Has(code) {
			code = "alert." + r.Name + ".say"
		}
		texts[r.Name] = words.Upper(words.View{}.Say(code, labels))
		for _, n := range words.Names(texts[r.Name]) {
			if n != "subject" && n != "panel" {
				t.Errorf("%s: {%s} is no label: give the catalogue a sentence alert.%s.yard", r.Name, n, r.Name)
			}
		}
	}
	for _, code := range words.English.Codes("yard.") {
		texts[strings.TrimPrefix(code, "yard.")] = words.View{}.Say(code, labels)
	}
	b, err := json.MarshalIndent(texts, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	b = append(b, '\n')
	const name = "gen/texts.json"
	if *update {
		if err := os.WriteFile(name, b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if old, err := os.ReadFile(name); err != nil || !bytes.Equal(old, b) {
		t.Errorf("%s is not what the catalogue says (%v): go test ./dashboards/boards -run RuleTexts -update, then \"go run . ..\" in gen", name, err)
	}
}
