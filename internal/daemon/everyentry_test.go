// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"curewright/history"
	"curewright/internal/cardfault"
	"curewright/internal/testkit"
	"curewright/model/cure"
)

// Every way by which somebody enters something over the API, with each of the
// database's calls to the card failing once in its turn: the answer is yes or
// 507, what was refused has left nothing behind and is taken when it is sent
// again, and all that was taken is there after a kill. (The store's own test
// does the same with its calls below, to the journal too.)
func TestEveryEntryFails(t *testing.T) {
	defer cardfault.Set(nil)
	cardfault.Set(nil)
	errs, stride := []error{cardfault.ErrFull}, 3
	if campaign(0) > 0 {
		errs, stride = []error{cardfault.ErrFull, cardfault.ErrIO}, 1
	}
	dir, begin := t.TempDir(), time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC)
	live := newLiveDaemon(t, dir, begin)
	// Names hold a # for the number of the try and {key} for a text of the answers
	// before it; a look without ! wants the text, with ! its absence or a 404.
	const (
		now   = `"2026-10-10T09:00:00Z"`
		panel = `POST /panels {"id":"p#","no_probe":true}`
		coat  = `POST /coats {"id":"c#","panel":"p#","resin":"medium","kind":"fill coat","applied":` + now + `}`
		batch = `POST /batches {"id":"b#","resin":"medium","resin_g":100,"hardener_g":30,"mixed":` + now + `}`
		jobs  = `POST /jobs {"id":"j#","name":"job","resin":"medium","steps":[{"id":"seal","panel":"p#","do":"coat","coat":"seal"},{"id":"fill","panel":"p#","do":"coat","coat":"fill coat"}]}`
		mixed = `POST /jobs/j#/mixed {"step":"seal","id":"b#"}`
		done  = `POST /jobs/j#/done {"step":"seal","id":"c#"}`
	)
	generic, _ := cure.Generic("medium")
	var resin map[string]any
	if b, err := json.Marshal(generic); err != nil || json.Unmarshal(b, &resin) != nil {
		t.Fatal(err)
	}
	resin["name"] = "r#"
	delete(resin, "generic")
	ownResin, err := json.Marshal(resin)
	testkit.OK(t, err)
	ways := []struct {
		before []string
		entry  string
		look   string
	}{
		{nil, `POST /pieces {"id":"s#","name":"n#."}`, `/pieces/s# n#.`},
		{nil, panel, `/panels/p# "p#"`},
		{[]string{panel}, `PATCH /panels/p# {"name":"n#."}`, `/panels/p# n#.`},
		{[]string{panel}, `DELETE /panels/p#`, `/panels/p# !"p#"`},
		{[]string{panel}, coat, `/coats/c# "c#"`},
		{[]string{panel, coat}, `POST /coats/c#/feels {"id":"f#","at":` + now + `,"state":"wet"}`, `/feels/f# wet`},
		{[]string{panel, coat}, `POST /feels {"id":"f#","coat":"c#","at":` + now + `,"state":"wet"}`, `/feels/f# wet`},
		{[]string{panel, coat}, `POST /feel {"panel":"p#","state":"wet"}`, `/coats/c#/feels wet`},
		{[]string{panel, coat}, `PATCH /coats/c# {"note":"n#."}`, `/coats/c# n#.`},
		{[]string{panel, coat}, `DELETE /coats/c#`, `/coats/c# !"c#"`},
		{nil, batch, `/batches/b# "b#"`},
		{[]string{batch}, `PATCH /batches/b# {"start_c":21.125}`, `/batches/b# 21.125`},
		{[]string{batch}, `POST /batches/b#/end {"left_g":12}`, `/batches/b# "left_g":12`},
		{nil, `POST /resins ` + string(ownResin), `/resins/r# "r#"`},
		{nil, `POST /stock {"id":"k#","resin":"medium","part":"resin","full_g":5000,"lot":"n#."}`, `/stock/k# n#.`},
		{[]string{panel}, jobs, `/jobs/j# "j#"`},
		{[]string{panel, jobs}, `PATCH /jobs/j# {"name":"n#."}`, `/jobs/j# n#.`},
		{[]string{panel, jobs}, mixed, `/batches/b# "b#"`},
		{[]string{panel, jobs, mixed}, done, `/coats/c# "c#"`},
		{[]string{panel, jobs, mixed, done}, `POST /jobs/j#/feel {"step":"seal","state":"wet"}`, `/coats/c#/feels wet`},
		{[]string{panel, jobs}, `POST /jobs/j#/skip {"step":"fill","why":"n#."}`, `/jobs/j# n#.`},
		{[]string{panel, jobs}, `POST /jobs/j#/insert {"after":"seal","step":{"id":"n#.","panel":"p#","do":"wait","hours":2}}`, `/jobs/j# n#.`},
		{[]string{panel}, `POST /undo {}`, `/panels/p# !"p#"`},
		{nil, `PUT /settings {"shop_name":"n#."}`, `/settings n#.`},
		{[]string{`POST /readings [{"probe":"q#","temp_c":17.5}]`}, `PUT /probes/q# {"name":"n#.","accepted":true}`, `/probes n#.`},
		{[]string{`POST /paircodes {"role":"look"}`}, `POST /pair {"code":"{code}","device":"n#."}`, `/tokens n#.`},
	}
	const v1 = "/api/v1"
	number, taken, refused, failed := 0, 0, 0, 0
	ask := func(line string) (int, []byte) {
		method, rest, _ := strings.Cut(line, " ")
		path, body, _ := strings.Cut(rest, " ")
		return live.Raw(method, v1+path, []byte(body))
	}
	there := func(live *liveDaemon, look string) bool {
		path, want, _ := strings.Cut(look, " ")
		code, body := live.Raw("GET", v1+path, nil)
		if not, ok := strings.CutPrefix(want, "!"); ok {
			return code == http.StatusNotFound || !strings.Contains(string(body), not)
		}
		return code == http.StatusOK && strings.Contains(string(body), want)
	}
	var looks []string
	for _, why := range errs {
		for _, w := range ways {
			for n := 0; ; n += stride {
				if n > 0 && strings.HasPrefix(w.entry, "POST /pair ") {
					break // five tries a minute, and no more
				}
				number++
				fill := []string{"#", fmt.Sprint(number)}
				for _, b := range w.before {
					code, body := ask(strings.NewReplacer(fill...).Replace(b))
					if code >= 300 {
						t.Fatalf("%s: %d %s", b, code, body)
					}
					var said map[string]any
					json.Unmarshal(body, &said)
					for k, v := range said {
						fill = append(fill, "{"+k+"}", fmt.Sprint(v))
					}
				}
				entry, look := strings.NewReplacer(fill...).Replace(w.entry), strings.NewReplacer(fill...).Replace(w.look)
				if there(live, look) {
					t.Fatalf("%s is there before %s", look, entry)
				}
				calls, hit := 0, false
				cardfault.Set(func(cardfault.Op, string) error {
					if calls++; calls-1 == n {
						hit = true
						return why
					}
					return nil
				})
				code, body := ask(entry)
				cardfault.Set(nil)
				switch {
				case code < 300:
					taken++
				case code != http.StatusInsufficientStorage:
					t.Fatalf("%s with call %d failing (%v): %d %s", entry, n, why, code, body)
				default:
					refused++
					if there(live, look) {
						t.Errorf("%s was refused and is half there: %s", entry, look)
					}
					if code, body := ask(entry); code >= 300 {
						t.Fatalf("%s, sent again after call %d had failed (%v): %d %s", entry, n, why, code, body)
					}
				}
				if !there(live, look) {
					t.Fatalf("%s was taken with call %d failing (%v) and is not there: %s", entry, n, why, look)
				}
				// What is overwritten by the next try is looked for at once only.
				if !strings.HasPrefix(look, "/settings") {
					looks = append(looks, look)
				}
				if !hit {
					break
				}
				failed++
			}
		}
	}
	// A kill: what is on the card now is all that there is.
	left := t.TempDir()
	for _, name := range []string{history.File, history.File + "-wal"} {
		b := testkit.MustRead(t, filepath.Join(dir, name))
		testkit.OK(t, os.WriteFile(filepath.Join(left, name), b, 0o600))
	}
	again := newLiveDaemon(t, left, begin)
	for _, l := range looks {
		if !there(again, l) {
			t.Errorf("after a kill it is gone: %s", l)
		}
	}
	t.Logf("%d ways of entry, %d calls failed in their turn: %d entries taken, %d refused and taken when sent again; all found after a kill", len(ways), failed, taken, refused)
	if failed < 20 || refused == 0 {
		t.Errorf("%d failed and %d refused: nothing was tried", failed, refused)
	}
}
