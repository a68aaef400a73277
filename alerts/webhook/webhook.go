// SPDX-License-Identifier: Apache-2.0

// Package webhook posts alerts as JSON to an address of the person's own.
//
// The body is the message as [alerts.Message] writes it. With a secret, the
// header X-Curewright-Signature is "t=UNIX,sha256=HEX": HMAC-SHA256 (RFC 2104,
// FIPS 198-1) under the secret over the decimal Unix time, a dot and the exact
// body bytes, so that an old request can't be replayed later. The header
// Idempotency-Key is the message's key, the same on every try.
package webhook

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"curewright/alerts"
)

// Options are where to post and how to sign.
type Options struct {
	URL    string
	Secret string       // "" for no signature
	Client *http.Client // nil for one that follows no redirects
}

// Channel posts messages to one address.
type Channel struct {
	name string
	o    Options
}

var (
	_ alerts.Channel = (*Channel)(nil)
	_ alerts.Machine = (*Channel)(nil)
)

// New returns a channel; it does no I/O.
func New(name string, o Options) (*Channel, error) {
	if err := alerts.CheckURL(name, o.URL); err != nil {
		return nil, err
	}
	if o.Client == nil {
		o.Client = alerts.HTTPClient()
	}
	return &Channel{name: name, o: o}, nil
}

// Name returns the configured name.
func (c *Channel) Name() string { return c.name }

// Machine says that the other end is a system: it takes every change.
func (c *Channel) Machine() bool { return true }

// Sign returns the signature header of a body at a time.
func Sign(secret string, at time.Time, body []byte) string {
	t := strconv.FormatInt(at.Unix(), 10)
	m := hmac.New(sha256.New, []byte(secret))
	m.Write([]byte(t + "."))
	m.Write(body)
	return "t=" + t + ",sha256=" + hex.EncodeToString(m.Sum(nil))
}

// Send posts the message. 2xx is success; 408, 425, 429 and 5xx pass; every
// other answer is permanent.
func (c *Channel) Send(ctx context.Context, m alerts.Message) error {
	body, err := json.Marshal(m)
	if err != nil {
		return alerts.Permanent(fmt.Errorf("channel %s: %w", c.name, err))
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, c.o.URL, bytes.NewReader(body))
	if err != nil {
		return alerts.Permanent(fmt.Errorf("channel %s: url: not usable", c.name))
	}
	req.Header.Set("Idempotency-Key", m.Key)
	if c.o.Secret != "" {
		req.Header.Set("X-Curewright-Signature", Sign(c.o.Secret, time.Now(), body))
	}
	return alerts.Post(c.o.Client, c.name, req)
}
