// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func TestPrune(t *testing.T) {
	now := time.Date(2026, 10, 10, 8, 0, 0, 0, time.UTC)
	put := func(m *mem, id, subject, state string, daysAgo int) {
		at := now.AddDate(0, 0, -daysAgo)
		r := record{Alert: Alert{ID: id, Rule: "trouble", Subject: subject, State: state, Since: at, FiredAt: &at}}
		if state == Resolved {
			r.EndedAt = &at
		}
		b, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		m.alerts[id] = b
	}
	ofCoat := func(a Alert) bool { return strings.HasPrefix(a.Subject, "coat") }
	left := func(m *mem) string {
		var ids []string
		for _, id := range []string{"old", "new", "coat", "live", "spoilt"} {
			if _, ok := m.alerts[id]; ok {
				ids = append(ids, id)
			}
		}
		return strings.Join(ids, " ")
	}
	m := newMem()
	put(m, "old", "store", Resolved, 800)
	put(m, "new", "store", Resolved, 100)
	put(m, "coat", "coat-1", Resolved, 3000)
	put(m, "live", "probe-1", Firing, 900)
	m.alerts["spoilt"] = []byte("{")
	e := New(Tuning{}, m, nil)
	if n, err := e.Prune(t.Context(), 2, ofCoat); n != 0 || err != nil {
		t.Errorf("removed %d, %v by age; want none", n, err)
	}
	if n, err := e.Prune(t.Context(), 1, ofCoat); n != 1 || err != nil {
		t.Errorf("removed %d, %v; want one", n, err)
	}
	if got := left(m); got != "new coat live spoilt" {
		t.Errorf("left %q", got)
	}
	for _, a := range e.List(true) {
		if a.ID == "old" {
			t.Error("it is still listed")
		}
	}
	// By number too, the oldest first; and a bounded number in one go.
	for i := range 500 {
		put(m, fmt.Sprint("flood", i), "store", Resolved, 99)
	}
	for _, want := range []int{pruneStep, pruneStep, 91, 0} { // 501 of which 10 stay
		if n, err := e.Prune(t.Context(), 10, ofCoat); n != want || err != nil {
			t.Errorf("removed %d, %v; want %d", n, err, want)
		}
	}
	if got := left(m); got != "coat live spoilt" {
		t.Errorf("left %q, want the flood's newest instead of what is older", got)
	}
	put(m, "old", "store", Resolved, 800)
	m.setFull(true)
	if n, err := e.Prune(t.Context(), 0, ofCoat); n != 0 || err == nil {
		t.Errorf("on a full card: %d, %v", n, err)
	}
}

// deafChan hangs in its first try and heeds no time limit.
type deafChan struct{ free chan struct{} }

func (c deafChan) channel() Channel {
	return Channel{Name: "deaf", Send: func(context.Context, Message) error { <-c.free; return nil }}
}

// A channel that hangs past its limit is called late; one that is slow, fails
// or has nothing to do is not.
func TestLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		deaf := deafChan{make(chan struct{})}
		slow := &chanFake{name: "slow", delay: time.Hour, timeout: 5 * time.Minute}
		r := start(t, DispatchConfig{}, deaf, slow)
		for range 60 {
			pass(time.Minute)
			if late := r.d.Late(); late != nil {
				t.Fatalf("with nothing to do: %q", late)
			}
		}
		r.look(troubles(Act, "a"))
		pass(90 * time.Second)
		if late := r.d.Late(); late != nil {
			t.Errorf("within its limit: %q", late)
		}
		for range 30 {
			pass(time.Minute)
			if late := r.d.Late(); len(late) != 1 || !strings.HasPrefix(late[0], "messages by deaf: silent for ") {
				t.Fatalf("late = %q, want the deaf one alone", late)
			}
		}
		close(deaf.free)
		pass(time.Minute)
		if late := r.d.Late(); late != nil {
			t.Errorf("after it came round: %q", late)
		}
	})
}
