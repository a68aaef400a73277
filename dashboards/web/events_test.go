// SPDX-License-Identifier: Apache-2.0

package web_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"runtime"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"curewright/dashboards/web"
)

// serve starts a real server on loopback and returns its address; it is
// stopped, and must return nil, before the test ends.
func serve(t *testing.T, cfg web.Config, b web.Backend) string {
	t.Helper()
	s := serverOf(t, cfg, b)
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	running(t, func(ctx context.Context) error { return s.Serve(ctx, ln) })
	return ln.Addr().String()
}

// frame reads one event: its name and data, or a comment as name.
func frame(t *testing.T, r *bufio.Reader) (name, data string, ok bool) {
	t.Helper()
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			return name, data, false
		}
		line = strings.TrimSuffix(line, "\n")
		switch {
		case line == "":
			if name != "" {
				return name, data, true
			}
		case strings.HasPrefix(line, ":"):
			name = line
		case strings.HasPrefix(line, "event: "):
			name = line[7:]
		case strings.HasPrefix(line, "data: "):
			data = line[6:]
		}
	}
}

func TestEvents(t *testing.T) {
	b := &flooded{shop(t), web.NewHub(8)}
	addr := serve(t, web.Config{Beat: 20 * time.Millisecond}, b)
	res, err := http.Get("http://" + addr + "/api/v1/events")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if ct := res.Header.Get("Content-Type"); res.StatusCode != 200 || ct != "text/event-stream" {
		t.Fatalf("%d %s", res.StatusCode, ct)
	}
	r := bufio.NewReader(res.Body)
	name, data, _ := frame(t, r)
	var snap web.Snapshot
	if err := json.Unmarshal([]byte(data), &snap); name != "snapshot" || err != nil || len(snap.Result.Coats) != 1 {
		t.Fatalf("first event %q: %v, want a whole snapshot", name, err)
	}
	beats := 0
	b.hub.Publish(web.Event{Name: "work", Data: json.RawMessage("{\n \"kind\": \"coat\"\n}")})
	for {
		name, data, ok := frame(t, r)
		if !ok {
			t.Fatal("the stream ended")
		}
		if name == ": alive" {
			beats++
			continue
		}
		if name != "work" || data != `{"kind":"coat"}` {
			t.Errorf("event %q %q", name, data)
		}
		break
	}
	for beats == 0 {
		if name, _, ok := frame(t, r); !ok || name == ": alive" {
			beats++
		}
	}
}

// Two pages are open and one stops reading: it is dropped, the other gets
// everything, and publishing never waits.
func TestSlowPageIsDropped(t *testing.T) {
	b := flood(t)
	addr := serve(t, web.Config{}, b)
	slow, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	defer slow.Close()
	if c, ok := slow.(*net.TCPConn); ok {
		c.SetReadBuffer(4 << 10)
	}
	if _, err := slow.Write([]byte("GET /events HTTP/1.1\r\nHost: " + addr + "\r\n\r\n")); err != nil {
		t.Fatal(err)
	}
	res, err := http.Get("http://" + addr + "/events")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	r := bufio.NewReaderSize(res.Body, 1<<20)
	if name, _, _ := frame(t, r); name != "snapshot" {
		t.Fatalf("first event %q", name)
	}
	for n, _ := b.hub.Stats(); n < 2; n, _ = b.hub.Stats() {
		runtime.Gosched()
	}
	big, _ := json.Marshal(strings.Repeat("x", 256<<10))
	sent, dropped := 0, uint64(0)
	for ; sent < 2000 && dropped == 0; sent++ {
		b.hub.Publish(web.Event{Name: "reading", Data: big})
		if name, data, ok := frame(t, r); !ok || name != "reading" || len(data) != len(big) {
			t.Fatalf("the quick page got %q with %d bytes after %d events", name, len(data), sent)
		}
		_, dropped = b.hub.Stats()
	}
	if n, _ := b.hub.Stats(); dropped != 1 || n != 1 {
		t.Errorf("after %d events %d pages dropped, %d left; want one and one", sent, dropped, n)
	}
}

// A log-in that is taken back stops listening within a second.
func TestRevokedPageStopsListening(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := bare(t)
		tok := b.Token("phone", web.Look)
		h := server(t, b).Handler()
		done := make(chan string, 1)
		go func() {
			w := ask{path: "/events", local: lan, token: tok}.in(t.Context(), t, h)
			done <- w.Body.String()
		}()
		time.Sleep(40 * time.Second)
		synctest.Wait()
		select {
		case got := <-done:
			t.Fatalf("ended before it was taken back: %q", got)
		default:
		}
		ts, _ := b.ListTokens(t.Context())
		owner := b.Token("tablet", web.Control)
		taken := time.Now()
		if w := (ask{method: "DELETE", path: "/api/v1/tokens/" + ts[0].ID, local: lan, token: owner}).do(t, h); w.Code != http.StatusOK {
			t.Fatalf("revoke: %d %s", w.Code, w.Body)
		}
		got := <-done
		if d := time.Since(taken); d > time.Second {
			t.Errorf("it went on listening for %v", d)
		}
		if n := strings.Count(got, ": alive"); n != 2 {
			t.Errorf("%d heartbeats in 40 s, want 2", n)
		}
	})
}

// One log-in holds no more than its share of the streams: its oldest ends for
// its newest. Where all places are taken the oldest one of whoever holds most
// ends, so that nobody is kept out.
func TestTooManyPages(t *testing.T) {
	d := bare(t)
	b := &flooded{d, web.NewHub(8)}
	addr := serve(t, web.Config{}, b)
	page := func(token string) *http.Response {
		t.Helper()
		r, _ := http.NewRequest("GET", "http://"+addr+"/events", nil)
		r.Header.Set("Authorization", "Bearer "+token)
		res, err := http.DefaultClient.Do(r)
		if err != nil || res.StatusCode != http.StatusOK {
			t.Fatalf("page: %v %v", res, err)
		}
		t.Cleanup(func() { res.Body.Close() })
		return res
	}
	ends := func(res *http.Response) {
		t.Helper()
		gone := make(chan struct{})
		go func() { io.Copy(io.Discard, res.Body); close(gone) }()
		select {
		case <-gone:
		case <-time.After(10 * time.Second):
			t.Fatal("the oldest stream goes on")
		}
	}
	noisy := d.Token("noisy", web.Look)
	first := page(noisy)
	for range web.MaxStreamsEach {
		page(noisy)
	}
	ends(first)
	if n, _ := b.hub.Stats(); n > web.MaxStreamsEach+1 {
		t.Errorf("%d streams of one log-in", n)
	}
	for i := range web.MaxStreams/web.MaxStreamsEach - 1 {
		tok := d.Token(fmt.Sprintf("tablet-%d", i), web.Look)
		for range web.MaxStreamsEach {
			page(tok)
		}
	}
	phone := page(d.Token("phone", web.Look))
	r := bufio.NewReader(phone.Body)
	if name, _, ok := frame(t, r); !ok || name != "snapshot" {
		t.Errorf("a phone among %d streams: %q", web.MaxStreams, name)
	}
	// The others are not in its way.
	res, err := http.Get("http://" + addr + "/api/v1/snapshot")
	if err != nil || res.StatusCode != 200 {
		t.Fatalf("snapshot beside %d pages: %v %v", web.MaxStreams, res, err)
	}
	res.Body.Close()
}

func TestHub(t *testing.T) {
	h := web.NewHub(2)
	a, endA := h.Subscribe()
	b, endB := h.Subscribe()
	for i := range 3 {
		h.Publish(web.Event{Name: string(rune('0' + i))})
		if i < 2 {
			<-b
		}
	}
	var got []string
	for e := range a { // ends because a was dropped
		got = append(got, e.Name)
	}
	if len(got) != 2 || got[1] != "1" {
		t.Errorf("the slow one got %v, want 0 and 1", got)
	}
	if e := <-b; e.Name != "2" {
		t.Errorf("the quick one got %q, want 2", e.Name)
	}
	endA()
	endB()
	endB()
	if n, d := h.Stats(); n != 0 || d != 1 {
		t.Errorf("%d readers, %d dropped; want 0 and 1", n, d)
	}
	h.Close()
	if _, ok := <-func() <-chan web.Event { ch, _ := h.Subscribe(); return ch }(); ok {
		t.Error("a closed hub took a reader")
	}
}
