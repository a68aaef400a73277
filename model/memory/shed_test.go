// SPDX-License-Identifier: Apache-2.0

package memory

import (
	"strings"
	"testing"

	"curewright/model/shop"
	"curewright/model/tent"
	"curewright/model/words"
)

// What was learnt of shed and tent is carried in the file, is what a fresh start
// begins from with an unknown one's doubt, is said with the readings behind it,
// and is forgotten with all of it. A tent that cannot be is refused.
func TestPlaces(t *testing.T) {
	fitted := shop.Model{TauS: 10 * 3600, Stays: 0.3, Gain: 0.5, Days: 6.04, Fitted: true}
	if ShedOf(&shop.Model{TauS: 1}, "air", start) != nil {
		t.Error("a shed that is not fitted is remembered")
	}
	m := &Memory{Shed: ShedOf(&fitted, "air-1", start), Tent: TentOf(&tent.Model{TauS: 5400, TauSD: 600, GainK: 14, GainSD: 1, Bins: 96}, start)}
	b, err := Write(m, "a", start)
	if err != nil {
		t.Fatal(err)
	}
	got, _, err := Read(b)
	if err != nil || *got.Shed != *m.Shed || *got.Tent != *m.Tent {
		t.Fatalf("%v: %+v %+v", err, got.Shed, got.Tent)
	}
	if s, d := got.Shed.Shop(true), shop.Default(); s.TauS != fitted.TauS || s.Stays != 0.3 || s.Gain != 0.5 || s.SD != d.SD || s.Fitted {
		t.Errorf("a fresh start begins from %+v", s)
	}
	if s := got.Shed.Shop(false); s.Gain != 0 {
		t.Error("a gain on an outdoors that nobody reads")
	}
	if x := got.Tent.Model(); x.TauS != 5400 || x.GainK != 14 || x.TauSD != 2*600 || x.GainSD != 2 {
		t.Errorf("a tent begins from %+v", x)
	}
	if m.Shed.News(got.Shed) || m.Tent.News(got.Tent) || !m.Tent.News(nil) {
		t.Error("the same is news, or the first is none")
	}
	said := ""
	for _, c := range got.PlaceClaims(words.View{}) {
		said += c.Say + "\n"
	}
	for _, want := range []string{"with 10 h; 50 %", "probe air-1, 6 days", "90 ± 10 min", "14", "96 quarter hours"} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is not in %s", want, said)
		}
	}
	got.Forget(Forgotten{At: start})
	if got.Shed != nil || got.Tent != nil {
		t.Error("not forgotten")
	}
	m.Tent.RiseK = -3
	if err := m.Check(); err == nil || !strings.Contains(err.Error(), "tent") {
		t.Errorf("a tent that cools is taken: %v", err)
	}
}
