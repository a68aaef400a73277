// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"time"
)

// Errors of [Engine.Ack] and [Engine.RedeemAck].
var (
	ErrNoAlert  = errors.New("no such alert")
	ErrOver     = errors.New("the alert is over")
	ErrBadToken = errors.New("the link was used or its alert is over")
)

// Ack acknowledges a firing alert: it falls silent at once and is not
// escalated. Ack then waits up to 5 s for the store to have it. An alert that
// is acknowledged already stays so, without an error.
func (e *Engine) Ack(id, by string, at time.Time) error {
	if err := e.ackID(id, by, at); err != nil {
		return err
	}
	e.saveNow()
	return nil
}

func (e *Engine) ackID(id, by string, at time.Time) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	r := e.byID(id)
	if r == nil || r.State == Pending {
		return fmt.Errorf("alert %q: %w", id, ErrNoAlert)
	}
	if r.State == Resolved {
		return fmt.Errorf("alert %q: %w", id, ErrOver)
	}
	e.ack(r, by, at)
	return nil
}

func (e *Engine) ack(r *record, by string, at time.Time) {
	if r.State != Firing {
		return
	}
	r.State, r.AckedAt, r.AckedBy, r.AckHashes, r.dirty = Acknowledged, &at, by, nil, true
	e.queue = append(e.queue, Transition{r.Alert, WhatAcknowledged, at})
	e.saveLater()
	e.tellWatchers()
}

// AckAll acknowledges everything that sounds, as a wired push-button does, and
// returns how many there were. It does not wait for the store.
func (e *Engine) AckAll(by string, at time.Time) int {
	e.mu.Lock()
	defer e.mu.Unlock()
	n := 0
	for _, r := range e.live {
		if r.State == Firing && r.Sound != "" {
			e.ack(r, by, at)
			n++
		}
	}
	return n
}

// maxAckTokens bounds the links that are good for one alert at once.
const maxAckTokens = 16

// MintAck returns a token that acknowledges this alert once, or "" where there
// is nothing to acknowledge. Only its hash is kept; it ends with the alert.
func (e *Engine) MintAck(id string) string {
	e.mu.Lock()
	defer e.mu.Unlock()
	r := e.byID(id)
	if r == nil || r.State != Firing {
		return ""
	}
	b := make([]byte, 18)
	rand.Read(b)
	token := base64.RawURLEncoding.EncodeToString(b)
	r.AckHashes = append(r.AckHashes, hashToken(token))
	if n := len(r.AckHashes) - maxAckTokens; n > 0 {
		r.AckHashes = slices.Clone(r.AckHashes[n:])
	}
	r.dirty = true
	e.saveLater()
	return token
}

func hashToken(t string) string {
	h := sha256.Sum256([]byte(t))
	return hex.EncodeToString(h[:])
}

// PeekAck returns the alert that a token would acknowledge, without using it:
// a mail client may open a link by itself, so only the page's button acknowledges.
func (e *Engine) PeekAck(token string) (Alert, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if r := e.byToken(token); r != nil {
		return r.Alert, nil
	}
	return Alert{}, ErrBadToken
}

func (e *Engine) byToken(token string) *record {
	// Hashes are compared: how long that takes says nothing about a token.
	h := hashToken(token)
	for _, r := range e.live {
		if r.State == Firing && slices.Contains(r.AckHashes, h) {
			return r
		}
	}
	return nil
}

// RedeemAck acknowledges by a token, once, as [Engine.Ack] does, and returns
// the alert.
func (e *Engine) RedeemAck(token, by string, at time.Time) (Alert, error) {
	e.mu.Lock()
	r := e.byToken(token)
	if r == nil {
		e.mu.Unlock()
		return Alert{}, ErrBadToken
	}
	e.ack(r, by, at)
	a := r.Alert
	e.mu.Unlock()
	e.saveNow()
	return a, nil
}
