// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"strings"
)

// Wrap breaks text at spaces so that no line is longer than width.
func Wrap(s string, width int) string {
	var b strings.Builder
	n := 0
	for i, w := range strings.Fields(s) {
		l := len([]rune(w))
		switch {
		case i == 0:
		case n+1+l > width:
			b.WriteByte('\n')
			n = 0
		default:
			b.WriteByte(' ')
			n++
		}
		b.WriteString(w)
		n += l
	}
	return b.String()
}

// hang puts head before text and lines up what follows under it, within the
// 78 columns that every terminal has.
func hang(head, text string) string {
	n := len([]rune(head))
	return head + strings.ReplaceAll(Wrap(text, 78-n), "\n", "\n"+strings.Repeat(" ", n))
}
