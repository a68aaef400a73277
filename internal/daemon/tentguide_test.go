// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"strings"
	"testing"

	"curewright/internal/testkit"
)

// TestTentGuide: the guide's own configuration passes the check.
func TestTentGuide(t *testing.T) {
	b := testkit.MustRead(t, "../../docs/tent.md")
	_, text, ok := strings.Cut(string(b), "```toml\n")
	text, _, ok2 := strings.Cut(text, "```")
	if !ok || !ok2 {
		t.Fatal("no configuration in the guide")
	}
	c, err := ParseConfig("guide.toml", []byte(text))
	testkit.OK(t, err)
	if c.Tent.Output != "pulse" || c.Tent.ThermalCutoffC == nil {
		t.Errorf("%+v", c.Tent)
	}
}
