// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"bytes"
	"regexp"
	"strings"
	"testing"

	"curewright/internal/testkit"
	"curewright/model/words"
	"curewright/sensors/discover"
)

// keys are what is no sentence in a JSON object: its keys and a reason's word.
var keys = regexp.MustCompile(`"reason": "[a-z_]+"|"[a-z_0-9]+":|null`)

// What fails of a bus or a probe is said in the reader's language, with what to do
// about it, as text and as JSON.
func TestProbesFindWords(t *testing.T) {
	for code, err := range testkit.ReadErrors(t) {
		rep := discover.Report{Buses: []discover.Bus{{Name: "zq", Err: err}}, Found: []discover.Found{{Bus: "zq", Err: err}}}
		for _, asJSON := range []bool{false, true} {
			var out bytes.Buffer
			a := &App{Out: &out, Words: words.Pseudo()}
			testkit.OK(t, (&probesFindCmd{JSON: asJSON}).show(a, rep))
			text := keys.ReplaceAllString(out.String(), "")
			if bare := testkit.Bare(text); !strings.Contains(text, "⟦") || len(bare) > 0 {
				t.Errorf("%s: %q stand in no catalogue: %s", code, bare, text)
			}
		}
	}
}
