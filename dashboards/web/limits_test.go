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
	"net/netip"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"curewright/dashboards/web"
)

// pipes is a listener whose connections are in memory, so that the server's
// time limits run on the test's fake clock, and come from where the test says.
type pipes struct {
	conns chan net.Conn
	once  sync.Once
	stop  chan struct{}
	at    string
}

func newPipes(at string) *pipes {
	return &pipes{conns: make(chan net.Conn), stop: make(chan struct{}), at: at}
}

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.stop:
		return nil, net.ErrClosed
	}
}
func (p *pipes) Close() error   { p.once.Do(func() { close(p.stop) }); return nil }
func (p *pipes) Addr() net.Addr { return tcpAddr(p.at) }

func (p *pipes) from(addr string) net.Conn {
	c, s := net.Pipe()
	p.conns <- ended{s, tcpAddr(p.at), tcpAddr(addr)}
	return c
}

// dial is from the board itself.
func (p *pipes) dial() net.Conn { return p.from("127.0.0.1:5000") }

func tcpAddr(s string) net.Addr { return net.TCPAddrFromAddrPort(netip.MustParseAddrPort(s)) }

// ended is a connection with the addresses of its two ends.
type ended struct {
	net.Conn
	here, there net.Addr
}

func (c ended) LocalAddr() net.Addr  { return c.here }
func (c ended) RemoteAddr() net.Addr { return c.there }

// timed runs f against a server in a bubble of fake time.
func timed(t *testing.T, f func(t *testing.T, b *flooded, p *pipes)) {
	synctest.Test(t, func(t *testing.T) {
		b, p := flood(t), newPipes("127.0.0.1:8374")
		s := server(t, b)
		stop := running(t, func(ctx context.Context) error { return s.Serve(ctx, p) })
		f(t, b, p)
		stop()
	})
}

const eventsRequest = "GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n"

// An open page outlives every limit that is meant for requests.
func TestEventsLast(t *testing.T) {
	timed(t, func(t *testing.T, b *flooded, p *pipes) {
		c := p.dial()
		defer c.Close()
		go io.WriteString(c, eventsRequest)
		r := bufio.NewReader(c)
		begin := time.Now()
		for beats := 0; beats < 240; {
			line, err := r.ReadString('\n')
			if err != nil {
				t.Fatalf("ended after %v with %d heartbeats: %v", time.Since(begin), beats, err)
			}
			if strings.HasPrefix(line, ":") {
				beats++
			}
		}
		if got := time.Since(begin); got != time.Hour {
			t.Errorf("240 heartbeats took %v, want an hour", got)
		}
	})
}

// A page that stops reading without going away is cut off within the limit of
// one write, and its place is free again.
func TestDeadPageIsCutOff(t *testing.T) {
	timed(t, func(t *testing.T, b *flooded, p *pipes) {
		c := p.dial()
		defer c.Close()
		io.WriteString(c, eventsRequest)
		r := bufio.NewReader(c)
		if name, _, ok := frame(t, r); !ok || name != "snapshot" {
			t.Fatalf("first event %q", name)
		}
		begin := time.Now()
		big, _ := json.Marshal(strings.Repeat("x", 64<<10))
		b.hub.Publish(web.Event{Name: "reading", Data: big}) // more than any buffer on the way
		for n := 1; n > 0; n, _ = b.hub.Stats() {
			time.Sleep(time.Second)
			if time.Since(begin) > time.Minute {
				t.Fatal("still held after a minute")
			}
		}
		if got := time.Since(begin); got < 8*time.Second || got > 15*time.Second {
			t.Errorf("cut off after %v, want about 10 s", got)
		}
	})
}

// Clients that send a request drop by drop are cut off.
func TestSlowRequestsAreCutOff(t *testing.T) {
	for name, tt := range map[string]struct {
		begin, drop string
		most        time.Duration
	}{
		"header": {"GET / HTTP/1.1\r\nHost: localhost\r\n", "X: y\r\n", 6 * time.Second},
		"body":   {"POST /api/v1/pieces HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 100000\r\n\r\n", " ", 22 * time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			timed(t, func(t *testing.T, b *flooded, p *pipes) {
				c := p.dial()
				defer c.Close()
				ended := make(chan struct{})
				go func() { io.Copy(io.Discard, c); close(ended) }()
				begin := time.Now()
				io.WriteString(c, tt.begin)
				for {
					select {
					case <-ended:
						if got := time.Since(begin); got > tt.most {
							t.Errorf("cut off after %v, want %v at most", got, tt.most)
						}
						if w, err := b.Work(t.Context()); err != nil || len(w.Pieces) > 0 {
							t.Errorf("half a request reached the daemon: %+v, %v", w, err)
						}
						return
					case <-time.After(time.Second):
					}
					if time.Since(begin) > 2*time.Minute {
						t.Fatal("still held after two minutes")
					}
					c.SetWriteDeadline(time.Now().Add(time.Second))
					io.WriteString(c, tt.drop)
				}
			})
		})
	}
}

// An idle connection is closed in the end.
func TestIdleConnectionCloses(t *testing.T) {
	timed(t, func(t *testing.T, b *flooded, p *pipes) {
		c := p.dial()
		defer c.Close()
		begin := time.Now()
		go io.WriteString(c, "GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n")
		if _, err := io.Copy(io.Discard, c); err != nil {
			t.Fatal(err)
		}
		if got := time.Since(begin); got < 30*time.Second || got > 2*time.Minute {
			t.Errorf("closed after %v, want between 30 s and 2 min", got)
		}
	})
}

// slowDisk takes a second to store anything and stops if its context ends.
type slowDisk struct{ web.Backend }

func (b slowDisk) Create(ctx context.Context, who web.Who, kind string, body json.RawMessage, key string) (string, bool, error) {
	select {
	case <-time.After(time.Second):
		return b.Backend.Create(ctx, who, kind, body, key)
	case <-ctx.Done():
		return "", false, ctx.Err()
	}
}

// A coat that is being written when the daemon is told to stop is still
// written and answered; an open page does not hold the stop up.
func TestStopFinishesChanges(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, p := shop(t), newPipes("127.0.0.1:8374")
		s := server(t, slowDisk{b})
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- s.Serve(ctx, p) }()
		page := p.dial()
		defer page.Close()
		go io.WriteString(page, eventsRequest)
		go io.Copy(io.Discard, page)
		c := p.dial()
		defer c.Close()
		body := `{"panel":"lid-outer","resin":"medium","kind":"seal","applied":"2026-10-10T10:00:00Z"}`
		go fmt.Fprintf(c, "POST /api/v1/coats HTTP/1.1\r\nHost: localhost\r\nContent-Length: %d\r\n\r\n%s", len(body), body)
		time.Sleep(100 * time.Millisecond)
		begin := time.Now()
		stop()
		res, err := http.ReadResponse(bufio.NewReader(c), nil)
		if err != nil || res.StatusCode != http.StatusCreated {
			t.Fatalf("%v %v, want 201", res, err)
		}
		io.Copy(io.Discard, res.Body)
		if err := <-done; err != nil {
			t.Errorf("Serve = %v", err)
		}
		if got := time.Since(begin); got > 2*time.Second {
			t.Errorf("stopped after %v, want 2 s at most", got)
		}
	})
}
