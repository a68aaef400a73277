// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"curewright/model/words"
)

// ErrNoChannel is returned for a name that no channel has.
var ErrNoChannel = errors.New("no such channel")

// Channels returns the names of the channels, in order of the configuration.
func (d *Dispatcher) Channels() []string { return slices.Clone(d.order) }

// Test sends a test message through one channel at once, past the outbox. That
// it was accepted does not mean that it woke anybody: ask, and call
// [Dispatcher.Heard].
func (d *Dispatcher) Test(ctx context.Context, name string) error {
	l, ok := d.lines[name]
	if !ok {
		return fmt.Errorf("channel %q: %w", name, ErrNoChannel)
	}
	ctx, cancel := context.WithTimeout(ctx, l.Timeout)
	defer cancel()
	now := d.cfg.Now()
	d.mu.Lock()
	view := d.view
	d.mu.Unlock()
	title := view.Say("message.test", nil)
	if d.cfg.Site != "" {
		title = view.Say("message.site", words.Facts{"site": d.cfg.Site, "head": strings.ToLower(title)})
	}
	return send(ctx, l.Channel, Message{Key: fmt.Sprintf("test/%s/%d", name, now.UnixNano()), What: WhatTest, Site: d.cfg.Site,
		Title: title, Text: view.Say("message.test_say", nil), At: now})
}

func heardKey(name string) string { return "alerts.heard." + name }

// Heard records whether the person noticed a test of a channel, or of the
// open page under [PageChannel].
func (d *Dispatcher) Heard(ctx context.Context, name string, heard bool) error {
	if _, ok := d.lines[name]; !ok && name != PageChannel {
		return fmt.Errorf("channel %q: %w", name, ErrNoChannel)
	}
	d.mu.Lock()
	if heard {
		d.heard[name] = true
	} else {
		delete(d.heard, name)
	}
	d.mu.Unlock()
	if d.settings == nil {
		return nil
	}
	v := ""
	if heard {
		v = d.cfg.Now().UTC().Format(time.RFC3339)
	}
	if err := d.settings.SetSetting(ctx, heardKey(name), v); err != nil {
		return fmt.Errorf("channel %s: remember the test: %w", name, err)
	}
	return nil
}

// WakeTested reports whether some way to wake the person was tested and
// noticed: a configured channel, or the page's own sound.
func (d *Dispatcher) WakeTested() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.heard) > 0
}
