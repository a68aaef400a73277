// SPDX-License-Identifier: Apache-2.0

package job

import (
	"strings"
	"testing"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
)

func day(hhmm string) time.Time {
	t, err := time.Parse(time.RFC3339, "2026-10-10T"+hhmm+":00+01:00")
	if err != nil {
		panic(err)
	}
	return t
}

func of[T any](v T) *T { return &v }

func lidWork() *coat.Work {
	r, _ := cure.Generic(cure.Medium)
	return &coat.Work{
		Panels:  []coat.Panel{{ID: "lid-outer", Piece: "lid", Core: "foam"}},
		Batches: []coat.Batch{{ID: "c3", Resin: "medium", Mixed: day("10:00")}, {ID: "c4", Resin: "medium", Mixed: day("10:25"), Ended: of(day("10:40"))}},
		Resins:  map[string]cure.Resin{"medium": r},
	}
}

// Cups are mixed one after another while a coat goes on (common practice, no
// source): a coat takes one that is younger than its first brush stroke, and
// one that is used up already.
func TestCoatTakesLaterCups(t *testing.T) {
	c := coat.Coat{ID: "tack", Panel: "lid-outer", Resin: "medium", Kind: coat.TackCoat, Applied: day("10:05"), Batches: []string{"c3", "c4"}}
	if f := CheckCoat(lidWork(), c, day("11:00")); len(f) > 0 {
		t.Errorf("refused: %v", f)
	}
	w := lidWork()
	w.Batches[1].Mixed = day("10:25").AddDate(0, 0, 2)
	if f := CheckCoat(w, c, day("11:00").AddDate(0, 0, 3)); len(f) != 1 || f[0].Field != "batches[1]" {
		t.Errorf("a cup of two days later: %v", f)
	}
}

func TestCoversAndShares(t *testing.T) {
	ok := coat.Coat{ID: "wet", Panel: "lid-outer", Resin: "medium", Kind: coat.WetOut, Applied: day("10:05"),
		Cover: "vacuum bag", BagKPa: of(80.0), BagMinutes: of(480.0), Share: of(0.5)}
	if f := CheckCoat(lidWork(), ok, day("11:00")); len(f) > 0 {
		t.Errorf("refused: %v", f)
	}
	for field, c := range map[string]coat.Coat{
		"bag_kpa":     {Cover: "vacuum bag", BagKPa: of(120.0)}, // more than the atmosphere, ISO 2533
		"bag_minutes": {Cover: "peel ply", BagMinutes: of(60.0)},
		"share":       {Share: of(1.5)},
		"cover":       {Cover: "foil"},
	} {
		c.ID, c.Panel, c.Resin, c.Kind, c.Applied = "wet", "lid-outer", "medium", coat.WetOut, day("10:05")
		f := CheckCoat(lidWork(), c, day("11:00"))
		if len(f) != 1 || f[0].Field != field {
			t.Errorf("%s: got %v", field, f)
		}
	}
	if f := CheckPanel(nil, coat.Panel{ID: "a", Probe: "panel-1", NoProbe: true}); len(f) != 1 || !strings.Contains(f[0].What, "panel-1") {
		t.Errorf("a panel with and without a probe: %v", f)
	}
}
