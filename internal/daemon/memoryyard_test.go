// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/daemon/learnt"
	"curewright/internal/testkit"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/memory"
)

// feltCoats makes up lessons of the fast hardener at 20 °C whose rate is off the
// sheet's by so much, each felt around the marks of that rate.
func feltCoats(board string, n int, ln float64) (out []memory.Lesson) {
	r, _ := cure.Generic(cure.Fast)
	s := cure.Steady(r, 20, math.Exp(ln), true).TimesMin
	for i := range n {
		l := memory.Lesson{Coat: fmt.Sprintf("c%d", i), Board: board, Resin: r.Name, Law: memory.LawOf(&r), Lot: "L1", WarmthC: 20, SD: 0.02, Teaches: true,
			Applied: time.Date(2026, 10, 1+2*i, 9, 0, 0, 0, time.UTC)}
		for _, f := range []struct {
			min float64
			s   coat.State
		}{{*s.Tacky * 0.93, coat.Wet}, {*s.Tacky * 1.07, coat.Tacky}, {*s.Green * 0.93, coat.Tacky}, {*s.Green * 1.07, coat.Green}} {
			t := coat.Touch{At: l.Applied.Add(time.Duration(f.min) * time.Minute), State: f.s, NowC: 20, By: "somebody's name"}
			it := cure.NewIntegrator(r)
			for k := range t.Alpha {
				a, kk := []float64{0}, []float64{math.Exp(coat.TouchFirst + coat.TouchStep*float64(k))}
				for range int(f.min) {
					it.Advance(a, kk, 60, 20, 20)
				}
				t.Alpha[k] = a[0]
			}
			l.Touches = append(l.Touches, t)
		}
		out = append(out, l)
	}
	return out
}

// Boards of a yard tell each other what they learnt of a lot over a real broker,
// where both consent: nobody's name is in it, a message that is damaged, newer,
// or of somebody else's coats is said once and set aside, the opposite too, and
// what was told is taken away with the consent.
func TestMemoryOfAYard(t *testing.T) {
	m := testkit.NewMosquitto(t, "")
	conf := func(name, more string) string {
		return fmt.Sprintf("[shop]\nname = %q\n[mqtt]\nurl = \"mqtt://127.0.0.1:%s\"\nuser = \"shed\"\nsecret_file = %q\nstate = false\nreadings = false\n%s",
			name, m.Port, secretFile(t, "tack coat\n"), more)
	}
	const shares = "[memory]\nshare = true\n"
	view := func(d *Daemon) (v learnt.MemoryView) {
		b, err := d.Memory(t.Context())
		testkit.OK(t, err)
		testkit.OK(t, json.Unmarshal(b, &v))
		return v
	}
	a, _, stopA := runDaemon(t, conf("One shed", shares))
	b, logB, _ := runDaemon(t, conf("Another shed", shares))
	alone, _, _ := runDaemon(t, conf("A third", ""))
	teach := func(d *Daemon) { // as by a file of its own
		own := view(d).Board
		b, err := memory.Write(&memory.Memory{Lessons: feltCoats(own, 6, 0.25)}, own, d.clk.Now())
		testkit.OK(t, err)
		_, err = d.ImportMemory(t.Context(), web.Who{}, b)
		testkit.OK(t, err)
	}
	teach(alone)
	teach(a)
	told := view(a).Board
	topic := "curewright/yard/memory/"
	testkit.Until(t, "taken by the other board", func() bool { return len(view(b).Shared) == 1 })
	stored := m.Stored(topic + "#")
	if len(stored) != 1 || strings.Contains(fmt.Sprint(stored), "somebody") {
		t.Errorf("the broker has %v", stored)
	}
	if c := view(b).Claims; len(c) == 0 || c[0].Code != "rate_yard" || !strings.Contains(c[0].Say, "faster") {
		t.Errorf("the other board says %+v", c)
	}
	if n := len(view(alone).Shared); n != 0 {
		t.Errorf("%d taken without consent", n)
	}

	// What cannot be taken.
	whole, err := memory.Write(&memory.Memory{Lessons: feltCoats("0badb0a7", 6, -0.45)}, "0badb0a7", time.Now())
	testkit.OK(t, err)
	var doc map[string]json.RawMessage
	testkit.OK(t, json.Unmarshal(whole, &doc))
	said := func(board, want string) {
		t.Helper()
		testkit.Until(t, want, func() bool {
			for _, y := range view(b).Yard {
				if y.Board == board && strings.Contains(y.Trouble, want) {
					return true
				}
			}
			return false
		})
		if n := strings.Count(logB.String(), "set aside\" board="+board+" "); n != 1 {
			t.Errorf("%q is said %d times in the log:\n%s", want, n, logB)
		}
	}
	for _, x := range []struct{ board, body, want string }{
		{"cut", string(whole[:len(whole)/2]), "could not be read"},
		{"newer", strings.Replace(string(whole), `"version": 1`, `"version": 7`, 1), "newer version"},
		{"forged", string(whole), "its own coats only"},
		{"other", `{"temperature": 4}`, "no memory"},
	} {
		m.Pub(topic+x.board, x.body, "-r")
		m.Pub(topic+x.board, x.body, "-r")
		said(x.board, x.want)
	}
	if v := view(b); len(v.Shared) != 1 || len(v.Coats) != 0 {
		t.Errorf("taken: %d and %d coats", len(v.Shared), len(v.Coats))
	}
	// Two that learnt the opposite, and this board knows nothing itself: neither.
	m.Pub(topic+"0badb0a7", string(whole), "-r")
	said("0badb0a7", "the opposite of")
	if c := view(b).Claims; len(c) != 1 || c[0].Code != "aside_both" || !strings.Contains(c[0].Say, "faster") || !strings.Contains(c[0].Say, "slower") {
		t.Errorf("after the opposite %+v", c)
	}

	// The consent ends: the broker has it no more, nor the others.
	stopA()
	runDaemonIn(t, a.cfg.Store.Path, conf("One shed", ""))
	testkit.Until(t, "taken back", func() bool { return m.Stored(topic + told)[topic+told] == "" && len(view(b).Shared) == 0 })
}
