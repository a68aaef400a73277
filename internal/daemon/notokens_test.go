// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/history"
	"curewright/internal/cardfault"
	"curewright/internal/testkit"
)

// On a network, with a card that takes nothing, the daemon starts: who was let
// in before may come in, the page says what is wrong, and only what must be
// written is refused.
func TestStartsOnAFullCardOnANetwork(t *testing.T) {
	cardfault.Set(nil)
	t.Cleanup(func() { cardfault.Set(nil) })
	cfg := configIn(t.TempDir())
	cfg.Web.Listen = "0.0.0.0:0"
	s, err := history.Open(cfg.Store.Path, history.Options{})
	testkit.OK(t, err)
	const token = "cw_abcdefghijklmnopqrstuvwxyzabcdefghijklmnopq"
	testkit.OK(t, s.PutToken(t.Context(), history.Token{ID: "phone", Name: "phone", Role: string(web.Control), Hash: web.HashToken(token), Made: time.Now()}))
	testkit.OK(t, s.Close())
	cardfault.Refuse(cardfault.ErrFull, cardfault.Write, cardfault.Sync)
	ctx, cancel := context.WithCancel(t.Context())
	addr, ended := make(chan net.Addr, 1), make(chan error, 1)
	go func() {
		ended <- Watch(ctx, cfg, "test", testkit.NoLog(), func(a net.Addr, _ string) { addr <- a })
	}()
	var port int
	select {
	case a := <-addr:
		port = a.(*net.TCPAddr).Port
	case err := <-ended:
		t.Fatalf("it does not start: %v", err)
	}
	ask := func(method, path, auth string) int {
		t.Helper()
		req, err := http.NewRequestWithContext(ctx, method, fmt.Sprintf("http://127.0.0.1:%d%s", port, path), nil)
		testkit.OK(t, err)
		if auth != "" {
			req.Header.Set("Authorization", "Bearer "+auth)
			req.Header.Set("X-Forwarded-For", "192.0.2.7") // not the board itself
		}
		res, err := http.DefaultClient.Do(req)
		testkit.OK(t, err)
		defer res.Body.Close()
		io.Copy(io.Discard, res.Body)
		return res.StatusCode
	}
	if code := ask("GET", "/healthz", ""); code != http.StatusOK {
		t.Errorf("/healthz: %d", code)
	}
	if code := ask("GET", "/api/v1/coats", token); code != http.StatusOK {
		t.Errorf("who was let in before: %d, want 200", code)
	}
	if code := ask("GET", "/readyz", token); code != http.StatusServiceUnavailable {
		t.Errorf("/readyz: %d, want 503", code)
	}
	cancel()
	if err := <-ended; err != nil && ctx.Err() == nil {
		t.Error(err)
	}
}
