// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"testing"
	"time"
)

// Once the cloth lies in the tack coat, asking for cloth again is wrong: what
// fills the weave comes next, while the film still takes a coat (common
// practice, no source).
func TestClothInEndsTheClothWindow(t *testing.T) {
	at := time.Date(2026, 10, 10, 11, 20, 0, 0, time.UTC)
	c := Coat{Kind: TackCoat, Applied: at.Add(-time.Hour)}
	if got := WindowKind(c); got != WindowCloth {
		t.Errorf("bare tack coat: %q", got)
	}
	c.Cloth = []Cloth{{Name: "aramid 170"}}
	if got := WindowKind(c); got != WindowCloth {
		t.Errorf("cloth meant, not laid: %q", got)
	}
	c.Cloth[0].Laid = &at
	if got := WindowKind(c); got != WindowCoat {
		t.Errorf("cloth laid: got %q, want %q", got, WindowCoat)
	}
	c.Next = "wet"
	if got := WindowKind(c); got != WindowWet {
		t.Errorf("what the person says wins: %q", got)
	}
}
