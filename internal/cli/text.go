// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"strings"
	"time"

	"curewright/internal/argv"
)

// day and month are a date's short names in the reader's language.
func (a *App) day(t time.Time) string { return a.Words.DateName("day", t) }

func (a *App) month(t time.Time) string { return a.Words.DateName("month", t) }

// weekday is "Sat 14:05", dayClock "10 Oct 14:05", date "10 Oct 2026", each in the
// time's own zone.
func (a *App) weekday(t time.Time) string { return a.day(t) + t.Format(" 15:04") }

func (a *App) dayClock(t time.Time) string { return t.Format("2 ") + a.month(t) + t.Format(" 15:04") }

func (a *App) date(t time.Time) string { return t.Format("2 ") + a.month(t) + t.Format(" 2006") }

// Wrap breaks text at spaces so that no line is longer than width.
func Wrap(s string, width int) string { return strings.Join(argv.Wrap(s, width), "\n") }

// hang puts head before text and lines up what follows under it, within the
// 78 columns that every terminal has.
func hang(head, text string) string {
	n := len([]rune(head))
	return head + strings.ReplaceAll(Wrap(text, 78-n), "\n", "\n"+strings.Repeat(" ", n))
}
