// SPDX-License-Identifier: Apache-2.0

package web_test

import (
	"bufio"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/testkit"
)

// shaken asks over TLS on a connection of a flooded board.
func shaken(c net.Conn, roots *x509.CertPool) *tls.Conn {
	return tls.Client(c, &tls.Config{RootCAs: roots, ServerName: "localhost", MinVersion: tls.VersionTLS12})
}

func roots(t *testing.T, cert string) *x509.CertPool {
	t.Helper()
	b, err := os.ReadFile(cert)
	if err != nil {
		t.Fatal(err)
	}
	p := x509.NewCertPool()
	p.AppendCertsFromPEM(b)
	return p
}

// Handshakes that are begun and never ended keep nobody out: a newcomer finds a
// place at once, and a phone that has logged in keeps its own.
func TestHandshakeFlood(t *testing.T) {
	cert, key := pair(t, t.TempDir(), "shed")
	pool := roots(t, cert)
	b := bare(t)
	tok := b.Token("phone", web.Look)
	s := serverOf(t, web.Config{HostName: "shed", ConfigSection: web.ConfigSection{TLSCert: cert, TLSKey: key}}, b)
	ln := served(t, s)
	ask := func(c net.Conn) int {
		c.SetDeadline(time.Now().Add(20 * time.Second))
		if _, err := fmt.Fprintf(c, "GET /api/v1/whoami HTTP/1.1\r\nHost: shed\r\nAuthorization: Bearer %s\r\n\r\n", tok); err != nil {
			return 0
		}
		res, err := http.ReadResponse(bufio.NewReader(c), nil)
		if err != nil {
			return 0
		}
		io.Copy(io.Discard, res.Body)
		return res.StatusCode
	}
	var open []net.Conn
	defer func() { // before Serve is stopped: it waits for what is under way
		for _, c := range open {
			c.Close()
		}
	}()
	flood := func(round int) {
		for i := range 4 * web.MaxConnsEach {
			c := ln.from(fmt.Sprintf("198.51.%d.%d:5000", round, i%4+1))
			open = append(open, c)
			// A record that says 200 bytes of ClientHello follow, and 3 of them.
			go c.Write([]byte{22, 3, 1, 0, 200, 1, 0, 0})
		}
	}
	flood(0)
	first := ln.from("192.0.2.50:5000")
	open = append(open, first)
	phone := shaken(first, pool)
	if got := ask(phone); got != 200 {
		t.Fatalf("a phone among half handshakes: %d", got)
	}
	flood(1)
	flood(2)
	if got := ask(phone); got != 200 {
		t.Errorf("the phone's open connection after two more floods: %d", got)
	}
	other := ln.from("192.0.2.51:5000")
	open = append(open, other)
	if got := ask(shaken(other, pool)); got != 200 {
		t.Errorf("another phone: %d", got)
	}
}

// A certificate that is over is served, refused by whoever checks it, and said in
// the log; one that is gone or broken while the board runs leaves the one in use;
// a new one is used without a new start.
func TestCertificateRunsOut(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		cert, key := pair(t, dir, "shed") // for an hour from the test's now
		log := &testkit.Buffer{}
		s := serverOf(t, web.Config{ConfigSection: web.ConfigSection{TLSCert: cert, TLSKey: key}, Log: slog.New(slog.NewTextHandler(log, nil))}, bare(t))
		p := newPipes("127.0.0.1:8374")
		done := make(chan error, 1)
		ctx, stop := context.WithCancel(t.Context())
		go func() { done <- s.Serve(ctx, p) }()
		defer func() {
			stop()
			p.Close()
			<-done
		}()
		pool := roots(t, cert)
		shake := func(check bool) error {
			c := tls.Client(p.dial(), &tls.Config{RootCAs: pool, ServerName: "localhost", InsecureSkipVerify: !check, Time: time.Now})
			defer c.Close()
			return c.Handshake()
		}
		if err := shake(true); err != nil {
			t.Errorf("a good one: %v", err)
		}
		time.Sleep(2 * time.Hour)
		var bad *tls.CertificateVerificationError
		if err := shake(true); !errors.As(err, &bad) || !strings.Contains(err.Error(), "expired") {
			t.Errorf("an hour after its end: %v, want that it has expired", err)
		}
		if !strings.Contains(log.String(), "web.tls_cert: it ended on") {
			t.Errorf("the log does not say that it is over:\n%s", log.String())
		}
		if err := shake(false); err != nil {
			t.Errorf("who does not check gets in all the same: %v", err)
		}
		if over, end := s.CertificateStats(); over < 2 || end.IsZero() {
			t.Errorf("%d connections met it, end %v: want each counted", over, end)
		}
		for what, spoil := range map[string]func() error{
			"gone":   func() error { return os.Remove(cert) },
			"broken": func() error { return os.WriteFile(cert, []byte("-----BEGIN CERT"), 0o600) },
		} {
			if err := spoil(); err != nil {
				t.Fatal(err)
			}
			before := len(log.String())
			time.Sleep(2 * time.Minute)
			if err := shake(false); err != nil {
				t.Errorf("its file %s: %v", what, err)
			}
			if !strings.Contains(log.String()[before:], "web.tls_cert") {
				t.Errorf("its file %s: the log does not say so", what)
			}
		}
		cert, _ = pair(t, dir, "shed")
		pool = roots(t, cert)
		time.Sleep(2 * time.Minute)
		if err := shake(true); err != nil {
			t.Errorf("the new one: %v", err)
		}
	})
}
