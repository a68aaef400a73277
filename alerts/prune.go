// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
)

// pruneStep is how many alerts one call of [Engine.Prune] removes: each is a
// write of its own, and upkeep has other work.
const pruneStep = 200

// Prune keeps the newest most ended alerts and those that keep returns true for, and
// removes the older ones, so that alerts that come and go can't fill the card. It
// goes by number, not by age: a jump of the date would make all of them old.
// It removes 200 in one call and returns how many.
func (e *Engine) Prune(ctx context.Context, most int, keep func(Alert) bool) (int, error) {
	if e.store == nil {
		return 0, nil
	}
	bodies, err := e.store.LoadAlerts(ctx)
	if err != nil {
		return 0, fmt.Errorf("alerts: prune: %w", err)
	}
	var ended []*record
	for _, b := range bodies {
		r := new(record)
		// An alert that can't be read is counted elsewhere and never removed.
		if json.Unmarshal(b, r) == nil && r.ID != "" && !r.live() && !keep(r.Alert) {
			ended = append(ended, r)
		}
	}
	slices.SortStableFunc(ended, byEnd)
	n := 0
	for i, r := range ended {
		if n == pruneStep || len(ended)-i <= most {
			break
		}
		if err := e.store.DeleteAlert(ctx, r.ID); err != nil {
			return n, fmt.Errorf("alerts: prune: %w", err)
		}
		n++
		e.mu.Lock()
		e.ended = slices.DeleteFunc(e.ended, func(x *record) bool { return x.ID == r.ID })
		e.mu.Unlock()
	}
	return n, nil
}
