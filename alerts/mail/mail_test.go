// SPDX-License-Identifier: Apache-2.0

package mail

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"math/big"
	"mime"
	"mime/quotedprintable"
	"net"
	netmail "net/mail"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"curewright/alerts"
)

// sink is an SMTP server (RFC 5321) that keeps what it is given. answers
// replaces the answer to a command by its first word.
type sink struct {
	l       net.Listener
	cert    *tls.Certificate
	answers map[string]string
	wrap    []func(net.Conn) net.Conn

	mu    sync.Mutex
	mails []string
	rcpts []string
	auth  string
	tls   bool
}

func newSink(t testing.TB, cert *tls.Certificate, answers map[string]string, wrap ...func(net.Conn) net.Conn) *sink {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &sink{l: l, cert: cert, answers: answers, wrap: wrap}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go s.serve(c)
		}
	}()
	return s
}

// kept is what it was given so far.
type kept struct {
	mails, rcpts []string
	auth         string
	tls          bool
}

func (s *sink) kept() kept {
	s.mu.Lock()
	defer s.mu.Unlock()
	return kept{slices.Clone(s.mails), slices.Clone(s.rcpts), s.auth, s.tls}
}

func (s *sink) port() int { return s.l.Addr().(*net.TCPAddr).Port }

func (s *sink) serve(c net.Conn) {
	defer func() { c.Close() }()
	for _, f := range s.wrap {
		c = f(c)
	}
	r := bufio.NewReader(c)
	say := func(f string, a ...any) { fmt.Fprintf(c, f+"\r\n", a...) }
	say("220 sink")
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			return
		}
		line = strings.TrimRight(line, "\r\n")
		verb := strings.ToUpper(strings.Fields(line + " ")[0])
		if a, ok := s.answers[verb]; ok {
			say("%s", a)
			continue
		}
		switch verb {
		case "EHLO":
			say("250-sink")
			if s.cert != nil {
				if _, ok := c.(*tls.Conn); !ok {
					say("250-STARTTLS")
				}
			}
			say("250-8BITMIME")
			say("250-SMTPUTF8")
			say("250 AUTH PLAIN")
		case "STARTTLS":
			say("220 go on")
			tc := tls.Server(c, &tls.Config{Certificates: []tls.Certificate{*s.cert}})
			if tc.Handshake() != nil {
				return
			}
			c, r = tc, bufio.NewReader(tc)
			s.mu.Lock()
			s.tls = true
			s.mu.Unlock()
		case "AUTH":
			f := strings.Fields(line)
			b, _ := base64.StdEncoding.DecodeString(f[len(f)-1])
			s.mu.Lock()
			s.auth = string(b)
			s.mu.Unlock()
			say("235 welcome")
		case "RCPT":
			s.mu.Lock()
			s.rcpts = append(s.rcpts, line)
			s.mu.Unlock()
			say("250 ok")
		case "DATA":
			say("354 go on")
			var b strings.Builder
			for {
				l, err := r.ReadString('\n')
				if err != nil {
					return
				}
				if l == ".\r\n" {
					break
				}
				b.WriteString(strings.TrimPrefix(l, "."))
			}
			s.mu.Lock()
			s.mails = append(s.mails, b.String())
			s.mu.Unlock()
			say("250 kept")
		case "QUIT":
			say("221 bye")
			return
		default:
			say("250 ok")
		}
	}
}

func message() alerts.Message {
	at := time.Date(2026, 10, 11, 2, 10, 0, 0, time.FixedZone("", 3600))
	return alerts.Message{Key: "too-cold-1/firing", What: alerts.WhatFiring, Title: "shed: Act now, lid-outer",
		Text: "Lid-outer is at 9 °C, below the 10 °C that the epoxy medium needs: warm it.", At: at, AckURL: "http://shed.local:8374/ack/abc", Ack: "Seen it? http://shed.local:8374/ack/abc\n(opens on the shed's network only)",
		Alert: &alerts.Alert{ID: "too-cold-1", Rule: alerts.TooCold, Severity: alerts.Act}}
}

func options(s *sink) Options {
	return Options{Host: "127.0.0.1", Port: s.port(), TLS: "none", From: "Shed <shed@club.example>", To: []string{"coach@club.example", "Cox <cox@club.example>"}}
}

// RFC 5322, read by the standard library.
func TestMail(t *testing.T) {
	s := newSink(t, nil, nil)
	c, err := New("office", options(s))
	if err != nil {
		t.Fatal(err)
	}
	for range 2 { // a repeat has the same Message-ID
		if err := c.Send(t.Context(), message()); err != nil {
			t.Fatal(err)
		}
	}
	if len(s.kept().mails) != 2 || len(s.kept().rcpts) != 4 {
		t.Fatalf("%d mails to %q", len(s.kept().mails), s.kept().rcpts)
	}
	ids := map[string]bool{}
	for _, raw := range s.kept().mails {
		m, err := netmail.ReadMessage(strings.NewReader(raw))
		if err != nil {
			t.Fatal(err)
		}
		from, err := m.Header.AddressList("From")
		if err != nil || len(from) != 1 || from[0].Address != "shed@club.example" {
			t.Errorf("from %v, %v", from, err)
		}
		to, err := m.Header.AddressList("To")
		if err != nil || len(to) != 2 || to[1].Address != "cox@club.example" {
			t.Errorf("to %v, %v", to, err)
		}
		if d, err := m.Header.Date(); err != nil || !d.Equal(message().At) {
			t.Errorf("date %v, %v; want %v", d, err, message().At)
		}
		subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
		if want := "shed: Act now, lid-outer: Lid-outer is at 9 °C"; err != nil || !strings.HasPrefix(subject, want) {
			t.Errorf("subject %q, %v; want %q", subject, err, want)
		}
		if h := m.Header.Get("Auto-Submitted"); h != "auto-generated" {
			t.Errorf("Auto-Submitted %q", h)
		}
		if h := m.Header.Get("Importance"); h != "high" {
			t.Errorf("Importance %q", h)
		}
		ids[m.Header.Get("Message-Id")] = true
		kind, params, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
		if err != nil || kind != "text/plain" || !strings.EqualFold(params["charset"], "utf-8") {
			t.Errorf("content type %q %v, %v", kind, params, err)
		}
		var body io.Reader = m.Body
		if m.Header.Get("Content-Transfer-Encoding") == "quoted-printable" {
			body = quotedprintable.NewReader(body)
		}
		b, err := io.ReadAll(body)
		for _, w := range []string{message().Text, message().AckURL, "opens on the shed's network only"} {
			if err != nil || !strings.Contains(string(b), w) {
				t.Errorf("%q is not in %q, %v", w, b, err)
			}
		}
	}
	if len(ids) != 1 || ids[""] {
		t.Errorf("Message-IDs %v, want one", ids)
	}
}

func TestStartTLSAndLogIn(t *testing.T) {
	cert, pool := certificate(t)
	s := newSink(t, cert, nil)
	o := options(s)
	o.TLS, o.User, o.Password, o.Host = "starttls", "shed", "hush", "localhost"
	o.TLSConfig = &tls.Config{RootCAs: pool, ServerName: "localhost", MinVersion: tls.VersionTLS12}
	c, err := New("office", o)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Send(t.Context(), message()); err != nil {
		t.Fatal(err)
	}
	if !s.kept().tls || s.kept().auth != "\x00shed\x00hush" || len(s.kept().mails) != 1 { // RFC 4616
		t.Errorf("tls %v, auth %q, %d mails", s.kept().tls, s.kept().auth, len(s.kept().mails))
	}
	// Encrypted from the first byte.
	whole := newSink(t, nil, nil, func(c net.Conn) net.Conn {
		return tls.Server(c, &tls.Config{Certificates: []tls.Certificate{*cert}})
	})
	o.Port, o.TLS = whole.port(), "tls"
	c, _ = New("office", o)
	if err := c.Send(t.Context(), message()); err != nil || whole.kept().auth != "\x00shed\x00hush" || len(whole.kept().mails) != 1 {
		t.Errorf("tls from the first byte: %v, auth %q, %d mails", err, whole.kept().auth, len(whole.kept().mails))
	}
	o.TLS = "starttls"
	// A server that offers no STARTTLS gets neither password nor mail.
	plain := newSink(t, nil, nil)
	o.Port = plain.port()
	c, _ = New("office", o)
	if err := c.Send(t.Context(), message()); err == nil || plain.kept().auth != "" || len(plain.kept().mails) != 0 {
		t.Errorf("in the clear: %v, auth %q, %d mails", err, plain.kept().auth, len(plain.kept().mails))
	}
	// A certificate that nobody vouches for.
	o.Port, o.TLSConfig = s.port(), nil
	c, _ = New("office", o)
	if err := c.Send(t.Context(), message()); err == nil || len(s.kept().mails) != 1 {
		t.Errorf("unknown certificate: %v, %d mails", err, len(s.kept().mails))
	}
}

// RFC 5321, 4.2.1: 4yz is transient, 5yz permanent.
func TestRefusals(t *testing.T) {
	for _, tt := range []struct {
		verb, answer string
		permanent    bool
	}{
		{"MAIL", "550 no", true}, {"RCPT", "550 no such user", true}, {"RCPT", "451 later", false},
		{"DATA", "554 no", true}, {"DATA", "452 full", false}, {"AUTH", "535 wrong password", true}, {"AUTH", "454 later", false},
	} {
		cert, pool := certificate(t)
		s := newSink(t, cert, map[string]string{tt.verb: tt.answer})
		o := options(s)
		o.TLS, o.User, o.Password, o.Host = "starttls", "shed", "hush-hush", "localhost"
		o.TLSConfig = &tls.Config{RootCAs: pool, ServerName: "localhost"}
		c, err := New("office", o)
		if err != nil {
			t.Fatal(err)
		}
		err = c.Send(t.Context(), message())
		if err == nil || errors.Is(err, alerts.ErrPermanent) != tt.permanent {
			t.Errorf("%s answered %q: %v, want permanent %v", tt.verb, tt.answer, err, tt.permanent)
		}
		if err != nil && strings.Contains(err.Error(), "hush-hush") {
			t.Errorf("the password is shown: %v", err)
		}
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	port := l.Addr().(*net.TCPAddr).Port
	l.Close()
	c, err := New("office", Options{Host: "127.0.0.1", Port: port, TLS: "none", From: "a@b.example", To: []string{"c@d.example"}})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Send(t.Context(), message()); err == nil || errors.Is(err, alerts.ErrPermanent) {
		t.Errorf("nobody there: %v, want a passing error", err)
	}
}

// A server that accepts and then says nothing is cut off by the deadline.
func TestHangingServer(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	c, err := New("office", Options{Host: "127.0.0.1", Port: l.Addr().(*net.TCPAddr).Port, TLS: "none", From: "a@b.example", To: []string{"c@d.example"}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- c.Send(ctx, message()) }()
	select {
	case err := <-done:
		if err == nil || errors.Is(err, alerts.ErrPermanent) {
			t.Errorf("err = %v, want a passing one", err)
		}
	case <-time.After(20 * time.Second):
		t.Error("waits for ever")
	}
}

func TestBadOptions(t *testing.T) {
	_, err := New("office", Options{TLS: "maybe"})
	for _, w := range []string{"host", "to: required", "maybe"} {
		if err == nil || !strings.Contains(err.Error(), w) {
			t.Errorf("%v does not name %q", err, w)
		}
	}
	if _, err := New("office", Options{Host: "h", From: "nobody", To: []string{"a@b.example"}}); err == nil {
		t.Error("a sender that is no address is taken")
	}
	// Line breaks in a name or a sentence add no header.
	s := newSink(t, nil, nil)
	c, err := New("office", options(s))
	if err != nil {
		t.Fatal(err)
	}
	m := message()
	m.Title = "x\r\nBcc: thief@x.example"
	if err := c.Send(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	got, err := netmail.ReadMessage(strings.NewReader(s.kept().mails[0]))
	if err != nil || got.Header.Get("Bcc") != "" || len(s.kept().rcpts) != 2 {
		t.Errorf("a header came in: %v, %v, %q", got.Header, err, s.kept().rcpts)
	}
}

func certificate(t testing.TB) (*tls.Certificate, *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tpl := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		DNSNames: []string{"localhost"}, IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature}
	der, err := x509.CreateCertificate(rand.Reader, tpl, tpl, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	c, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(c)
	return &tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, pool
}

func Example() {
	c, err := New("office", Options{Host: "mail.club.example", From: "shed@club.example", To: []string{"coach@club.example"}, User: "shed", Password: "from a file"})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(c.Name)
	// Output:
	// office
}
