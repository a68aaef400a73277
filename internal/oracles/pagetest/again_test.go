// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"fmt"
	"testing"

	"curewright/internal/daemon/daemontest"
	"curewright/sensors/shopsim"
)

// TestSendAgain: a finger test that was kept on the phone comes before the coat,
// which is on another phone, and is refused; it stays on the phone with the
// board's word, and once the coat has come it is taken by one tap.
func TestSendAgain(t *testing.T) {
	s := newShed(t, daemontest.Options{})
	s.Post("/api/v1/panels", map[string]any{"id": "lid-a", "name": "Lid A, outer", "probe": shopsim.Panel1, "air": shopsim.ShedAir, "core": "foam", "area_m2": 1.4})
	ctx := noisyPhone(t, s.url) // lost requests are console errors of the browser's own
	until(t, ctx, "document.documentElement.dataset.ahead === 'done'")
	at := s.Now().UTC().Format("2006-01-02T15:04:05Z")
	s.drop()
	if !js[bool](t, ctx, `import('/js/line.js').then((m) => m.enter({method: 'POST', path: '/feel', body: {panel: 'lid-a', state: 'wet', at: '`+at+`'}, say: 'Flows, strings'})).then((r) => !!r.kept)`) {
		t.Fatal("the entry is not kept on the phone")
	}
	s.mend()
	js[bool](t, ctx, `import('/js/line.js').then((m) => m.flush()).then(() => true)`)
	says(t, ctx, "no coat lay on")
	s.Post("/api/v1/coats", map[string]any{"id": "seal", "panel": "lid-a", "resin": "medium", "kind": "seal", "applied": s.Now()})
	glove(t, ctx)
	tap(t, ctx, "Send it again")
	until(t, ctx, "!"+text+".includes('Not taken') && !"+text+".includes('kept on this phone')")
	w, err := s.Work(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if len(w.Feels) != 1 || w.Feels[0].Coat != "seal" {
		t.Errorf("feels %+v, want the one that was sent again", w.Feels)
	}
}

// The board's answer to a question was held up, and a newer state came by the live
// line meanwhile: what is on the page does not go back to before it, be it by half a
// second or by minutes.
func TestLateAnswer(t *testing.T) {
	s := dayIn(t, nil)
	ctx := phone(t, s.url)
	show(t, ctx, "", ".coat")
	for _, later := range []int{500, 90_000} {
		got := js[string](t, ctx, fmt.Sprintf(`Promise.all([import('/js/line.js'), import('/js/state.js')]).then(([{take}, {S}]) => {
			const asked = Date.now(), late = {...S.snap, is: 'late'};
			take({...S.snap, at: new Date(Date.parse(S.snap.at) + %d).toISOString(), is: 'newer'});
			take(late, asked);
			return S.snap.is;
		})`, later))
		if got != "newer" {
			t.Errorf("with one of %d ms later the page shows the %s state", later, got)
		}
	}
	// A state that was asked for after counts though its clock was set back.
	got := js[string](t, ctx, `Promise.all([import('/js/line.js'), import('/js/state.js')]).then(([{take}, {S}]) => {
		take({...S.snap, at: new Date(Date.parse(S.snap.at) - 3600e3).toISOString(), is: 'set back'}, Date.now() + 1);
		return S.snap.is;
	})`)
	if got != "set back" {
		t.Errorf("after the board's clock was set back the page shows the %s state", got)
	}
}
