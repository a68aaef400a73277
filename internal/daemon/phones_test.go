// SPDX-License-Identifier: Apache-2.0

package daemon_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/testkit"
	"curewright/model/job"
)

// A phone is a log-in of its own that sends entries over HTTP, each under its
// own key.
type phone struct {
	b           bench
	name, token string
	n           int
}

func newPhone(b bench, name string) *phone {
	b.t.Helper()
	code, _, err := b.NewPairCode(b.t.Context(), web.Record, name, 0)
	testkit.OK(b.t, err)
	tok, _, err := b.Redeem(b.t.Context(), code, name)
	testkit.OK(b.t, err)
	return &phone{b: b, name: name, token: tok}
}

func (p *phone) post(path string, body map[string]any) (code int, e web.Entered, text string) {
	p.b.t.Helper()
	j, err := json.Marshal(body)
	testkit.OK(p.b.t, err)
	req, err := http.NewRequestWithContext(p.b.t.Context(), "POST", p.b.URL+path, bytes.NewReader(j))
	testkit.OK(p.b.t, err)
	p.n++
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Authorization", "Bearer "+p.token)
	req.Header.Set("Idempotency-Key", fmt.Sprint(p.name, "-tap-", p.n))
	res, err := http.DefaultClient.Do(req)
	testkit.OK(p.b.t, err)
	defer res.Body.Close()
	var buf bytes.Buffer
	if _, err := buf.ReadFrom(res.Body); err != nil {
		p.b.t.Fatal(err)
	}
	if res.StatusCode == http.StatusCreated {
		testkit.OK(p.b.t, json.Unmarshal(buf.Bytes(), &e))
	}
	return res.StatusCode, e, buf.String()
}

// Two phones say different things of one coat: it is one coat, both entries and
// both finger tests stand in the record, a question is asked, and the answer
// puts the coat right and still keeps both.
func TestTwoPhonesOfOneCoat(t *testing.T) {
	b := newBench(t)
	from := b.Now()
	b.Advance(2 * time.Hour)
	ann, ben := newPhone(b, "Ann"), newPhone(b, "Ben")
	take := func(p *phone, what string, body map[string]any) web.Entered {
		t.Helper()
		code, e, text := p.post("/api/v1/jobs/lid/"+what, body)
		if code != http.StatusCreated {
			t.Fatalf("%s: %d %s", what, code, text)
		}
		return e
	}
	take(ann, "skip", map[string]any{"step": "joints", "at": from})
	one := take(ann, "done", map[string]any{"step": "tack", "at": from.Add(5 * time.Minute)})
	two := take(ben, "done", map[string]any{"step": "tack", "at": from.Add(25 * time.Minute), "kind": "seal"})
	if one.Coat != two.Coat || one.Tick == two.Tick {
		t.Errorf("one coat, two entries: %+v and %+v", one, two)
	}
	if len(two.Warnings) == 0 || !strings.Contains(two.Warnings[0], "09:05 (Ann)") || !strings.Contains(two.Warnings[0], "09:25 (Ben)") {
		t.Errorf("the second phone is told %q", two.Warnings)
	}
	take(ann, "feel", map[string]any{"coat": one.Coat, "state": "wet", "at": from.Add(time.Hour)})
	take(ben, "feel", map[string]any{"coat": one.Coat, "state": "tacky", "at": from.Add(time.Hour)})
	kept := func() {
		t.Helper()
		w, err := b.Work(t.Context())
		testkit.OK(t, err)
		if len(w.Coats) != 1 || len(w.Feels) != 2 || w.Feels[0].State == w.Feels[1].State {
			t.Errorf("coats %+v, feels %+v: want one coat and both fingers", w.Coats, w.Feels)
		}
		var v web.JobView
		b.get("/api/v1/jobs/lid", &v)
		var who []string
		for _, x := range v.Steps {
			for _, k := range x.Ticks {
				if x.ID == "tack" && k.Did == job.TickDone {
					who = append(who, k.Who)
				}
			}
		}
		if slices.Sort(who); !slices.Equal(who, []string{"Ann", "Ben"}) {
			t.Errorf("entries of the tack coat by %v, want both", who)
		}
	}
	kept()
	var fields []string
	for _, x := range b.next().Contradictions {
		fields = append(fields, x.Field)
	}
	if slices.Sort(fields); !slices.Equal(fields, []string{"applied", "kind"}) {
		t.Fatalf("asked about %v, want the time and the kind", fields)
	}
	take(ann, "settle", map[string]any{"step": "tack", "keep": two.Tick})
	if c := b.coat(one.Coat); c.Kind != "seal" || !c.Applied.Equal(from.Add(25*time.Minute)) {
		t.Errorf("settled for Ben's: %+v", c)
	}
	if x := b.next().Contradictions; len(x) != 0 {
		t.Errorf("still asked: %+v", x)
	}
	kept()
}

// A phone was away for six hours and comes back with nine entries out of order:
// the record is as if they had come in order. What can't be taken yet is refused
// with a word and taken when it is sent again.
func TestSixHoursAway(t *testing.T) {
	run := func(order []int) (record string, refused int) {
		b := newBench(t)
		from := b.Now()
		b.Advance(6 * time.Hour)
		p := newPhone(b, "Ann")
		type m = map[string]any
		es := []struct {
			what string
			min  int
			body m
		}{
			{"mixed", 0, m{"step": "tack"}},
			{"done", 5, m{"step": "tack"}},
			{"feel", 130, m{"panel": "lid-a", "state": "tacky"}},
			{"done", 135, m{"step": "aramid"}},
			{"mixed", 150, m{"step": "wet-out"}},
			{"done", 155, m{"step": "wet-out"}},
			{"feel", 280, m{"panel": "lid-a", "state": "tacky"}},
			{"mixed", 290, m{"step": "fill"}},
			{"done", 295, m{"step": "fill"}},
		}
		for left := order; len(left) > 0; {
			var again []int
			for _, i := range left {
				x := es[i]
				x.body["at"] = from.Add(time.Duration(x.min) * time.Minute)
				switch code, _, text := p.post("/api/v1/jobs/lid/"+x.what, x.body); {
				case code == http.StatusBadRequest && x.what == "feel" && strings.Contains(text, "no coat lay on"):
					again = append(again, i)
				case code != http.StatusCreated:
					t.Fatalf("order %v, entry %d: %d %s", order, i, code, text)
				}
			}
			if refused += len(again); len(again) == len(left) {
				t.Fatalf("order %v: %v are never taken", order, again)
			}
			left = again
		}
		w, err := b.Work(t.Context())
		testkit.OK(t, err)
		var out []string
		clock := func(at *time.Time) string {
			if at == nil {
				return "never"
			}
			return at.Format("15:04")
		}
		mixed, kind := map[string]string{}, map[string]string{}
		for _, x := range w.Batches {
			mixed[x.ID] = clock(&x.Mixed)
			out = append(out, fmt.Sprintf("cup %s of %s ended %s", mixed[x.ID], x.Resin, clock(x.Ended)))
		}
		for _, c := range w.Coats {
			kind[c.ID] = c.Kind
			s := fmt.Sprintf("coat %s %s ended %s next %s", clock(&c.Applied), c.Kind, clock(c.Ended), c.Next)
			for _, id := range c.Batches {
				s += " cup " + mixed[id]
			}
			for _, l := range c.Cloth {
				s += " " + l.Name + " " + clock(l.Laid)
			}
			out = append(out, s)
		}
		for _, x := range w.Feels {
			out = append(out, fmt.Sprintf("feel %s %s %s", clock(&x.At), kind[x.Coat], x.State))
		}
		var v web.JobView
		b.get("/api/v1/jobs/lid", &v)
		for _, x := range v.Steps {
			if x.Panel == "lid-a" {
				out = append(out, fmt.Sprintf("step %s %s, %d entries", x.ID, x.Status, len(x.Ticks)))
			}
		}
		slices.Sort(out)
		return strings.Join(out, "\n"), refused
	}
	want, _ := run([]int{0, 1, 2, 3, 4, 5, 6, 7, 8})
	for _, line := range []string{"coat 09:05 tack coat ended 11:35 next coat cup 09:00 aramid 170 plain 11:15", "feel 11:10 tack coat tacky", "feel 13:40 wet-out tacky"} {
		if !strings.Contains(want, line) {
			t.Fatalf("in order, no %q:\n%s", line, want)
		}
	}
	for _, order := range [][]int{{8, 7, 6, 5, 4, 3, 2, 1, 0}, {1, 0, 6, 2, 5, 3, 8, 4, 7}, {4, 2, 0, 8, 6, 1, 5, 3, 7}, {0, 1, 6, 2, 3, 7, 8, 4, 5}} {
		got, refused := run(order)
		if got != want {
			t.Errorf("order %v (%d sent again):\n%s\nin order:\n%s", order, refused, got, want)
		}
	}
}
