// SPDX-License-Identifier: Apache-2.0

package web_test

import (
	"encoding/json"
	"reflect"
	"testing"
	"time"
	"unicode/utf8"

	"curewright/dashboards/web"
	"curewright/model/coat"
	"curewright/model/cure"
)

// Whatever comes in, the decoder ends, and what it takes is what the standard
// library's strict decoding takes too: it may only be stricter.
func FuzzIntake(f *testing.F) {
	for _, s := range []string{
		`[{"probe":"a","time":"2026-10-10T09:40:00+01:00","temp_c":1,"rh_pct":2,"co2_ppm":null}]`,
		`{"panel":"a","cloth":[{"name":"glass","g_m2":163,"laid":null}],"batches":["x"],"applied":"2026-10-10T09:40:00Z"}`,
		`{"name":"x","ratio_by_weight":[100,30],"sd":{"a":1},"recoat_until":{"hours":1,"temp_c":20}}`,
		`{"a":{"a":{"a":[[[]]]}}}`, `{"id":"\ud800"}`, `[]x`, "\xff", `{"id":1,"id":2}`, `nul`, `1e999`, ``,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, fresh := range []func() any{
			func() any { return new([]web.PushReading) }, func() any { return new(coat.Coat) },
			func() any { return new(coat.Batch) }, func() any { return new(cure.Resin) },
		} {
			for _, nulls := range []bool{false, true} {
				v := fresh()
				faults := web.DecodeStrict(b, v, nulls)
				if faults != nil {
					for _, x := range faults {
						if x.What == "" || !utf8.ValidString(x.Error()) || len(x.Error()) > 400 {
							t.Errorf("fault %q", x)
						}
					}
					continue
				}
				std := fresh()
				if err := json.Unmarshal(b, std); err != nil {
					t.Errorf("took %q, which encoding/json refuses: %v", b, err)
				} else if !reflect.DeepEqual(v, std) {
					t.Errorf("read %q as %+v, encoding/json as %+v", b, v, std)
				}
			}
		}
	})
}

// A record written by us is read back by us.
func TestDecodeRoundTrip(t *testing.T) {
	x := 163.0
	in := coat.Coat{ID: "tack", Panel: "lid", Resin: "medium", Kind: coat.TackCoat, Batches: []string{"b"},
		Applied: time.Date(2026, 10, 10, 9, 40, 0, 0, time.UTC), Cloth: []coat.Cloth{{Name: "glass", GM2: &x}}}
	b, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	var out coat.Coat
	if f := web.DecodeStrict(b, &out, false); f != nil || !reflect.DeepEqual(in, out) {
		t.Errorf("%v: %+v, want %+v", f, out, in)
	}
	med, _ := cure.Generic(cure.Medium)
	b, err = json.Marshal(med)
	if err != nil {
		t.Fatal(err)
	}
	var back cure.Resin
	if f := web.DecodeStrict(b, &back, false); f != nil || !reflect.DeepEqual(med, back) {
		t.Errorf("%v: %+v, want %+v", f, back, med)
	}
}
