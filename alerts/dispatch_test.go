// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"curewright/model/coat"
	"curewright/sensors"
)

// rig is an engine and a dispatcher over one store, run in fake time.
type rig struct {
	t    *testing.T
	st   *mem
	e    *Engine
	d    *Dispatcher
	stop context.CancelFunc
	done chan struct{}
}

// start runs a rig until the test ends.
func start(t *testing.T, cfg DispatchConfig, chs ...fake) *rig {
	r := &rig{t: t}
	r.start(cfg, chs...)
	t.Cleanup(r.kill)
	return r
}

func (r *rig) start(cfg DispatchConfig, chs ...fake) {
	r.t.Helper()
	if r.st == nil {
		r.st = newMem()
	}
	r.e = New(Tuning{}, r.st, nil)
	r.d = NewDispatcher(cfg, r.e, r.st, channels(chs)...)
	ctx, cancel := context.WithCancel(context.Background())
	r.stop, r.done = cancel, make(chan struct{})
	go func() { defer close(r.done); r.d.Run(ctx) }()
}

func channels(fakes []fake) (out []Channel) {
	for _, f := range fakes {
		out = append(out, f.channel())
	}
	return out
}

func (r *rig) kill() { r.stop(); <-r.done }

// look steps with an input built for now, hands on what changed and lets the
// channels work.
func (r *rig) look(build func(now time.Time) Input) {
	r.d.Handle(r.e.Step(build(time.Now())))
	synctest.Wait()
}

// troubles is an input with conditions of a severity about each subject.
func troubles(sev Severity, subjects ...string) func(time.Time) Input {
	return func(now time.Time) Input {
		in := Input{Now: now, ClockTrusted: true}
		for _, s := range subjects {
			in.Conditions = append(in.Conditions, Condition{Rule: "trouble", Subject: s, Severity: sev, Say: "Look at " + s + "."})
		}
		return in
	}
}

// pass lets fake time go by and what it sets off come to rest.
func pass(d time.Duration) { time.Sleep(d); synctest.Wait() }

func quietShop(now time.Time) Input { return Input{Now: now, ClockTrusted: true} }

func wantSay(t *testing.T, c *chanFake, want ...string) {
	t.Helper()
	if got := c.say(); !slices.Equal(got, want) {
		t.Errorf("%s got %q, want %q", c.name, got, want)
	}
}

func TestSlowChannelHoldsUpNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		slow := &chanFake{name: "slow", delay: time.Hour}
		quick := &chanFake{name: "quick"}
		r := start(t, DispatchConfig{}, slow, quick)
		r.look(troubles(Act, "a"))
		wantSay(t, quick, "trouble firing")
		// The slow one is cut off by its deadline each time, counted and kept.
		pass(2 * time.Hour)
		s := r.d.Stats()["slow"]
		if s.Sent != 0 || s.Failed < 5 || s.Queued != 1 || s.FailingSince.IsZero() {
			t.Errorf("slow = %+v", s)
		}
		cs := r.d.Conditions()
		if len(cs) != 1 || cs[0].Rule != ChannelDown || cs[0].Subject != "slow" {
			t.Errorf("conditions = %+v", cs)
		}
	})
}

func TestRetry(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &chanFake{name: "phone", fail: func(try int) error {
			if try < 6 {
				return errors.New("no route to host")
			}
			return nil
		}}
		r := start(t, DispatchConfig{}, c)
		r.look(troubles(Act, "a"))
		pass(time.Hour)
		wantSay(t, c, "trouble firing")
		if n := r.st.queued(); n != 0 {
			t.Errorf("%d rows left in the outbox", n)
		}
		// Waits grow from some seconds and stay below the 5 min bound and its
		// jitter of a half.
		times := c.at
		for i := 1; i < len(times); i++ {
			gap := times[i].Sub(times[i-1])
			if gap < 2*time.Second || gap > 8*time.Minute {
				t.Errorf("wait %d is %v", i, gap)
			}
		}
		if first, last := times[1].Sub(times[0]), times[5].Sub(times[4]); last < 2*first {
			t.Errorf("waits do not grow: %v first, %v last", first, last)
		}
	})
}

func TestRetryAfterIsObeyed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &chanFake{name: "phone", fail: func(try int) error {
			if try == 1 {
				return fmt.Errorf("phone: %w", &RetryAfterError{Err: errors.New("too many"), Wait: 20 * time.Minute})
			}
			return nil
		}}
		r := start(t, DispatchConfig{}, c)
		r.look(troubles(Act, "a"))
		pass(time.Hour)
		times := c.at
		if len(times) != 2 || times[1].Sub(times[0]) < 20*time.Minute {
			t.Errorf("tries at %v", times)
		}
	})
}

func TestPermanentIsNotRetried(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &chanFake{name: "phone", fail: func(int) error { return Permanent(errors.New("401 wrong password")) }}
		r := start(t, DispatchConfig{}, c)
		r.look(troubles(Act, "a"))
		pass(24 * time.Hour)
		if s := r.d.Stats()["phone"]; c.tries != 1 || s.Refused != 1 || s.Queued != 0 || s.LastErr == "" {
			t.Errorf("%d tries, %+v", c.tries, s)
		}
		if len(r.d.Conditions()) != 1 {
			t.Error("a channel that refuses everything is not reported")
		}
	})
}

func TestPanicIsThatChannelsAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bad := &chanFake{name: "bad", fail: func(int) error { panic("nil map") }}
		good := &chanFake{name: "good"}
		r := start(t, DispatchConfig{}, bad, good)
		r.look(troubles(Act, "a"))
		r.look(troubles(Act, "a", "b"))
		wantSay(t, good, "trouble firing", "trouble firing")
	})
}

// Killed between the outbox and the delivery: delivered after the restart,
// with the same key. Killed between delivery and its note: delivered twice
// with the same key, never lost.
func TestAtLeastOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		down := broken("phone")
		r := &rig{t: t}
		r.start(DispatchConfig{}, down)
		r.look(troubles(Act, "a"))
		r.kill()
		if r.st.queued() != 1 {
			t.Fatalf("%d rows in the outbox, want 1", r.st.queued())
		}
		saved := map[string][]byte{}
		for k, b := range r.st.outbox {
			saved[k] = b
		}

		up := &chanFake{name: "phone"}
		r.start(DispatchConfig{}, up)
		synctest.Wait()
		wantSay(t, up, "trouble firing")
		r.look(troubles(Act, "a"))
		wantSay(t, up, "trouble firing") // the engine does not hand it on again
		r.kill()

		for k, b := range saved { // as if the note had been lost
			r.st.outbox[k] = b
		}
		again := &chanFake{name: "phone"}
		r.start(DispatchConfig{}, again)
		synctest.Wait()
		r.kill()
		if len(again.got) != 1 || again.got[0].Key != up.got[0].Key {
			t.Errorf("keys %v then %v, want one and the same", up.got, again.got)
		}
	})
}

func TestResolvedWhileDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &chanFake{name: "phone"}
		r := &rig{t: t}
		r.start(DispatchConfig{}, c)
		r.look(troubles(Act, "a"))
		r.kill()
		pass(5 * time.Hour)
		r.start(DispatchConfig{}, c)
		defer r.kill()
		r.look(quietShop)
		wantSay(t, c, "trouble firing", "trouble resolved")
	})
}

func TestFullCardStillDelivers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c, log := &chanFake{name: "phone"}, new(strings.Builder)
		r := start(t, DispatchConfig{Log: slog.New(slog.NewTextHandler(log, nil))}, c)
		r.st.setFull(true)
		r.look(troubles(Danger, "a"))
		wantSay(t, c, "trouble firing")
		if !strings.Contains(log.String(), errFull.Error()) {
			t.Errorf("nobody is told that the card is full: %s", log)
		}
	})
}

// What could not be written when the card was full is written once it can be.
func TestOutboxCatchesUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := broken("phone")
		r := &rig{t: t}
		r.start(DispatchConfig{}, c)
		r.st.setFull(true)
		r.look(troubles(Act, "a"))
		r.st.setFull(false)
		r.look(troubles(Act, "a", "b"))
		pass(10 * time.Minute)
		r.kill()
		if n := r.st.queued(); n != 2 {
			t.Errorf("%d rows in the outbox, want 2", n)
		}
	})
}

// A message that was delivered while the card refused is not delivered again
// after a restart, once the card took the note.
func TestDoneCatchesUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &chanFake{name: "phone", fail: func(try int) error {
			if try == 1 {
				return errors.New("down")
			}
			return nil
		}}
		r := &rig{t: t}
		r.start(DispatchConfig{}, c)
		r.look(troubles(Act, "a"))
		r.st.setFull(true)
		pass(10 * time.Minute)
		wantSay(t, c, "trouble firing")
		if r.st.queued() != 1 {
			t.Fatal("a full card forgot a row")
		}
		r.st.setFull(false)
		pass(2 * time.Minute)
		r.kill()
		if n := r.st.queued(); n != 0 {
			t.Errorf("%d rows left", n)
		}
	})
}

// Rows that can't be read, or belong to a channel that is gone, cost nothing
// else.
func TestDamagedRows(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := &rig{t: t, st: newMem()}
		r.st.outbox["torn"] = []byte(`{"key":"to`)
		r.st.outbox["gone/x"] = []byte(`{"key":"gone/x","channel":"gone","message":{"text":"x"}}`)
		c := &chanFake{name: "phone"}
		r.start(DispatchConfig{}, c)
		defer r.kill()
		r.look(troubles(Act, "a"))
		wantSay(t, c, "trouble firing")
		if _, ok := r.st.outbox["gone/x"]; ok {
			t.Error("the row of a channel that is gone stays for ever")
		}
	})
}

// The same failure is logged once and not with every try.
func TestTroubleIsSaidOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var b strings.Builder
		c := broken("phone")
		r := &rig{t: t}
		r.start(DispatchConfig{Log: slog.New(slog.NewTextHandler(&b, nil))}, c)
		r.look(troubles(Act, "a"))
		pass(29 * time.Minute)
		r.kill()
		if n := strings.Count(b.String(), "no route to host"); n != 1 || c.tries < 5 {
			t.Errorf("said %d times in %d tries, want once:\n%s", n, c.tries, b.String())
		}
	})
}

// night is a dispatcher's clock at 23:00 of the fake world's first day.
func sleepTill23(r *rig) {
	now := time.Now().In(shed)
	y, m, d := now.Date()
	pass(time.Until(time.Date(y, m, d, 23, 0, 0, 0, shed)))
	r.d.SetView(View{Loc: shed}, Hours{22 * 60, 6*60 + 30}, true)
	r.e.SetView(View{Loc: shed})
}

func TestNight(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		phone := &chanFake{name: "phone"}
		yard := &chanFake{name: "yard", machine: true}
		r := start(t, DispatchConfig{Site: "shed"}, phone, yard)
		sleepTill23(r)

		in := func(now time.Time) Input {
			x := Input{Now: now, ClockTrusted: true, Conditions: []Condition{
				{Rule: "r-danger", Severity: Danger, Say: "Danger."}, {Rule: "r-act", Severity: Act, Say: "Act."},
				{Rule: "r-soon", Severity: Soon, Say: "Soon."}, {Rule: "r-note", Severity: Note, Say: "Note."}}}
			return x
		}
		r.look(in)
		wantSay(t, phone, "r-danger firing", "r-act firing")
		wantSay(t, yard, "r-danger firing", "r-act firing", "r-soon firing", "r-note firing")
		pass(7 * time.Hour) // 06:00
		synctest.Wait()
		wantSay(t, phone, "r-danger firing", "r-act firing")
		pass(31 * time.Minute)
		got := phone.messages()
		if len(got) != 3 || got[2].What != WhatDigest || len(got[2].Lines) != 2 {
			t.Fatalf("in the morning %v, want one digest of two", phone)
		}
		for i, want := range []string{"Sat 23:00 Soon.", "Sat 23:00 Note."} {
			if got[2].Lines[i] != want {
				t.Errorf("line %d = %q, want %q", i, got[2].Lines[i], want)
			}
		}
	})
}

// A window that is still open after breakfast wakes nobody; one that closes in
// the night does.
func TestNightWakesOnlyForWhatCannotWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		phone := &chanFake{name: "phone"}
		r := start(t, DispatchConfig{}, phone)
		sleepTill23(r)
		began := time.Now()
		look := func(closesAfter time.Duration) {
			r.look(func(now time.Time) Input {
				c := wet()
				c.AppliedAt, c.State = began.Add(-10*time.Hour), coat.Green
				o, cl := began, began.Add(closesAfter)
				c.NextWindow = &coat.Window{Kind: coat.WindowCoat, Opens: &o, Closes: &cl, Status: "open", Permits: true}
				return shop(now, c)
			})
		}
		look(12 * time.Hour) // until 11:00
		wantSay(t, phone)
		// A warm night: the forecast moves the end to 02:00.
		pass(2 * time.Hour)
		look(3 * time.Hour)
		pass(20 * time.Minute)
		look(3 * time.Hour)
		wantSay(t, phone, "closing_soon firing")
	})
}

func TestCameAndWentOvernight(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		phone := &chanFake{name: "phone"}
		r := start(t, DispatchConfig{}, phone)
		sleepTill23(r)
		r.look(troubles(Soon, "the vent"))
		pass(time.Hour)
		r.look(quietShop)
		pass(8 * time.Hour)
		got := phone.messages()
		if len(got) != 1 || got[0].What != WhatDigest || len(got[0].Lines) != 1 ||
			got[0].Lines[0] != "00:00 Look at the vent. It ended at 00:00." {
			t.Errorf("got %+v", got)
		}
	})
}

// While nobody knows the time nothing waits for the morning.
func TestUntrustedClockWaitsForNoMorning(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		phone := &chanFake{name: "phone"}
		r := start(t, DispatchConfig{}, phone)
		sleepTill23(r)
		r.d.SetView(View{Loc: shed}, Hours{22 * 60, 6*60 + 30}, false)
		r.look(troubles(Soon, "a"))
		wantSay(t, phone, "trouble firing")
	})
}

// The board boots in 1970 and learns the time an hour later: what was going on
// goes on, and nothing is overdue by half a century.
func TestBoardLearnsTheTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		e := New(Tuning{}, newMem(), nil)
		boot := time.Now()
		off := time.Unix(0, 0).Sub(boot)
		look := func(trusted bool, c float64) []Transition {
			in := shop(time.Now().Add(off), cold(c))
			in.Conditions = []Condition{{Rule: "trouble", Severity: Act, Say: "Look."}}
			in.ClockTrusted = trusted
			if trusted {
				in.DateSet = 1
			}
			return e.Step(in)
		}
		expect(t, look(false, 18), "trouble firing")
		pass(10 * time.Minute)
		expect(t, look(false, 8), "too_cold pending")
		pass(5 * time.Minute)
		off = 0
		expect(t, look(true, 8))
		for _, a := range e.List(true) {
			if a.Since.Before(boot) || a.FiredAt != nil && !a.FiredAt.Equal(boot) {
				t.Errorf("%s since %v, fired %v", a.Rule, a.Since, a.FiredAt)
			}
		}
		pass(5 * time.Minute)
		expect(t, look(true, 8), "too_cold firing", "trouble escalated") // 10 min and 20 min
	})
}

// A probe with a loose plug through a whole night and day: one message, and
// one when it is well for good.
func TestFlappingProbeIsOneMessage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		phone := &chanFake{name: "phone"}
		r := start(t, DispatchConfig{}, phone)
		begin := time.Now()
		look := func(state string) {
			r.look(func(now time.Time) Input {
				in := shop(now, wet())
				in.Probes = []sensors.Health{probe(state, now)}
				return in
			})
		}
		for time.Since(begin) < 6*time.Hour {
			look("missing")
			pass(3 * time.Minute)
			look("missing")
			pass(time.Minute)
			look("ok")
			pass(4 * time.Minute)
		}
		wantSay(t, phone, "probe_missing firing")
		for range 130 {
			look("ok")
			pass(time.Minute)
		}
		wantSay(t, phone, "probe_missing firing", "probe_missing resolved")
	})
}

// Beyond the limit an hour what is not danger is gathered into one.
func TestRateLimit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		phone := &chanFake{name: "phone", perHour: 5}
		r := start(t, DispatchConfig{}, phone)
		var subjects []string
		for i := range 40 {
			subjects = append(subjects, fmt.Sprintf("s%02d", i))
			r.look(troubles(Soon, subjects...))
			pass(10 * time.Second)
		}
		r.look(func(now time.Time) Input {
			in := troubles(Soon, subjects...)(now)
			in.Conditions = append(in.Conditions, Condition{Rule: "fire", Severity: Danger, Say: "Get out."})
			return in
		})
		n := len(phone.messages())
		if n != 6 { // five and the danger
			t.Errorf("%d messages, want 6: %v", n, phone)
		}
		pass(30 * time.Minute)
		lines := 0
		for _, m := range phone.messages()[n:] {
			if m.What != WhatDigest {
				t.Errorf("%s beyond the limit", m.What)
			}
			lines += len(m.Lines)
		}
		if digests := len(phone.messages()) - n; lines != 35 || digests > 2 {
			t.Errorf("%d digests of %d lines, want 1 or 2 of 35", digests, lines)
		}
	})
}

func TestQueueIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		phone := broken("phone")
		phone.perHour = 1000
		r := start(t, DispatchConfig{}, phone)
		var subjects []string
		for i := range maxWaiting + 20 {
			subjects = append(subjects, fmt.Sprintf("s%03d", i))
		}
		r.look(troubles(Soon, subjects...))
		r.look(func(now time.Time) Input {
			in := troubles(Soon, subjects...)(now)
			in.Conditions = append(in.Conditions, Condition{Rule: "fire", Severity: Danger, Say: "Get out."})
			return in
		})
		s := r.d.Stats()["phone"]
		if s.Queued > maxWaiting || s.Overflow != 21 || r.st.queued() > maxWaiting {
			t.Errorf("queue %+v, %d rows stored", s, r.st.queued())
		}
		found := false
		for _, b := range r.st.outbox {
			found = found || strings.Contains(string(b), "Get out.")
		}
		if !found {
			t.Error("danger gave way to what is quieter")
		}
	})
}

func TestRoutes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b, boss := &chanFake{name: "a"}, &chanFake{name: "b"}, &chanFake{name: "boss"}
		r := &rig{t: t}
		r.start(DispatchConfig{Routes: []Route{
			{Severity: []string{"danger", "act"}, To: []string{"a"}, EscalateTo: []string{"boss"}},
			{Rule: []string{"probe_missing"}, To: []string{"b"}, Resolved: ptr(false)},
		}}, a, b, boss)
		defer r.kill()
		r.look(troubles(Act, "x"))
		wantSay(t, a, "trouble firing")
		wantSay(t, b)
		// Nobody answers for twenty minutes.
		pass(20 * time.Minute)
		r.look(troubles(Act, "x"))
		wantSay(t, a, "trouble firing", "trouble escalated")
		wantSay(t, boss, "trouble escalated")
		// Somebody answered the second one.
		r.look(troubles(Act, "x", "y"))
		for _, x := range r.e.List(false) {
			if x.Subject == "y" {
				if err := r.e.Ack(x.ID, "page", time.Now()); err != nil {
					t.Fatal(err)
				}
			}
		}
		pass(time.Hour)
		r.look(troubles(Act, "x", "y"))
		wantSay(t, boss, "trouble escalated")
	})
}

// A whole day with the escalation's webhook dead: every alert reaches the first
// channel at once all the same, what nobody answered waits for the dead one in
// bounded room, the trouble is a condition that the page shows, and when the
// webhook is back it hears of what still lasts, once.
func TestEscalationOverDeadWebhook(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		phone, hook := &chanFake{name: "phone"}, broken("hook")
		r := start(t, DispatchConfig{Routes: []Route{{To: []string{"phone"}, EscalateTo: []string{"hook"}}}}, phone, hook)
		most, said := 0, false
		for minute := range 24 * 60 {
			// A new trouble each hour, which lasts to the end of the day.
			var subjects []string
			for h := range minute/60 + 1 {
				subjects = append(subjects, fmt.Sprintf("coat-%d", h))
			}
			r.look(troubles(Act, subjects...))
			most = max(most, r.st.queued())
			said = said || len(r.d.Conditions()) > 0
			pass(time.Minute)
		}
		first := map[string]bool{}
		for _, s := range phone.say() {
			first[s] = true
		}
		if n := len(phone.say()); n < 24 || !first["trouble firing"] {
			t.Errorf("the phone heard %d messages of 24 troubles", n)
		}
		if got := hook.say(); len(got) != 0 {
			t.Errorf("the dead hook took %q", got)
		}
		if most > 200 || most == 0 {
			t.Errorf("%d messages waited at the most", most)
		}
		if !said {
			t.Error("nobody is told that the webhook is dead")
		}
		hook.down.Store(false)
		pass(time.Hour)
		got := hook.say()
		if len(got) == 0 || len(got) > 24 {
			t.Errorf("back again, the hook heard %d messages of 24 troubles: %q", len(got), got)
		}
		if n := r.st.queued(); n != 0 {
			t.Errorf("%d messages still wait", n)
		}
		t.Logf("24 simulated hours: %d messages to the phone, %d waited at the most, %d to the hook when it was back", len(phone.say()), most, len(got))
	})
}

// Acknowledging takes back what is still on its way.
func TestAckTakesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		phone := broken("phone")
		r := start(t, DispatchConfig{}, phone)
		r.look(troubles(Act, "a"))
		if err := r.e.Ack(r.e.List(false)[0].ID, "page", time.Now()); err != nil {
			t.Fatal(err)
		}
		r.look(troubles(Act, "a"))
		phone.down.Store(false)
		pass(time.Hour)
		wantSay(t, phone)
		if r.st.queued() != 0 {
			t.Error("still in the outbox")
		}
	})
}

func TestLinkInMessage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		phone := &chanFake{name: "phone"}
		r := start(t, DispatchConfig{LinkBase: "http://shed.local:8374/"}, phone)
		r.look(troubles(Act, "a"))
		m := phone.messages()[0]
		token, ok := strings.CutPrefix(m.AckURL, "http://shed.local:8374/ack/")
		if !ok || !strings.Contains(m.Body(), "opens on the shed's network only") || !strings.Contains(m.Body(), m.AckURL) {
			t.Fatalf("link %q in %q", m.AckURL, m.Body())
		}
		if a, err := r.e.RedeemAck(token, "link", time.Now()); err != nil || a.ID != m.Alert.ID {
			t.Errorf("redeem = %+v, %v", a, err)
		}
	})
}

// watchFake follows what sounds.
type watchFake struct {
	chanFake
	now []string
}

func (w *watchFake) channel() Channel { return Channel{Name: w.name, Send: w.send, Watch: w.watch} }

func (w *watchFake) watch(as []Alert) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.now = nil
	for _, a := range as {
		w.now = append(w.now, a.Rule+" "+a.Sound)
	}
}

func TestWatcherFollows(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &watchFake{chanFake: chanFake{name: "buzzer"}}
		r := start(t, DispatchConfig{}, w)
		want := func(s ...string) {
			t.Helper()
			w.mu.Lock()
			defer w.mu.Unlock()
			if !slices.Equal(w.now, s) {
				t.Errorf("sounding %q, want %q", w.now, s)
			}
		}
		hot := time.Now().Add(20 * time.Minute)
		cup := Cup{Batch: "b", Mixed: time.Now(), EndsAt: hot, DangerFrom: &hot}
		look := func() {
			r.look(func(now time.Time) Input { return Input{Now: now, ClockTrusted: true, Cups: []Cup{cup}} })
		}
		look()
		want()
		pass(15 * time.Minute)
		look()
		want("cup_soon closing")
		pass(5 * time.Minute)
		look()
		want("cup_over danger")
		if n := r.e.AckAll("push-button", time.Now()); n != 1 {
			t.Errorf("the button silenced %d, want 1", n)
		}
		want()
		look()
		want()
		if len(w.got) != 0 {
			t.Error("a watcher was sent messages")
		}
	})
}

func TestHeard(t *testing.T) {
	st := newMem()
	phone := &chanFake{name: "phone"}
	d := NewDispatcher(DispatchConfig{}, New(Tuning{}, st, nil), st, phone.channel())
	if d.WakeTested() {
		t.Fatal("tested before any test")
	}
	if err := d.Test(t.Context(), "phone"); err != nil || phone.say()[0] != WhatTest {
		t.Fatalf("test: %v, %v", err, phone)
	}
	if d.WakeTested() {
		t.Error("accepted by the channel is not noticed by the person")
	}
	if err := d.Heard(t.Context(), "phone", true); err != nil || !d.WakeTested() {
		t.Errorf("heard: %v", err)
	}
	if !NewDispatcher(DispatchConfig{}, New(Tuning{}, st, nil), st, phone.channel()).WakeTested() {
		t.Error("forgotten over a restart")
	}
	// The channel that was tested is no longer configured.
	if NewDispatcher(DispatchConfig{}, New(Tuning{}, st, nil), st).WakeTested() {
		t.Error("a channel that is gone counts")
	}
	if err := d.Heard(t.Context(), "phone", false); err != nil || d.WakeTested() {
		t.Errorf("not heard after all: %v", err)
	}
	if err := d.Heard(t.Context(), PageChannel, true); err != nil || !d.WakeTested() {
		t.Errorf("page: %v", err)
	}
	for _, err := range []error{d.Test(t.Context(), "x"), d.Heard(t.Context(), "x", true)} {
		if !errors.Is(err, ErrNoChannel) {
			t.Errorf("unknown channel: %v", err)
		}
	}
}

// The page acknowledges while the engine steps and channels deliver: no part
// may wait for another in a circle.
func TestConcurrent(t *testing.T) {
	st := newMem()
	e := New(Tuning{}, st, nil)
	w := &watchFake{chanFake: chanFake{name: "buzzer"}}
	d := NewDispatcher(DispatchConfig{LinkBase: "http://x"}, e, st, (&chanFake{name: "phone"}).channel(), w.channel())
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	run := func(f func(i int)) {
		wg.Go(func() {
			for i := range 200 {
				f(i)
			}
		})
	}
	go d.Run(ctx)
	run(func(i int) {
		in := troubles(Act, "a", "b", "c")(t0.Add(time.Duration(i) * time.Minute))
		if i%3 == 0 {
			in.Conditions = nil
		}
		d.Handle(e.Step(in))
	})
	run(func(int) {
		for _, a := range e.List(true) {
			e.Ack(a.ID, "x", t0)
		}
	})
	run(func(int) { e.AckAll("button", t0); d.Stats(); d.Conditions(); d.WakeTested() })
	run(func(int) { d.SetView(View{}, Hours{}, true); e.SetView(View{}) })
	done := make(chan struct{})
	go func() { wg.Wait(); close(done) }()
	select {
	case <-done:
	case <-time.After(time.Minute):
		t.Fatal("stuck")
	}
	cancel()
}

type roundTrip func(*http.Request) (*http.Response, error)

func (f roundTrip) RoundTrip(r *http.Request) (*http.Response, error) { return f(r) }

func TestHeartbeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var beats atomic.Int32
		var healthy atomic.Bool
		healthy.Store(true)
		h := &Heartbeat{URL: "https://beats.example/secret-path", Every: 5 * time.Minute, Healthy: func() bool { return healthy.Load() },
			Client: &http.Client{Transport: roundTrip(func(*http.Request) (*http.Response, error) {
				if beats.Add(1) > 14 {
					return nil, errors.New("no route to host")
				}
				return &http.Response{StatusCode: 204, Body: http.NoBody, Header: http.Header{}}, nil
			})}}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		go h.Run(ctx)
		pass(59 * time.Minute)
		if beats.Load() != 12 {
			t.Errorf("%d beats in an hour, want 12", beats.Load())
		}
		healthy.Store(false)
		pass(time.Hour)
		if beats.Load() != 12 {
			t.Errorf("%d beats while a part was stuck", beats.Load())
		}
		healthy.Store(true)
		pass(20 * time.Minute)
		if h.lastErr == "" || strings.Contains(h.lastErr, "secret-path") {
			t.Errorf("last error %q", h.lastErr)
		}
	})
}
