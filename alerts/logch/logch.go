// SPDX-License-Identifier: Apache-2.0

// Package logch writes alerts to the log: the channel that is always there
// and that wakes nobody.
package logch

import (
	"context"
	"log/slog"

	"curewright/alerts"
)

// Channel writes each message as one log line.
type Channel struct {
	name string
	log  *slog.Logger
}

var (
	_ alerts.Channel = (*Channel)(nil)
	_ alerts.Machine = (*Channel)(nil)
)

// New returns a channel that writes to log.
func New(name string, log *slog.Logger) *Channel { return &Channel{name: name, log: log} }

// Name returns the configured name.
func (c *Channel) Name() string { return c.name }

// Machine says that the log takes every change, at any hour.
func (c *Channel) Machine() bool { return true }

// Send writes the message; it can't fail. The acknowledging link is left out:
// a log is read by more people than a phone.
func (c *Channel) Send(ctx context.Context, m alerts.Message) error {
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
	c.log.LogAttrs(ctx, level, "alert", attrs...)
	return nil
}
