// SPDX-License-Identifier: Apache-2.0

// Package mail sends alerts by SMTP, as plain text that a lock screen shows
// and a screen reader reads.
package mail

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"net/textproto"
	"slices"
	"time"

	gomail "github.com/wneessen/go-mail"

	"curewright/alerts"
)

// Options are the server and the addresses.
type Options struct {
	Host     string
	Port     int    // 0 for 587, or 465 with TLS "tls"
	TLS      string // "starttls" (default, required), "tls" (from the first byte), "none"
	User     string // "" for no log-in
	Password string
	From     string
	To       []string
	// TLSConfig replaces the default check of the server's certificate; for
	// tests.
	TLSConfig *tls.Config
}

// channel sends one mail a message.
type channel struct {
	name string
	o    Options
	opts []gomail.Option
}

// New returns a channel; it does no I/O.
func New(name string, o Options) (alerts.Channel, error) {
	var errs []error
	if o.Host == "" {
		errs = append(errs, fmt.Errorf("channel %s: host: required", name))
	}
	if len(o.To) == 0 {
		errs = append(errs, fmt.Errorf("channel %s: to: required", name))
	}
	opts := []gomail.Option{gomail.WithoutNoop()}
	port := o.Port
	switch o.TLS {
	case "", "starttls":
		opts = append(opts, gomail.WithTLSPolicy(gomail.TLSMandatory))
		if port == 0 {
			port = 587
		}
	case "tls":
		opts = append(opts, gomail.WithSSL())
		if port == 0 {
			port = 465
		}
	case "none":
		opts = append(opts, gomail.WithTLSPolicy(gomail.NoTLS))
		if port == 0 {
			port = 25
		}
	default:
		errs = append(errs, fmt.Errorf("channel %s: tls: %q is none of starttls, tls, none", name, o.TLS))
	}
	if o.TLSConfig != nil {
		opts = append(opts, gomail.WithTLSConfig(o.TLSConfig))
	}
	opts = append(opts, gomail.WithPort(port))
	if o.User != "" {
		opts = append(opts, gomail.WithSMTPAuth(gomail.SMTPAuthAutoDiscover), gomail.WithUsername(o.User), gomail.WithPassword(o.Password))
	}
	c := &channel{name: name, o: o, opts: opts}
	if len(errs) == 0 {
		// The addresses and options are tried now, not at three in the night.
		if _, err := c.mail(alerts.Message{Key: "check", Title: "check"}); err != nil {
			errs = append(errs, err)
		}
		if _, err := gomail.NewClient(o.Host, opts...); err != nil {
			errs = append(errs, fmt.Errorf("channel %s: %w", name, err))
		}
	}
	return alerts.Channel{Name: name, Send: c.send}, errors.Join(errs...)
}

// id is a Message-ID that is the same on every try of one message, so that a
// repeat can be told.
func id(key string) string {
	h := sha256.Sum256([]byte(key))
	return hex.EncodeToString(h[:12]) + "@curewright.invalid" // RFC 2606: a name that no one owns
}

func (c *channel) mail(m alerts.Message) (*gomail.Msg, error) {
	msg := gomail.NewMsg(gomail.WithNoDefaultUserAgent())
	if err := msg.From(c.o.From); err != nil {
		return nil, fmt.Errorf("channel %s: from: %w", c.name, err)
	}
	if err := msg.To(c.o.To...); err != nil {
		return nil, fmt.Errorf("channel %s: to: %w", c.name, err)
	}
	subject := m.Title
	if m.Text != "" && m.What != alerts.WhatDigest {
		subject += ": " + m.Text
	}
	msg.Subject(short(subject, 120))
	if !m.At.IsZero() {
		msg.SetDateWithValue(m.At)
	}
	msg.SetMessageIDWithValue(id(m.Key))
	if m.Alert != nil {
		// One thread an alert.
		msg.SetGenHeader(gomail.HeaderReferences, "<"+id(m.Alert.ID)+">")
	}
	msg.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: no out-of-office answers
	switch m.Severity() {
	case alerts.Danger, alerts.Act:
		msg.SetImportance(gomail.ImportanceHigh)
	}
	msg.SetBodyString(gomail.TypeTextPlain, m.Body()+"\n")
	return msg, nil
}

func short(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return string(r[:n-1]) + "…"
	}
	return s
}

// send delivers the mail to the server. A refusal with a 5xx answer (RFC 5321,
// 4.2.1) is permanent; a server that can't be reached or asks to come back
// later is passing.
func (c *channel) send(ctx context.Context, m alerts.Message) error {
	msg, err := c.mail(m)
	if err != nil {
		return alerts.Permanent(err)
	}
	limit := 30 * time.Second
	if end, ok := ctx.Deadline(); ok {
		limit = max(time.Until(end), time.Millisecond)
	}
	// The library obeys the context only while it dials; from then on its own
	// limit counts.
	client, err := gomail.NewClient(c.o.Host, append(slices.Clone(c.opts), gomail.WithTimeout(limit))...)
	if err != nil {
		return alerts.Permanent(fmt.Errorf("channel %s: %w", c.name, err))
	}
	done := make(chan error, 1)
	go func() { done <- client.DialAndSendWithContext(ctx, msg) }()
	select {
	case err = <-done:
	case <-ctx.Done():
		// It ends by its limit; a mail that still gets through has the same
		// Message-ID as the next try's.
		err = ctx.Err()
	}
	if err != nil {
		out := fmt.Errorf("channel %s: %s: %w", c.name, c.o.Host, err)
		if permanent(err) {
			return alerts.Permanent(out)
		}
		return out
	}
	return nil
}

func permanent(err error) bool {
	var se *gomail.SendError
	if errors.As(err, &se) && se.ErrorCode() != 0 {
		return se.ErrorCode() >= 500
	}
	var te *textproto.Error
	return errors.As(err, &te) && te.Code >= 500
}
