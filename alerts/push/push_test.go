// SPDX-License-Identifier: Apache-2.0

package push

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"curewright/alerts"
)

// address is the library's generic web service at a test server.
func address(url string) string {
	return "generic+" + url + "/hook-token-1?template=json&@authorization=Bearer+secret-key-2"
}

func message() alerts.Message {
	return alerts.Message{Key: "k", What: alerts.WhatFiring, Title: "shed: Act now", Text: "Press the cloth in now.", AckURL: "http://shed.local/ack/x", Ack: "Seen it? http://shed.local/ack/x"}
}

func TestSend(t *testing.T) {
	var got map[string]string
	var auth, path string
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		json.Unmarshal(b, &got)
		auth, path = r.Header.Get("Authorization"), r.URL.Path
	}))
	defer srv.Close()
	c, err := New("phone", address(srv.URL), 5*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Send(t.Context(), message()); err != nil {
		t.Fatal(err)
	}
	if got["title"] != "shed: Act now" || !strings.HasPrefix(got["message"], "Press the cloth in now.") || !strings.Contains(got["message"], "http://shed.local/ack/x") {
		t.Errorf("got %v", got)
	}
	if auth != "Bearer secret-key-2" || path != "/hook-token-1" {
		t.Errorf("authorization %q, path %q", auth, path)
	}
}

func TestErrors(t *testing.T) {
	for _, tt := range []struct {
		code      int
		permanent bool
	}{{400, true}, {401, true}, {403, true}, {404, true}, {408, false}, {429, false}, {500, false}, {503, false}} {
		srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { w.WriteHeader(tt.code) }))
		c, err := New("phone", address(srv.URL), 5*time.Second)
		if err != nil {
			t.Fatal(err)
		}
		err = c.Send(t.Context(), message())
		if err == nil || errors.Is(err, alerts.ErrPermanent) != tt.permanent {
			t.Errorf("%d: %v, want permanent %v", tt.code, err, tt.permanent)
		}
		srv.Close()
		// Now nobody is there at all: the library's error names the address.
		err = c.Send(t.Context(), message())
		if err == nil || errors.Is(err, alerts.ErrPermanent) {
			t.Errorf("nobody there: %v, want a passing error", err)
		}
		for _, s := range []string{"hook-token-1", "secret-key-2", srv.Listener.Addr().String()} {
			if err != nil && strings.Contains(err.Error(), s) {
				t.Errorf("%q is shown in %v", s, err)
			}
		}
	}
}

func TestHanging(t *testing.T) {
	release := make(chan struct{})
	srv := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-release }))
	defer srv.Close()
	defer close(release)
	c, err := New("phone", address(srv.URL), 30*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	if err := c.Send(ctx, message()); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("err = %v, want the deadline", err)
	}
	// The one that hangs is not joined by a second.
	if err := c.Send(t.Context(), message()); err == nil || !strings.Contains(err.Error(), "has not ended") {
		t.Errorf("second try beside the first: %v", err)
	}
}

// A board that starts before its network: a service that wants a log-in first is
// not asked for it until there is something to say. The server's paths and
// answers are those of the Matrix client-server API, r0 (from memory).
func TestLogInAtFirstSend(t *testing.T) {
	var said []string
	up := false
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		what := r.Method + " " + strings.TrimPrefix(r.URL.Path, "/_matrix/client/r0/")
		switch {
		case !up:
			w.WriteHeader(http.StatusServiceUnavailable)
		case what == "GET login":
			io.WriteString(w, `{"flows":[{"type":"m.login.password"}]}`)
		case what == "POST login":
			io.WriteString(w, `{"access_token":"t-1","home_server":"shed","user_id":"@shed:shed"}`)
		case what == "GET joined_rooms" && r.URL.Query().Get("access_token") == "t-1":
			io.WriteString(w, `{"joined_rooms":["!crew:shed"]}`)
		case r.Method == http.MethodPost && strings.HasSuffix(what, "/send/m.room.message"):
			b, _ := io.ReadAll(r.Body)
			said = append(said, string(b))
			io.WriteString(w, `{"event_id":"$1"}`)
		default:
			w.WriteHeader(http.StatusNotFound)
		}
	}))
	defer srv.Close()
	c, err := New("crew", "matrix://shed:pass-word-9@"+strings.TrimPrefix(srv.URL, "http://")+"/?disableTLS=yes", 0)
	if err != nil {
		t.Fatalf("without a network: %v", err)
	}
	if err := c.Send(t.Context(), message()); err == nil || errors.Is(err, alerts.ErrPermanent) || strings.Contains(err.Error(), "pass-word-9") {
		t.Errorf("while it is down: %v, want an error that may pass and hides the password", err)
	}
	up = true
	for range 2 {
		if err := c.Send(t.Context(), message()); err != nil {
			t.Errorf("once it is up: %v", err)
		}
	}
	if len(said) != 2 || !strings.Contains(said[0], message().Text) {
		t.Errorf("said %q, want the message twice", said)
	}
}

func TestBadAddress(t *testing.T) {
	for _, a := range []string{"", "no-such-service-x://secret-key-2@host", "::secret-key-2", "secret-key-2"} {
		_, err := New("phone", a, 0)
		if err == nil || strings.Contains(err.Error(), "secret-key-2") {
			t.Errorf("%q: %v", a, err)
		}
	}
}

func Example() {
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		fmt.Println(string(b))
	}))
	defer srv.Close()
	c, err := New("phone", "generic+"+srv.URL, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	err = c.Send(context.Background(), alerts.Message{Text: "Press the cloth in now."})
	fmt.Println(err)
	// Output:
	// Press the cloth in now.
	// <nil>
}
