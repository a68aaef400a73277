// SPDX-License-Identifier: Apache-2.0

// Package logch writes alerts to the log: the channel that is always there
// and that wakes nobody.
package logch

import (
	"context"
	"log/slog"

	"curewright/alerts"
)

// New returns a channel that writes each message to log as one line, every
// change at any hour. That can't fail. The acknowledging link is left out: a log
// is read by more people than a phone.
func New(name string, log *slog.Logger) alerts.Channel {
	return alerts.Channel{Name: name, Machine: true, Send: func(ctx context.Context, m alerts.Message) error {
		write(ctx, log, m)
		return nil
	}}
}

func write(ctx context.Context, log *slog.Logger, m alerts.Message) {
	level := slog.LevelInfo
	switch m.Severity() {
	case alerts.Danger:
		level = slog.LevelError
	case alerts.Act:
		level = slog.LevelWarn
	}
	attrs := []slog.Attr{slog.String("what", m.What), slog.String("say", m.Text)}
	if m.Alert != nil {
		attrs = append(attrs, slog.String("id", m.Alert.ID), slog.String("rule", m.Alert.Rule),
			slog.String("subject", m.Alert.Subject), slog.String("severity", string(m.Alert.Severity)))
	}
	for _, l := range m.Lines {
		attrs = append(attrs, slog.String("line", l))
	}
	log.LogAttrs(ctx, level, "alert", attrs...)
}
