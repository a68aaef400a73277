// SPDX-License-Identifier: Apache-2.0

package daemon_test

import (
	"encoding/json"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"curewright/internal/daemon/daemontest"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/pot"
	"curewright/model/stock"
	"curewright/sensors/shopsim"
)

// clubShed is a daemon with an epoxy of its own at 100 : 30, a foam panel of
// 1.4 m², and a shed.
func clubShed(t *testing.T) *daemontest.Daemon {
	t.Helper()
	d := daemontest.New(t, daemontest.Options{Shed: &shopsim.Config{Seed: 1}})
	r, _ := cure.Generic("medium")
	r.Name, r.Generic, r.RatioWeight = "club", false, &[2]float64{100, 30}
	r.PotLife = []cure.PotLife{{Grams: 100, TempC: 25, Minutes: cure.Range{Lo: 17, Hi: 23}}}
	d.Do("POST", "/api/v1/resins", r, http.StatusCreated)
	d.Do("POST", "/api/v1/panels", map[string]any{"id": "lid", "core": "foam", "area_m2": 1.4}, http.StatusCreated)
	d.Advance(time.Hour)
	return d
}

func answer[T any](t *testing.T, b []byte) (v T) {
	t.Helper()
	if err := json.Unmarshal(b, &v); err != nil {
		t.Fatalf("%v: %s", err, b)
	}
	return v
}

type mixed struct {
	pot.MixAnswer
	ShopFrom string `json:"shop_from"`
	Say      string `json:"say"`
	UsedBy   *time.Time
}

func TestMixOnTheDaemon(t *testing.T) {
	d := clubShed(t)
	a := answer[mixed](t, d.Do("POST", "/api/v1/mix", map[string]any{"resin": "club", "panel": "lid", "kind": "wet-out", "cloth": "glass 200 twill"}, http.StatusOK))
	// By hand: foam 180, cloth 200 at one half, 15 % lost: 1.4·380·1.15.
	if want := 1.4 * 380 * 1.15; math.Abs(a.Grams-want) > 1e-6 || a.ShopFrom != "by the probe" {
		t.Errorf("%g g, by hand %g; shop %s", a.Grams, want, a.ShopFrom)
	}
	if !strings.Contains(a.Say, "pour it into the tray at once, used by ") || a.Batches[0].ResinG == nil || len(a.Cautions) == 0 {
		t.Errorf("%q %+v", a.Say, a.Batches[0])
	}
	// Half the panel takes half.
	h := answer[mixed](t, d.Do("POST", "/api/v1/mix", map[string]any{"resin": "club", "panel": "lid", "share": .5, "kind": "wet-out", "cloth": "glass 200 twill"}, http.StatusOK))
	if math.Abs(h.Grams-a.Grams/2) > 1e-6 {
		t.Errorf("half the panel %g g, whole %g", h.Grams, a.Grams)
	}
	// While pouring: 40 g of resin too much has its mend.
	p := answer[mixed](t, d.Do("POST", "/api/v1/mix", map[string]any{"resin": "club", "grams": 340, "readings": []map[string]any{{"part": "resin", "total_g": 302}}}, http.StatusOK))
	if p.Pour == nil || p.Pour.Slip == nil || !strings.HasPrefix(p.Pour.Say, "40 g resin too much: take it out, or pour 12 g more hardener") {
		t.Errorf("%+v", p.Pour)
	}
	// A scale that goes backwards is said beside the reading; the batch stands.
	p = answer[mixed](t, d.Do("POST", "/api/v1/mix", map[string]any{"resin": "club", "grams": 340, "readings": []map[string]any{{"part": "resin", "total_g": 262}, {"part": "hardener", "total_g": 200}}}, http.StatusOK))
	if p.Pour != nil || len(p.Faults) != 1 || p.Faults[0].Field != "readings[1]" || len(p.Batches) == 0 {
		t.Errorf("backwards: %+v %+v", p.Pour, p.Faults)
	}
	for field, body := range map[string]map[string]any{
		"cloth":      {"resin": "club", "area_m2": 1, "cloth": "hemp 200"},
		"area_m2":    {"resin": "club"},
		"panel":      {"resin": "club", "panel": "none", "area_m2": 1},
		"resin":      {"resin": "best", "grams": 20},
		"vessel":     {"resin": "club", "grams": 20, "vessel": "bucket"},
		"filler_pct": {"resin": "club", "grams": 20, "filler_pct": 95},
	} {
		if b := d.Do("POST", "/api/v1/mix", body, http.StatusBadRequest); !strings.Contains(string(b), `"field":"`+field+`"`) {
			t.Errorf("%s: %s", field, b)
		}
	}
}

// Drums are drawn down by cups, a lot that is not there is said beside the
// field, and a wrong mix is mended, scrapped or used, never refused away.
func TestStockOnTheDaemon(t *testing.T) {
	d := clubShed(t)
	csv := "part,resin,lot,full_g,price,currency\nresin,club,R1,5 kg,60,GBP\nhardener,club,H1,1500,60,GBP\n"
	got := answer[struct{ IDs []string }](t, d.Do("POST", "/api/v1/stock/import", map[string]any{"csv": csv}, http.StatusOK))
	if len(got.IDs) != 2 {
		t.Fatalf("%+v", got)
	}
	if b := d.Do("POST", "/api/v1/stock/import", map[string]any{"csv": "part,resin,full_g\nresin,club,-5\npaint,none,5 kg 2 lb\n"}, http.StatusBadRequest); strings.Count(string(b), `"field"`) != 4 || !strings.Contains(string(b), "line 2 full_g") || !strings.Contains(string(b), "line 3 part") || !strings.Contains(string(b), "line 3 resin") || !strings.Contains(string(b), "line 3 full_g") {
		t.Errorf("a bad file: %s", b)
	}
	mix := func(code int, more map[string]any) []byte {
		b := map[string]any{"resin": "club", "lot": "R1", "hardener_lot": "H1", "resin_g": 262, "hardener_g": 79}
		for k, v := range more {
			b[k] = v
		}
		return d.Do("POST", "/api/v1/batches", b, code)
	}
	if b := mix(http.StatusBadRequest, map[string]any{"lot": "R7"}); !strings.Contains(string(b), `"field":"lot"`) || !strings.Contains(string(b), "there is R1") {
		t.Errorf("unknown lot: %s", b)
	}
	if b := mix(http.StatusBadRequest, map[string]any{"resin_g": 302, "hardener_g": 60}); !strings.Contains(string(b), "102 g resin too much: add 31 g hardener.") || !strings.Contains(string(b), "scrap, or used as it is") {
		t.Errorf("off ratio: %s", b)
	}
	mix(http.StatusCreated, map[string]any{"id": "good", "left_g": 41})
	mix(http.StatusCreated, map[string]any{"id": "bad", "resin_g": 302, "hardener_g": 60, "off_ratio": "scrap"})
	d.Do("POST", "/api/v1/coats", map[string]any{"panel": "lid", "resin": "club", "kind": "wet-out", "batches": []string{"good"}, "applied": d.Clock.Now(), "cloth": []map[string]any{{"name": "glass twill", "g_m2": 200}}}, http.StatusCreated)
	s := answer[struct{ Stock []stock.Level }](t, d.Do("GET", "/api/v1/stock", nil, http.StatusOK))
	left := map[string]float64{}
	for _, l := range s.Stock {
		left[l.Lot] = l.LeftG
	}
	if left["R1"] != 5000-262-302 || left["H1"] != 1500-79-60 {
		t.Errorf("left %v", left)
	}
	// The piece paid for the good cup: 262 g at 12 and 79 g at 40 a kilo.
	b := answer[stock.Bill](t, d.Do("GET", "/api/v1/pieces/lid/bill", nil, http.StatusOK))
	if want := .262*12 + .079*40; math.Abs(b.Cost["GBP"]-want) > 1e-9 || math.Abs(b.WastePct-100*41.0/341) > 1e-9 {
		t.Errorf("%+v, want %g", b, want)
	}
	// 341 g less 41 left and 6 % in the roller over 1.4 m², of which the foam
	// drinks 180: dry.
	lam := answer[struct{ Coats []stock.CoatBalance }](t, d.Do("GET", "/api/v1/panels/lid/laminate", nil, http.StatusOK))
	if len(lam.Coats) != 1 || lam.Coats[0].After == nil || lam.Coats[0].After.Verdict != "dry" || !strings.Contains(lam.Coats[0].After.Say, "dry side; roll ") {
		t.Errorf("%+v", lam.Coats)
	}
	d.Advance(20 * time.Hour)
	lam = answer[struct{ Coats []stock.CoatBalance }](t, d.Do("GET", "/api/v1/panels/lid/laminate", nil, http.StatusOK))
	if s := lam.Coats[0].After.Say; !strings.HasSuffix(s, "dry side.") {
		t.Errorf("of a coat that has set: %q", s)
	}
	if b := d.Do("GET", "/api/v1/stock.csv", nil, http.StatusOK); !strings.HasPrefix(string(b), "id,part,resin") || strings.Count(string(b), "\n") != 3 {
		t.Errorf("%s", b)
	}
	if b := d.Do("POST", "/api/v1/stock", map[string]any{"part": "resin", "resin": "club", "full_g": -3}, http.StatusBadRequest); !strings.Contains(string(b), `"field":"full_g"`) {
		t.Errorf("negative stock: %s", b)
	}
	d.Do("GET", "/api/v1/panels/none/laminate", nil, http.StatusNotFound)
}

// No danger is called over a cup that is on the panel, or that was entered when
// its time was over; it is over one that stands.
func TestCupsThatNobodyIsCalledFor(t *testing.T) {
	d := clubShed(t)
	danger := func() (out []string) {
		d.Advance(time.Minute)
		snap := answer[struct {
			Alerts []struct{ Rule, Subject, State string }
		}](t, d.Do("GET", "/api/v1/snapshot", nil, http.StatusOK))
		for _, a := range snap.Alerts {
			if a.Rule == "cup_over" && a.State == "firing" {
				out = append(out, a.Subject)
			}
		}
		return out
	}
	now := d.Clock.Now()
	cup := func(id string, mixed time.Time) {
		d.Do("POST", "/api/v1/batches", coat.Batch{ID: id, Resin: "fast", ResinG: ptr(231.0), HardenerG: ptr(69.0), Mixed: mixed}, http.StatusCreated)
	}
	cup("late", now.Add(-3*time.Hour))
	cup("on", now)
	cup("stands", now)
	d.Advance(3 * time.Minute)
	d.Do("POST", "/api/v1/coats", map[string]any{"panel": "lid", "resin": "fast", "kind": "tack coat", "batches": []string{"on"}, "applied": now.Add(2 * time.Minute)}, http.StatusCreated)
	seen := map[string]bool{}
	for range 60 {
		for _, s := range danger() {
			seen[s] = true
		}
	}
	if !seen["stands"] || len(seen) != 1 {
		t.Errorf("danger was called for %v, want the cup that stands", seen)
	}
}

// A cup that is corrected counts down by what it is, not by what was entered
// first.
func TestCorrectedCupCountsAnew(t *testing.T) {
	d := clubShed(t)
	ends := func() time.Time {
		d.Advance(time.Minute)
		snap := answer[struct {
			Cups []struct {
				EndsAt time.Time `json:"ends_at"`
			}
		}](t, d.Do("GET", "/api/v1/snapshot", nil, http.StatusOK))
		return snap.Cups[0].EndsAt
	}
	d.Do("POST", "/api/v1/batches", coat.Batch{ID: "big", Resin: "fast", ResinG: ptr(308.0), HardenerG: ptr(92.0), Mixed: d.Clock.Now(), Shape: "cup"}, http.StatusCreated)
	cup := ends()
	for _, c := range []map[string]any{{"shape": "tray"}, {"shape": "cup", "diameter_mm": 300}, {"diameter_mm": nil, "resin": "slow"}} {
		d.Do("PATCH", "/api/v1/batches/big", c, http.StatusOK)
		if at := ends(); !at.After(cup.Add(time.Minute)) {
			t.Errorf("%v: the cup ends at %v, as the cup of fast did at %v; want later", c, at, cup)
		}
	}
	d.Do("PATCH", "/api/v1/batches/big", map[string]any{"resin": "fast"}, http.StatusOK)
	if at := ends(); at.Sub(cup).Abs() > 2*time.Minute {
		t.Errorf("put back the cup ends at %v, want %v", at, cup)
	}
}

func ptr[T any](v T) *T { return &v }
