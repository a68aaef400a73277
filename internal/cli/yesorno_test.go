// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"strings"
	"testing"
)

// At a terminal the answer to "did it reach you" is read from it.
func TestYesOrNo(t *testing.T) {
	for text, want := range map[string]string{"yes\n": "yes", "Y\r\n": "yes", "no": "no", "": "", "perhaps\n": ""} {
		if got := yesOrNo(strings.NewReader(text)); got != want {
			t.Errorf("the answer %q is taken as %q, want %q", text, got, want)
		}
	}
}
