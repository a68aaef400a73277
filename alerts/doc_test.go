// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"flag"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"curewright/sensors"

	"curewright/model/words"
)

var update = flag.Bool("update", false, "rewrite the table of rules in the guide")

const guide = "../docs/alerts.md"

// The guide's table is the rules' table.
func TestDocTable(t *testing.T) {
	var b strings.Builder
	b.WriteString("| rule | severity | sound | hold-off | told | says |\n|---|---|---|---|---|---|\n")
	for _, r := range Rules {
		hold := "–"
		if r.Hold > 0 {
			hold = (View{}).Span(r.Hold)
		}
		sound, told := r.Sound, ""
		if sound == "" {
			sound = "–"
		}
		if r.TellOver {
			told = "yes"
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s | %s |\n", r.Name, r.Severity, sound, hold, told, words.English.Text(r.code("say")))
	}
	text, err := os.ReadFile(guide)
	if err != nil {
		t.Fatal(err)
	}
	re := regexp.MustCompile(`(?s)(<!-- table: [^\n]*-->\n).*(<!-- end of table -->)`)
	if !re.Match(text) {
		t.Fatal("the guide has no place for the table")
	}
	want := re.ReplaceAllString(string(text), "${1}\n"+strings.ReplaceAll(b.String(), "$", "$$")+"\n${2}")
	if *update {
		if err := os.WriteFile(guide, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	} else if want != string(text) {
		t.Errorf("%s does not show the rules as they are: run with -update", guide)
	}
}

// The guide's configuration passes, and its numbers are the defaults.
func TestDocConfiguration(t *testing.T) {
	text, err := os.ReadFile(guide)
	if err != nil {
		t.Fatal(err)
	}
	_, rest, ok := strings.Cut(string(text), "```toml\n")
	block, _, _ := strings.Cut(rest, "```")
	if !ok {
		t.Fatal("no configuration in the guide")
	}
	if got := check(t, block); len(got) > 0 {
		t.Errorf("the guide's configuration has faults: %q", got)
	}
	c := Tuning{}.defaults()
	if c.EscalateDanger != sensors.Duration(3*time.Minute) || c.EscalateAct != sensors.Duration(20*time.Minute) || c.ClosingLead != sensors.Duration(45*time.Minute) {
		t.Errorf("defaults %+v are not the guide's", c)
	}
}
