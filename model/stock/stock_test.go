// SPDX-License-Identifier: Apache-2.0

package stock_test

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/fault"
	"curewright/model/stock"
)

func p[T any](v T) *T { return &v }

var day = time.Date(2026, 10, 10, 0, 0, 0, 0, time.UTC)

func shed() *coat.Work {
	medium, _ := cure.Generic("medium")
	return &coat.Work{
		Resins: map[string]cure.Resin{"medium": medium},
		Stock: []coat.Stock{
			{ID: "drum", Resin: "medium", Part: stock.Resin, Lot: "R1", FullG: 5000, Price: p(60.0), Currency: "GBP"},
			{ID: "bottle-1", Resin: "medium", Part: stock.Hardener, Lot: "H1", FullG: 600, Price: p(24.0), Currency: "GBP", Opened: p(day.AddDate(0, -3, 0))},
			{ID: "bottle-2", Resin: "medium", Part: stock.Hardener, Lot: "H1", FullG: 1000, Price: p(40.0), Currency: "GBP"},
		},
		Batches: []coat.Batch{
			{ID: "a", Resin: "medium", Lot: "R1", HardenerLot: "H1", ResinG: p(1000.0), HardenerG: p(300.0), Mixed: day, LeftG: p(130.0)},
			{ID: "b", Resin: "medium", Lot: "R1", HardenerLot: "H1", ResinG: p(1400.0), HardenerG: p(420.0), Mixed: day.Add(time.Hour)},
		},
	}
}

func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if !(math.Abs(got-want) < 1e-6) {
		t.Errorf("%s = %g, want %g", what, got, want)
	}
}

// Hand sums: 2400 g of resin from 5000; 720 g of hardener from 600 and then
// the unopened 1000.
func TestLevelsByHand(t *testing.T) {
	got := map[string]stock.Level{}
	for _, l := range stock.Levels(nil, shed(), day) {
		got[l.ID] = l
	}
	near(t, "drum", got["drum"].LeftG, 2600)
	near(t, "first bottle", got["bottle-1"].LeftG, 0)
	near(t, "second bottle", got["bottle-2"].LeftG, 880)
	near(t, "value", *got["drum"].Value, 60*2600.0/5000)
	if got["bottle-1"].ShortG != 0 {
		t.Errorf("short by %g g with a second bottle there", got["bottle-1"].ShortG)
	}
	// Counted after the first batch: only the second draws.
	w := shed()
	w.Stock[0].CountedG, w.Stock[0].CountedAt = p(3900.0), p(day.Add(30*time.Minute))
	near(t, "counted", stock.Levels(nil, w, day)[2].LeftG+0, 2500)
	// More mixed than there was is never a negative stock.
	w = shed()
	w.Stock = w.Stock[:2]
	for _, l := range stock.Levels(nil, w, day) {
		if l.ID == "bottle-1" && (l.LeftG != 0 || l.ShortG != 120 || !strings.Contains(l.Say, "120 g more")) {
			t.Errorf("over-drawn: %+v", l)
		}
	}
}

// Nothing is drawn twice and nothing is lost: left and drawn add up to what
// there was, short of what was short.
func TestLevelsAddUp(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		w := shed()
		w.Batches = nil
		total := 0.0
		for i := range rapid.IntRange(0, 12).Draw(rt, "n") {
			g := rapid.Float64Range(1, 900).Draw(rt, "g")
			total += g
			w.Batches = append(w.Batches, coat.Batch{ID: fmt.Sprint(i), Resin: "medium", HardenerLot: rapid.SampledFrom([]string{"", "H1"}).Draw(rt, "lot"), HardenerG: &g, Mixed: day})
		}
		left, drawn, short := 0.0, 0.0, 0.0
		for _, l := range stock.Levels(nil, w, day) {
			if l.LeftG < 0 {
				rt.Errorf("%s holds %g g", l.ID, l.LeftG)
			}
			if l.Part == stock.Hardener {
				left += l.LeftG
				drawn += l.DrawnG
				short += l.ShortG
			}
		}
		if math.Abs(drawn-total) > 1e-6 || math.Abs(left+drawn-short-1600) > 1e-6 {
			rt.Errorf("%g left, %g drawn, %g short of 1600 for %g", left, drawn, short, total)
		}
	})
}

func TestEnds(t *testing.T) {
	ls := stock.Levels(nil, shed(), day)
	e := stock.Ends(nil, ls, []stock.Want{
		{"lid-outer", "tack", "", "medium", 300, 90}, {"lid-outer", "wet-out", "", "medium", 1500, 450},
		{"lid-inner", "tack", "", "medium", 700, 400}, {"lid-inner", "wet-out", "the wet-out on Lid, inner", "medium", 200, 60},
	})
	// 880 g of hardener: 90, 450, and the 400 no longer fit; 1000 wanted. Resin:
	// 2600 of 2700.
	if len(e) != 2 || e[0].Part != "hardener" || e[0].Panel != "lid-inner" || e[0].Step != "tack" || e[0].ShortG != 120 || e[1].ShortG != 100 || e[1].Step != "wet-out" {
		t.Fatalf("%+v", e)
	}
	if want := "Hardener of medium ends at tack of lid-inner: 120 g short."; e[0].Say != want {
		t.Errorf("%q, want %q", e[0].Say, want)
	}
	if want := "Resin of medium ends at the wet-out on Lid, inner: 100 g short."; e[1].Say != want {
		t.Errorf("%q, want %q", e[1].Say, want)
	}
	if e := stock.Ends(nil, nil, []stock.Want{{Panel: "x", Step: "y", Resin: "medium", ResinG: 1e6, HardenerG: 1e6}}); e != nil {
		t.Errorf("without stock: %+v", e)
	}
}

// 1300 g: resin 1000 at 12 a kilo, hardener 300 at 40; a tenth left in the cup.
func TestBillByHand(t *testing.T) {
	w := shed()
	b := stock.BillOf(w, w.Batches[:1], nil)
	near(t, "mixed", b.MixedG, 1300)
	near(t, "cost", b.Cost["GBP"], 12+.3*40)
	near(t, "waste %", b.WastePct, 10)
	near(t, "waste cost", b.WasteCost["GBP"], (12+.3*40)/10)
	w.Batches[1].OffRatio = coat.OffScrap
	b = stock.BillOf(w, w.Batches, func(coat.Batch) float64 { return .5 })
	near(t, "scrap", b.ScrapG, 910)
	near(t, "half of it all", b.MixedG, (1300+1820)/2)
	if b := stock.BillOf(w, []coat.Batch{{ID: "c", Resin: "medium"}}, nil); b.Unweighed != 1 {
		t.Errorf("unweighed: %+v", b)
	}
}

// An older lot is never surer, and a fresh one adds nothing.
func TestDoubt(t *testing.T) {
	s := coat.Stock{BestBefore: &day}
	if d := stock.Doubt(s, day); d != 0 {
		t.Errorf("on its date: %g", d)
	}
	prev := 0.0
	for m := 1; m < 60; m++ {
		d := stock.Doubt(s, day.AddDate(0, m, 0))
		if d < prev || d > .4+1e-12 {
			t.Errorf("%d months past: %g after %g", m, d, prev)
		}
		prev = d
	}
	w := shed()
	w.Stock[1].Condition, w.Stock[2].Condition = "crystallised", "crystallised"
	near(t, "batch", stock.BatchDoubt(w, w.Batches[0]), .2)
}

func TestCheck(t *testing.T) {
	w := shed()
	f := stock.Check(coat.Stock{Part: "paint", Resin: "best", FullG: -5, Price: p(3.0), Condition: "hot", CountedG: p(-1.0), Opened: p(day.AddDate(1, 0, 0))}, w.Resins, day)
	var got []string
	for _, x := range f {
		got = append(got, x.Field)
	}
	if s := strings.Join(got, " "); s != "part resin full_g currency condition counted_g counted_at opened" {
		t.Errorf("faults at %q", s)
	}
	if f := stock.CheckLots(w, coat.Batch{Resin: "medium", Lot: "R9", HardenerLot: "H1"}); len(f) != 1 || f[0].Field != "lot" || !strings.Contains(f[0].What, "there is R1") {
		t.Errorf("a lot that is not there: %v", f)
	}
	w.Stock = nil
	if f := stock.CheckLots(w, coat.Batch{Resin: "medium", Lot: "R9"}); f != nil {
		t.Errorf("without stock a lot is free text: %v", f)
	}
}

func TestCSVBackAndForth(t *testing.T) {
	w := shed()
	w.Stock[0].Note, w.Stock[0].BestBefore = "=1+1", p(day.AddDate(1, 0, 0))
	w.Stock[1].CountedG, w.Stock[1].CountedAt = p(412.5), p(day.Add(90*time.Minute))
	b := stock.WriteCSV(w.Stock)
	if strings.Contains(string(b), ",=1") {
		t.Errorf("a formula: %s", b)
	}
	got, err := stock.ReadCSV(strings.NewReader(string(b)), time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, w.Stock) {
		t.Errorf("read back %+v", got)
	}
	us, err := stock.ReadCSV(strings.NewReader("part,resin,full_g\nresin,medium,5.5 kg\nhardener,medium,11 lb\n"), time.UTC)
	if err != nil || us[0].FullG != 5500 || math.Abs(us[1].FullG-11*453.59237) > 1e-9 {
		t.Errorf("%+v, %v", us, err)
	}
}

func TestCSVFaults(t *testing.T) {
	_, err := stock.ReadCSV(strings.NewReader("part,resin,full_g,price,opened\nresin,medium,5 kg 200 g,12,2026-13-01\nhardener,medium,,12 GBP,\nresin,medium\n"), time.UTC)
	var f fault.Places
	if !errors.As(err, &f) || len(f) != 5 {
		t.Fatalf("%v", err)
	}
	for i, want := range []string{"line 2: opened: \"2026-13-01\" is not a date", "line 2: full_g: \"5 kg 200 g\" has two figures or units in one field", "line 3: full_g: missing", "line 3: price: \"12 GBP\" is not a number", "line 4: 2 fields, the first line has 5"} {
		if got := strings.Split(err.Error(), "\n")[i]; !strings.HasPrefix(got, want) {
			t.Errorf("%q, want %q", got, want)
		}
	}
	for _, bad := range []string{"", "part,resin\n", "part,resin,full_g,colour\n", "part,resin,full_g,part\n"} {
		if _, err := stock.ReadCSV(strings.NewReader(bad), time.UTC); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}

func FuzzReadCSV(f *testing.F) {
	f.Add("part,resin,full_g\nresin,medium,5 kg\n")
	f.Add(string(stock.WriteCSV(shed().Stock)))
	f.Fuzz(func(t *testing.T, s string) {
		got, err := stock.ReadCSV(strings.NewReader(s), time.UTC)
		if err != nil {
			if got != nil {
				t.Errorf("rows beside %v", err)
			}
			return
		}
		if _, err := stock.ReadCSV(strings.NewReader(string(stock.WriteCSV(got))), time.UTC); err != nil {
			t.Errorf("%q is not read back: %v", s, err)
		}
	})
}

// Two people: one lays as the tables say, one takes 40 % more. The shop lies
// between them, each on their own side of it, and a stranger gets the shop's. By
// hand: 1 m² sealed, 200 g/m² twill, weighed: 200 on the panel is 212.8 mixed
// with nothing left, 280 is 297.9.
func TestHabitsByPerson(t *testing.T) {
	w := &coat.Work{Panels: []coat.Panel{{ID: "p", AreaM2: p(1.0)}}, Resins: map[string]cure.Resin{"medium": {}}}
	laidBy := map[string]string{}
	at := time.Date(2026, 10, 10, 8, 0, 0, 0, time.UTC)
	for i := range 8 {
		who, g := "Ann", 212.8
		if i%2 == 1 {
			who, g = "Ben", 297.9
		}
		id := fmt.Sprint("c", i)
		laidBy[id] = who
		w.Batches = append(w.Batches, coat.Batch{ID: id, Resin: "medium", ResinG: p(g - 50), HardenerG: p(50.0), LeftG: p(0.0), Mixed: at})
		w.Coats = append(w.Coats, coat.Coat{ID: id, Panel: "p", Resin: "medium", Kind: coat.WetOut, Batches: []string{id}, Applied: at, Cloth: []coat.Cloth{{Name: "glass 200 twill"}}})
	}
	shop, ann, ben := stock.Habits(w, laidBy, "")["wet-out"], stock.Habits(w, laidBy, "Ann")["wet-out"], stock.Habits(w, laidBy, "Ben")["wet-out"]
	if !(ann.Factor < shop.Factor-.05 && shop.Factor+.05 < ben.Factor) || ann.Coats != 4 || shop.Coats != 8 || ben.Who != "Ben" || shop.Who != "" {
		t.Errorf("shop %+v, Ann %+v, Ben %+v", shop, ann, ben)
	}
	if x := stock.Habits(w, laidBy, "Cy")["wet-out"]; x != shop {
		t.Errorf("a stranger: %+v, the shop %+v", x, shop)
	}
	if who := stock.People(w, laidBy); len(who) != 2 || who[0] != "Ann" || who[1] != "Ben" {
		t.Errorf("%q", who)
	}
}
