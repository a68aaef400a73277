// SPDX-License-Identifier: Apache-2.0

package textures

import (
	"testing"

	"curewright/model/coat"
)

// Every state has a drawing, and no two the same.
func TestEveryState(t *testing.T) {
	marks := map[rune]coat.State{}
	for _, s := range append([]coat.State{coat.Unknown}, coat.States...) {
		x, ok := Of[s]
		if !ok || x.Mark == 0 || x.Rows == nil && !x.Lean && !x.Tone && !x.Doubt {
			t.Errorf("%s is not drawn: %+v", s, x)
		}
		if other, twice := marks[x.Mark]; twice {
			t.Errorf("%s and %s are both %c", s, other, x.Mark)
		}
		marks[x.Mark] = s
	}
	if len(Of) != len(marks) {
		t.Errorf("%d drawings of %d states", len(Of), len(marks))
	}
}
