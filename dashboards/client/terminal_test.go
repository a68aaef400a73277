// SPDX-License-Identifier: Apache-2.0

package client

import (
	"encoding/json"
	"testing"
)

// What a terminal would obey does not come out of the client; everything else
// does, byte for byte.
func TestForTerminal(t *testing.T) {
	for in, want := range map[string]string{
		"plain, ä, 20 °C":          "plain, ä, 20 °C",
		"two\nlines\tand a tab":    "two\nlines\tand a tab",
		"\x1b[2Jgone":              "\ufffd[2Jgone",
		"\u009b31m":                "\ufffd31m",
		"over\rwritten":            "over\ufffdwritten",
		"del\x7f bell\a back\b":    "del\ufffd bell\ufffd back\ufffd",
		"\u202egpj.exe":            "\ufffdgpj.exe",
		`a \ "quoted" \u001b text`: `a \ "quoted" \u001b text`,
	} {
		b, err := json.Marshal(map[string]string{"x": in})
		if err != nil {
			t.Fatal(err)
		}
		var got map[string]string
		if err := json.Unmarshal(forTerminal(b), &got); err != nil || got["x"] != want {
			t.Errorf("%q came out as %q, %v; want %q", in, got["x"], err, want)
		}
	}
}
