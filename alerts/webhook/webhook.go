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
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
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

// New returns a channel; it does no I/O. 2xx is success; 408, 425, 429 and 5xx
// pass; every other answer is permanent.
func New(name string, o Options) (alerts.Channel, error) {
	if err := alerts.CheckURL(name, o.URL); err != nil {
		return alerts.Channel{}, err
	}
	return alerts.Channel{Name: name, Machine: true, Send: func(ctx context.Context, m alerts.Message) error {
		return alerts.Post(ctx, o.Client, name, o.URL, m, func(req *http.Request, body []byte) {
			req.Header.Set("Idempotency-Key", m.Key)
			if o.Secret != "" {
				req.Header.Set("X-Curewright-Signature", Sign(o.Secret, time.Now(), body))
			}
		})
	}}, nil
}

// Sign returns the signature header of a body at a time.
func Sign(secret string, at time.Time, body []byte) string {
	t := strconv.FormatInt(at.Unix(), 10)
	m := hmac.New(sha256.New, []byte(secret))
	m.Write([]byte(t + "."))
	m.Write(body)
	return "t=" + t + ",sha256=" + hex.EncodeToString(m.Sum(nil))
}
