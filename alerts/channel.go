// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// ErrPermanent marks a failure that trying again can't mend: wrong
// credentials, an unknown address, a message that is refused. A channel wraps
// it; every other error is taken as passing and tried again.
var ErrPermanent = errors.New("not tried again")

// Permanent wraps err with [ErrPermanent]; nil stays nil.
func Permanent(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%w (%w)", err, ErrPermanent)
}

// RetryAfterError is a passing failure for which the other side named the
// shortest wait.
type RetryAfterError struct {
	Err  error
	Wait time.Duration
}

func (e *RetryAfterError) Error() string { return e.Err.Error() }
func (e *RetryAfterError) Unwrap() error { return e.Err }

// Channel carries messages to a person or to another system. Send blocks for
// at most the context's deadline, is called by one goroutine at a time, and
// must be safe to call again after any error. The same [Message.Key] may come
// twice: delivery is at least once.
type Channel interface {
	Name() string
	Send(ctx context.Context, m Message) error
}

// Machine is a channel that speaks to another system rather than to a person:
// it gets every change at once, also at night, also those that a person ended
// themselves.
type Machine interface{ Machine() bool }

// Watcher is a channel that follows what is firing now instead of taking one
// message after the other, like a buzzer that must fall silent as soon as
// somebody acknowledges. Watch must not block.
type Watcher interface{ Watch(active []Alert) }

// Refresher is a channel whose other end forgets what is not repeated. Refresh
// gets everything that lasts, every minute, and obeys the same rules as Send.
type Refresher interface {
	Refresh(ctx context.Context, active []Alert) error
}

// What a message is about.
const (
	WhatFiring       = "firing"
	WhatAcknowledged = "acknowledged"
	WhatResolved     = "resolved"
	WhatReminder     = "reminder"  // the end of what can be done nears
	WhatEscalated    = "escalated" // nobody acknowledged
	WhatDigest       = "digest"    // several, put off until the morning or by the rate limit
	WhatTest         = "test"
)

// Message is what a channel delivers.
type Message struct {
	// Key names the event, the same on every try and on every channel: a
	// receiver that has seen it may drop the repeat.
	Key  string `json:"key"`
	What string `json:"what"`
	Site string `json:"site,omitempty"`
	// Title is short enough for a lock screen; Text is the sentence with what
	// to do.
	Title string    `json:"title"`
	Text  string    `json:"text"`
	At    time.Time `json:"at"`
	// Alert is the alert as it was then; nil for a digest or a test.
	Alert *Alert `json:"alert,omitempty"`
	// AckURL opens a page with one button on the shed's own network; "" where
	// there is nothing to acknowledge.
	AckURL string `json:"ack_url,omitempty"`
	// Ack says so: the link, and where it opens.
	Ack string `json:"ack,omitempty"`
	// Lines are a digest's sentences, oldest first.
	Lines []string `json:"lines,omitempty"`
}

// Severity returns the alert's severity, or [Note] where there is none.
func (m Message) Severity() Severity {
	if m.Alert == nil {
		return Note
	}
	return m.Alert.Severity
}

// Body returns the message as plain text lines: the sentence or the digest's
// lines, and the link with the words that say where it opens.
func (m Message) Body() string {
	s := m.Text
	for _, l := range m.Lines {
		s += "\n- " + l
	}
	if m.Ack != "" {
		s += "\n\n" + m.Ack
	}
	return s
}
