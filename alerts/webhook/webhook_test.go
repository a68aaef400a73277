// SPDX-License-Identifier: Apache-2.0

package webhook

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"strings"
	"testing"
	"time"

	"curewright/alerts"
)

func message() alerts.Message {
	return alerts.Message{Key: "cup-over-1/firing", What: alerts.WhatFiring, Title: "Danger", Text: "Time is up.", At: time.Date(2026, 10, 10, 10, 0, 0, 0, time.UTC),
		Alert: &alerts.Alert{ID: "cup-over-1", Rule: alerts.CupOver, Severity: alerts.Danger}}
}

func TestPost(t *testing.T) {
	var body []byte
	var head http.Header
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ = io.ReadAll(r.Body)
		head = r.Header
	}))
	defer srv.Close()
	c, err := New("hook", Options{URL: srv.URL + "/x", Secret: "Jefe"})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Send(t.Context(), message()); err != nil {
		t.Fatal(err)
	}
	var got alerts.Message
	if err := json.Unmarshal(body, &got); err != nil || got.Text != "Time is up." || got.Alert.Severity != alerts.Danger {
		t.Errorf("body %s: %v", body, err)
	}
	if k := head.Get("Idempotency-Key"); k != "cup-over-1/firing" {
		t.Errorf("key %q", k)
	}
	// Checked the way a receiver would: the time, a dot, the bytes as sent.
	sig := head.Get("X-Curewright-Signature")
	stamp, mac, ok := strings.Cut(strings.TrimPrefix(sig, "t="), ",sha256=")
	m := hmac.New(sha256.New, []byte("Jefe"))
	fmt.Fprintf(m, "%s.%s", stamp, body)
	if !ok || mac != hex.EncodeToString(m.Sum(nil)) {
		t.Errorf("signature %q does not fit the body", sig)
	}
	// And by a tool that is not ours.
	if openssl, err := exec.LookPath("openssl"); err == nil {
		cmd := exec.Command(openssl, "dgst", "-sha256", "-hmac", "Jefe", "-r")
		cmd.Stdin = strings.NewReader(stamp + "." + string(body))
		out, err := cmd.Output()
		if err != nil || !strings.HasPrefix(string(out), mac) {
			t.Errorf("openssl says %s, %v; we %s", out, err, mac)
		}
	}
}

// RFC 4231, test case 2: key "Jefe", data "what do ya want for nothing?". Our
// data begins with the time and a dot, so the time 0 is put in front there.
func TestSignVector(t *testing.T) {
	const want = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
	m := hmac.New(sha256.New, []byte("Jefe"))
	m.Write([]byte("what do ya want for nothing?"))
	if got := hex.EncodeToString(m.Sum(nil)); got != want {
		t.Fatalf("HMAC-SHA256 = %s, want %s", got, want)
	}
	m = hmac.New(sha256.New, []byte("Jefe"))
	m.Write([]byte("0.what do ya want for nothing?"))
	if got, want := Sign("Jefe", time.Unix(0, 0), []byte("what do ya want for nothing?")), "t=0,sha256="+hex.EncodeToString(m.Sum(nil)); got != want {
		t.Errorf("Sign = %s, want %s", got, want)
	}
}

// Which answers pass: RFC 9110 section 15 and RFC 8470 (425). A redirect does: RFC
// 8952 names it as what a captive portal answers to everything until somebody has
// logged in.
func TestAnswers(t *testing.T) {
	for _, tt := range []struct {
		code      int
		ok        bool
		permanent bool
	}{
		{200, true, false}, {204, true, false}, {301, false, false}, {302, false, false}, {303, false, false}, {307, false, false}, {308, false, false}, {400, false, true}, {401, false, true}, {404, false, true}, {410, false, true},
		{408, false, false}, {425, false, false}, {429, false, false}, {500, false, false}, {503, false, false},
	} {
		srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Location", "/elsewhere")
			w.Header().Set("Retry-After", "120")
			w.WriteHeader(tt.code)
		}))
		c, err := New("hook", Options{URL: srv.URL})
		if err != nil {
			t.Fatal(err)
		}
		err = c.Send(t.Context(), message())
		if (err == nil) != tt.ok || errors.Is(err, alerts.ErrPermanent) != tt.permanent {
			t.Errorf("%d: %v, want ok %v, permanent %v", tt.code, err, tt.ok, tt.permanent)
		}
		var after *alerts.RetryAfterError
		if passing := !tt.ok && !tt.permanent; errors.As(err, &after) != passing || passing && after.Wait != 2*time.Minute {
			t.Errorf("%d: Retry-After not taken: %v", tt.code, err)
		}
		srv.Close()
	}
}

func TestUnreachable(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	l.Close()
	c, _ := New("hook", Options{URL: "http://" + addr + "/token-abc"})
	err = c.Send(t.Context(), message())
	if err == nil || errors.Is(err, alerts.ErrPermanent) {
		t.Errorf("refused connection: %v, want a passing error", err)
	}
	if err != nil && strings.Contains(err.Error(), "token-abc") {
		t.Errorf("the address is shown: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := c.Send(ctx, message()); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if _, err := New("hook", Options{URL: "mailto:token-abc"}); err == nil || strings.Contains(err.Error(), "token-abc") {
		t.Errorf("bad address: %v", err)
	}
}

func Example() {
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var m alerts.Message
		json.NewDecoder(r.Body).Decode(&m)
		fmt.Println(m.Title, "|", m.Text)
	}))
	defer srv.Close()
	c, err := New("office", Options{URL: srv.URL, Secret: "from a file"})
	if err != nil {
		fmt.Println(err)
		return
	}
	err = c.Send(context.Background(), alerts.Message{Key: "1", What: alerts.WhatTest, Title: "Test", Text: "Do you notice this?"})
	fmt.Println(err)
	// Output:
	// Test | Do you notice this?
	// <nil>
}
