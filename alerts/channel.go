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

// Channel is one way out: what it is called, how a message goes by it, and what
// its other end needs. A function that is nil is not needed.
type Channel struct {
	Name string // as configured
	// Send carries a message to a person or to another system. It blocks for at
	// most the context's deadline, is called by one goroutine at a time, and must
	// be safe to call again after any error. Delivery is at least once: the same
	// [Message.Key] may come twice.
	Send func(ctx context.Context, m Message) error
	// Machine says that the other end is a system: it gets every change at once,
	// at night too, and those too that a person ended.
	Machine bool
	// Watch follows what is firing now instead of taking one message after the
	// other, like a buzzer that must fall silent as soon as somebody
	// acknowledges; Send then only plays tests. Watch must not block. Err returns
	// what is wrong with such a channel, nil while it works.
	Watch func(active []Alert)
	Err   func() error
	// Refresh is for a receiver that forgets what is not repeated: every minute
	// it gets all alerts that last. The rules of Send apply.
	Refresh func(ctx context.Context, active []Alert) error
	// Timeout bounds one try, 30 s where it is 0; MaxPerHour the messages to a
	// person, 20 where it is 0: messages beyond the limit are gathered into one.
	// Danger is exempt.
	Timeout    time.Duration
	MaxPerHour int
}

// What a message is about.
const (
	WhatFiring       = "firing"
	WhatAcknowledged = "acknowledged"
	WhatResolved     = "resolved"
	WhatReminder     = "reminder"  // little time is left to act
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
	// Ack is the link as a sentence that also says where the link opens.
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
