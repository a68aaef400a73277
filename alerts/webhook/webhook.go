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
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
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
	u, err := url.Parse(o.URL)
	if err != nil || (u.Scheme != "http" && u.Scheme != "https") || u.Host == "" {
		// The address itself may carry a secret and is not repeated.
		return nil, fmt.Errorf("channel %s: url: not an http or https address", name)
	}
	if o.Client == nil {
		// A redirect would carry the signed body to somebody else.
		o.Client = &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
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
		return alerts.Permanent(fmt.Errorf("channel %s: %w", c.name, bare(err)))
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "curewright")
	req.Header.Set("Idempotency-Key", m.Key)
	if c.o.Secret != "" {
		req.Header.Set("X-Curewright-Signature", Sign(c.o.Secret, time.Now(), body))
	}
	res, err := c.o.Client.Do(req)
	if err != nil {
		return fmt.Errorf("channel %s: post: %w", c.name, bare(err))
	}
	defer res.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(res.Body, 200))
	io.Copy(io.Discard, io.LimitReader(res.Body, 64<<10)) // so that the connection is used again
	return alerts.HTTPError(c.name, res, text)
}

// bare drops the address that net/http puts in front of its errors: it may
// carry a secret.
func bare(err error) error {
	var ue *url.Error
	if errors.As(err, &ue) {
		return ue.Err
	}
	return err
}
