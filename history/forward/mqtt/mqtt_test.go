// SPDX-License-Identifier: Apache-2.0

package mqtt

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
	"unicode/utf8"

	"curewright/history"
	"curewright/sensors"
)

type message struct {
	topic, body string
	retain      bool
	expire      time.Duration
}

// broker takes messages, unless it is down or refuses a topic.
type broker struct {
	mu      sync.Mutex
	down    bool
	refuse  func(topic string) bool
	got     []message
	dropped int
}

type refusal struct{}

// must ends the test at an error.
func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func (refusal) Error() string   { return "not allowed" }
func (refusal) Permanent() bool { return true }

func (b *broker) Publish(_ context.Context, topic string, body []byte, retain bool, expire time.Duration) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.down {
		b.dropped++
		return errors.New("no connection")
	}
	if b.refuse != nil && b.refuse(topic) {
		b.dropped++
		return fmt.Errorf("publish: %w", refusal{})
	}
	b.got = append(b.got, message{topic, string(body), retain, expire})
	return nil
}

func (b *broker) Up() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return !b.down
}

func (b *broker) set(f func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f()
}

func (b *broker) take() []message {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := b.got
	b.got = nil
	return out
}

// shelf is a history in memory: its cursor counts readings.
type shelf struct {
	mu   sync.Mutex
	all  []sensors.Reading
	at   history.Cursor
	sets int
}

func (s *shelf) add(rs ...sensors.Reading) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.all = append(s.all, rs...)
}

func (s *shelf) ReadingsAfter(_ context.Context, c history.Cursor, limit int) ([]sensors.Reading, history.Cursor, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	to := min(int(c)+limit, len(s.all))
	return slices.Clone(s.all[c:to]), history.Cursor(to), nil
}

func (s *shelf) Cursor(string) history.Cursor {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.at
}

func (s *shelf) SetCursor(_ string, c history.Cursor) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.at = c
	s.sets++
}

func (s *shelf) End() history.Cursor {
	s.mu.Lock()
	defer s.mu.Unlock()
	return history.Cursor(len(s.all))
}

func reading(probe string, at time.Time, t float64) sensors.Reading {
	return sensors.Reading{Probe: probe, At: at, Temp: sensors.Some(t)}
}

// An outage of three days, and a broker that goes away in the middle of the
// backlog: every reading arrives once, in order, and none that is old is left
// standing as the present one.
func TestReadingsThroughOutage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		st := &shelf{all: []sensors.Reading{reading("a", start, 1)}}
		b := &broker{}
		r := NewReadings(ReadingsOptions{Base: "curewright/shed", Pub: b, Store: st, Stale: func(string) time.Duration { return time.Minute }})
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(time.Minute)
		if got := b.take(); len(got) != 0 {
			t.Fatalf("what was there before the first start was published: %v", got)
		}
		st.add(reading("a", time.Now(), 2))
		time.Sleep(5 * time.Second)
		got := b.take()
		if len(got) != 1 || got[0].topic != "curewright/shed/probe/a/reading" || !got[0].retain || got[0].expire <= 50*time.Second || got[0].expire > time.Minute {
			t.Fatalf("got %+v, want one retained reading that expires in a minute", got)
		}
		b.set(func() { b.down = true })
		n := 0
		for range 3 * 24 * 60 {
			st.add(reading("a", time.Now(), float64(n)))
			n++
			time.Sleep(time.Minute)
		}
		if s := r.Status(); s.FailingSince.IsZero() || s.Failures == 0 || s.Err == "" {
			t.Errorf("status in the outage %+v", s)
		}
		b.set(func() { b.down = false })
		r.Wake()
		time.Sleep(3 * time.Second) // 200 a second: it is still at it
		b.set(func() { b.down = true })
		time.Sleep(time.Minute)
		b.set(func() { b.down = false })
		time.Sleep(5 * time.Minute)
		got = b.take()
		if len(got) != n {
			t.Fatalf("%d readings came, want %d", len(got), n)
		}
		for i, m := range got {
			var x Reading
			must(t, json.Unmarshal([]byte(m.body), &x))
			if v, _ := x.TempC.Get(); v != float64(i) {
				t.Fatalf("reading %d is %v: not in order", i, m.body)
			}
			if m.retain {
				t.Errorf("reading %d, of %v, is retained at %v", i, x.Time, time.Now())
			}
		}
		if s := r.Status(); !s.FailingSince.IsZero() || s.Sent != uint64(n+1) {
			t.Errorf("status after it %+v", s)
		}
		cancel()
		if err := <-done; err != context.Canceled {
			t.Errorf("ended with %v", err)
		}
	})
}

// A probe whose topic the broker refuses does not hold up the rest; a broker
// that refuses everything does not empty the history.
func TestReadingsRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out bytes.Buffer
		st := &shelf{}
		b := &broker{refuse: func(topic string) bool { return strings.Contains(topic, "/secret/") }}
		r := NewReadings(ReadingsOptions{Base: "b", Pub: b, Store: st, Log: slog.New(slog.NewTextHandler(&out, nil))})
		for i := range 6 {
			st.add(reading([]string{"open", "secret"}[i%2], time.Now(), float64(i)))
		}
		must(t, r.Drain(t.Context()))
		if got := b.take(); len(got) != 3 || r.Status().Refused != 3 || st.at != 6 {
			t.Errorf("%d came, %+v, cursor %d; want the open probe's three, three refused", len(got), r.Status(), st.at)
		}
		if n := strings.Count(out.String(), "does not take"); n != 1 {
			t.Errorf("said %d times:\n%s", n, out.String())
		}
		b.refuse = func(string) bool { return true }
		for i := range 4 {
			st.add(reading("open", time.Now(), float64(i)))
		}
		if err := r.Drain(t.Context()); err == nil || st.at != 6 {
			t.Errorf("a broker that refuses all: %v, cursor %d", err, st.at)
		}
		b.refuse = nil
		if err := r.Drain(t.Context()); err != nil || st.at != 10 || len(b.take()) != 4 {
			t.Errorf("once it does not: %v, cursor %d", err, st.at)
		}
	})
}

// A missing quantity is null.
func TestReadingBody(t *testing.T) {
	at := time.Date(2026, 10, 10, 8, 40, 0, 0, time.UTC)
	b := &broker{}
	st := &shelf{}
	r := NewReadings(ReadingsOptions{Base: "b", Pub: b, Store: st, Now: func() time.Time { return at }})
	st.add(sensors.Reading{Probe: "a/+#%", At: at, RH: sensors.Some(61.25)})
	must(t, r.Drain(t.Context()))
	want := message{"b/probe/a%2F%2B%23%25/reading", `{"probe":"a/+#%","time":"2026-10-10T08:40:00Z","temp_c":null,"rh_pct":61.25,"co2_ppm":null}`, true, 10 * time.Minute}
	if got := b.take(); len(got) != 1 || got[0] != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

// The board shows what changed, takes away what is gone, renews before expiry
// and gives a broker that lost its memory everything again.
func TestBoard(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &broker{}
		board := NewBoard(BoardOptions{Pub: b, Expire: 10 * time.Minute, Lasting: func(t string) bool { return t == "about" }})
		go board.Run(t.Context())
		show := func(state map[string]string) []message {
			m := map[string][]byte{}
			for k, v := range state {
				m[k] = []byte(v)
			}
			board.Show(m)
			synctest.Wait()
			return b.take()
		}
		expect := func(what string, got []message, want ...message) {
			t.Helper()
			if !slices.Equal(got, want) {
				t.Errorf("%s: got %+v, want %+v", what, got, want)
			}
		}
		tenMin := 10 * time.Minute
		expect("first", show(map[string]string{"about": "x", "coat/a": "1", "coat/b": "1"}),
			message{"about", "x", true, 0}, message{"coat/a", "1", true, tenMin}, message{"coat/b", "1", true, tenMin})
		expect("one changed", show(map[string]string{"about": "x", "coat/a": "2", "coat/b": "1"}), message{"coat/a", "2", true, tenMin})
		expect("one gone", show(map[string]string{"about": "x", "coat/a": "2"}), message{"coat/b", "", true, 0})
		expect("nothing new", show(map[string]string{"about": "x", "coat/a": "2"}))
		time.Sleep(5*time.Minute + 10*time.Second)
		expect("renewed", b.take(), message{"coat/a", "2", true, tenMin})

		b.set(func() { b.down = true })
		expect("down", show(map[string]string{"about": "x", "coat/c": "1"}))
		b.set(func() { b.down = false })
		board.Renew()
		synctest.Wait()
		expect("up again", b.take(), message{"about", "x", true, 0}, message{"coat/a", "", true, 0}, message{"coat/c", "1", true, tenMin})
		if got := slices.Sorted(maps.Keys(board.all)); !slices.Equal(got, []string{"about", "coat/c"}) {
			t.Errorf("showing %q", got)
		}

		b.set(func() { b.refuse = func(topic string) bool { return topic == "coat/c" } })
		expect("one refused", show(map[string]string{"about": "y", "coat/c": "2", "panels": "[]"}), message{"about", "y", true, 0}, message{"panels", "[]", true, tenMin})
		n := b.dropped
		time.Sleep(time.Minute)
		if b.dropped != n {
			t.Errorf("a refused message was tried %d times more within a minute", b.dropped-n)
		}
		b.set(func() { b.refuse = nil })
		time.Sleep(5 * time.Minute)
		if got := b.take(); !slices.Contains(got, message{"coat/c", "2", true, tenMin}) {
			t.Errorf("never tried again: %+v", got)
		}
	})
}

// MQTT 5.0, 1.5.4 and 4.7: a topic is UTF-8 without U+0000, a level has no
// slash, and + and # are for filters.
func FuzzLevel(f *testing.F) {
	f.Add("lid/outer +#")
	f.Add("$SYS\x00\xff")
	f.Fuzz(func(t *testing.T, name string) {
		l := Level(name)
		if strings.ContainsAny(l, "/+#\x00") || !utf8.ValidString(l) || strings.HasPrefix(l, "$") {
			t.Errorf("Level(%q) = %q", name, l)
		}
	})
}

// The description names each topic once and is plain JSON.
func TestAbout(t *testing.T) {
	var a struct {
		Form   int
		Base   string
		Topics []Topic
	}
	must(t, json.Unmarshal(About("curewright/shed", "Shed", "1"), &a))
	seen := map[string]bool{}
	for i, x := range a.Topics {
		if seen[x.Topic] || x.Topic != a.Base+"/"+Topics[i].Topic || x.About == "" {
			t.Errorf("topic %d: %+v", i, x)
		}
		seen[x.Topic] = true
	}
	if a.Form != AboutForm || len(seen) != len(Topics) {
		t.Errorf("form %d, %d topics", a.Form, len(seen))
	}
}

func ExampleBoard() {
	pub := &broker{}
	board := NewBoard(BoardOptions{Pub: pub})
	board.Show(map[string][]byte{"curewright/shed/cups": []byte("[]")})
	ctx, cancel := context.WithTimeout(context.Background(), 100*time.Millisecond)
	defer cancel()
	board.Run(ctx)
	for _, m := range pub.take() {
		fmt.Fprintln(os.Stdout, m.topic, m.body, m.retain, m.expire)
	}
	// Output: curewright/shed/cups [] true 10m0s
}

var update = flag.Bool("update", false, "rewrite the table of topics in the guide")

// The guide's table is what is published.
func TestGuide(t *testing.T) {
	const guide = "../../../docs/mqtt-influx.md"
	var b strings.Builder
	b.WriteString("| topic | retained | what |\n|---|---|---|\n")
	for _, x := range Topics {
		kept, what := "–", x.About
		if x.Retained {
			kept = "yes"
		}
		if x.List {
			what = "List. " + what
		}
		if x.Values != nil {
			what += " `" + strings.Join(x.Values, "` or `") + "`."
		}
		for i, f := range x.Fields {
			sep := "; "
			if i == 0 {
				sep = " "
			}
			what += sep + "`" + f.Name + "`"
			var more []string
			for _, m := range []string{f.Unit, f.About} {
				if m != "" {
					more = append(more, m)
				}
			}
			if f.Null {
				more = append(more, "or null")
			}
			if more != nil {
				what += " (" + strings.Join(more, ", ") + ")"
			}
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s |\n", x.Topic, kept, what)
	}
	text, err := os.ReadFile(guide)
	must(t, err)
	head, rest, ok := strings.Cut(string(text), "-update -->\n")
	_, tail, ok2 := strings.Cut(rest, "<!-- end of table -->")
	if !ok || !ok2 {
		t.Fatal("the guide has no place for the table")
	}
	want := head + "-update -->\n\n" + b.String() + "\n<!-- end of table -->" + tail
	if *update {
		must(t, os.WriteFile(guide, []byte(want), 0o644))
	} else if want != string(text) {
		t.Errorf("%s does not show the topics as they are: run with -update", guide)
	}
}
