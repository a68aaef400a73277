// SPDX-License-Identifier: Apache-2.0

package plan

import (
	"context"
	"errors"
	"testing"
	"time"
)

// stopsAfter is a context that ends once it was asked so many times: an event
// in the search, not a time.
type stopsAfter struct {
	context.Context
	left int
}

func (s *stopsAfter) Err() error {
	if s.left--; s.left < 0 {
		return context.Canceled
	}
	return nil
}

// TestCancelled: a plan that nobody waits for any more ends with the context's
// error wherever it is in its work, and does next to nothing from there on.
func TestCancelled(t *testing.T) {
	j := lids(t, 60)
	j.Forecast = weekend(60, 15, 4, 1.2) // a shed in which changes are tried too
	for _, asked := range []int{0, 1, 5, 50, 500, 2000} {
		s := &stopsAfter{t.Context(), asked}
		if _, err := Plan(s, j); !errors.Is(err, context.Canceled) {
			t.Errorf("after %d judgements: %v, want %v", asked, err, context.Canceled)
		}
	}
	// With few steps the search is exhaustive.
	one := oneCoat(t, "medium", steady(20))
	one.Start = one.Start.Add(2 * time.Hour)
	for _, asked := range []int{0, 3, 30} {
		if _, err := Plan(&stopsAfter{t.Context(), asked}, one); !errors.Is(err, context.Canceled) {
			t.Errorf("exhaustive, after %d judgements: %v, want %v", asked, err, context.Canceled)
		}
	}
}
