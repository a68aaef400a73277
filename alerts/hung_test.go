// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"curewright/model/coat"
)

// hear is a channel that follows what sounds, as a buzzer does.
type hear struct {
	chanFake
	active []Alert
	at     time.Time
}

func (h *hear) channel() Channel {
	return Channel{Name: h.name, Send: h.send, Watch: func(as []Alert) { h.active, h.at = as, time.Now() }}
}

// A card whose write never returns delays neither the step, the buzzer, a
// message, an acknowledgement's silence nor a list. In fake time: had anything
// waited, the clock would have moved on.
func TestHungStoreDelaysNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := newMem()
		st.hang = make(chan struct{})
		buzzer, phone := &hear{chanFake: chanFake{name: "buzzer"}}, &chanFake{name: "phone"}
		r := &rig{t: t, st: st}
		r.start(DispatchConfig{}, buzzer, phone)
		began := time.Now()
		r.look(troubles(Danger, "a"))
		wantSay(t, phone, "trouble firing")
		if len(buzzer.active) != 1 {
			t.Fatalf("the buzzer follows %v, want one alert", buzzer.active)
		}
		// Looks go on while the save hangs.
		r.look(troubles(Danger, "a", "b"))
		wantSay(t, phone, "trouble firing", "trouble firing")
		as := r.e.List(false)
		r.d.Stats()
		r.d.Conditions()
		go r.d.Heard(t.Context(), "phone", true)
		synctest.Wait()
		if !r.d.WakeTested() {
			t.Error("what was heard waits for the card")
		}
		r.e.AckAll("button", time.Now())
		if len(buzzer.active) != 0 {
			t.Errorf("the buzzer goes on with %v after the button", buzzer.active)
		}
		r.look(troubles(Danger, "a", "b", "c"))
		var c Alert
		for _, a := range r.e.List(false) {
			if a.State == Firing {
				c = a
			}
		}
		acked := make(chan error, 1)
		go func() { acked <- r.e.Ack(c.ID, "phone", time.Now()) }()
		synctest.Wait()
		if len(buzzer.active) != 0 {
			t.Errorf("the buzzer goes on with %v while the acknowledgement waits for the card", buzzer.active)
		}
		if d := time.Since(began); d != 0 {
			t.Errorf("all of this took %v of waiting for the card", d)
		}
		if err := <-acked; err != nil || time.Since(began) > storeTimeout {
			t.Errorf("the acknowledgement came back with %v after %v, want nil within %v", err, time.Since(began), storeTimeout)
		}
		if len(as) != 2 || len(st.alerts) != 0 {
			t.Errorf("%d alerts listed, %d stored; want 2, 0", len(as), len(st.alerts))
		}
		// The card wakes up: everything is written.
		close(st.hang)
		synctest.Wait()
		r.kill()
		if len(st.alerts) != 3 || r.st.queued() != 0 {
			t.Errorf("%d alerts and %d messages stored, want 3 and 0", len(st.alerts), r.st.queued())
		}
		for id, b := range st.alerts {
			if !strings.Contains(string(b), `"acknowledged"`) {
				t.Errorf("%s is stored as %s, want acknowledged", id, b)
			}
		}
	})
}

// Stopping does not wait for a card that hangs.
func TestHungStoreAtStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st := newMem()
		st.hang = make(chan struct{})
		r := &rig{t: t, st: st}
		r.start(DispatchConfig{}, &chanFake{name: "phone"})
		r.look(troubles(Act, "a"))
		began := time.Now()
		r.kill()
		if d := time.Since(began); d > 5*time.Second {
			t.Errorf("the stop took %v", d)
		}
		close(st.hang)
	})
}

// A condition that is reported lasts for as long as it is, whatever its rule;
// it ends by itself and not by a person.
func TestReportedConditionsLast(t *testing.T) {
	for _, r := range Rules {
		if r.Source != FromReport {
			continue
		}
		e := New(Tuning{}, nil, nil)
		in := func(d time.Duration, on bool) Input {
			x := Input{Now: t0.Add(d), ClockTrusted: true, Work: &coat.Work{}}
			if on {
				x.Conditions = []Condition{{Rule: r.Name, Subject: "influx", Severity: r.Severity}}
			}
			return x
		}
		fired := false
		for d := time.Duration(0); d <= 2*time.Hour; d += minute {
			for _, tr := range e.Step(in(d, true)) {
				fired = fired || tr.What == WhatFiring
				if tr.What == WhatResolved || tr.What == WhatDropped {
					t.Fatalf("%s: %s after %v by %q, while it lasts", r.Name, tr.What, d, tr.Alert.EndedBy)
				}
			}
		}
		if !fired {
			t.Errorf("%s did not fire in two hours", r.Name)
		}
		by := ""
		for d := 2*time.Hour + minute; d <= 6*time.Hour; d += minute {
			for _, tr := range e.Step(in(d, false)) {
				if tr.What == WhatResolved {
					by = tr.Alert.EndedBy
				}
			}
		}
		if by != "cleared" {
			t.Errorf("%s ended by %q, want cleared", r.Name, by)
		}
	}
}

// What does not fit into the queue is counted and said with the next message
// that gets through.
func TestOverflowIsSaid(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := broken("phone")
		c.perHour = 1000
		r := start(t, DispatchConfig{}, c)
		var subjects []string
		for i := range maxWaiting + 2 {
			subjects = append(subjects, fmt.Sprint("s", i))
		}
		r.look(troubles(Act, subjects...))
		pass(11 * time.Minute)
		if cs := r.d.Conditions(); len(cs) != 1 || !strings.Contains(fmt.Sprint(cs[0].Facts["lost"]), "2 messages did not fit") {
			t.Errorf("conditions %+v, want one that says that 2 messages did not fit", cs)
		}
		c.down.Store(false)
		pass(10 * time.Minute)
		ms := c.messages()
		if len(ms) != maxWaiting || !strings.Contains(ms[0].Text, "(2 messages before this did not fit") || strings.Contains(ms[1].Text, "did not fit") {
			t.Errorf("%d messages, want %d, of which the first says what was lost: %v", len(ms), maxWaiting, ms)
		}
		if s := r.d.Stats()["phone"]; s.Overflow != 2 || s.Lost != 0 {
			t.Errorf("overflow %d, unsaid %d; want 2, 0", s.Overflow, s.Lost)
		}
	})
}
