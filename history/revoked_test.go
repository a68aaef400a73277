// SPDX-License-Identifier: Apache-2.0

package history

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"curewright/internal/cardfault"
)

// A token taken back while requests write its last use stays taken back, also
// over a restart.
func TestRevokeRacesUse(t *testing.T) {
	dir, ctx := t.TempDir(), t.Context()
	s := open(t, dir, at(day))
	for i := range 100 {
		id := fmt.Sprint("phone", i)
		must(t, s.PutToken(ctx, Token{ID: id, Role: "control", Hash: fmt.Sprint("hash", i), Made: day}))
		var wg sync.WaitGroup
		for k := range 4 {
			wg.Go(func() { s.UseToken(id, day.Add(time.Duration(2*k)*time.Hour), time.Duration(2*k)*time.Hour) })
		}
		wg.Go(func() {
			if err := s.RevokeToken(ctx, id, day); err != nil {
				t.Error(err)
			}
		})
		wg.Wait()
		if _, ok := s.TokenByHash(fmt.Sprint("hash", i)); ok {
			t.Fatalf("token %d is good after it was taken back", i)
		}
	}
	s.Close()
	s = open(t, dir, at(day))
	for i := range 100 {
		if _, ok := s.TokenByHash(fmt.Sprint("hash", i)); ok {
			t.Errorf("token %d is good again after a restart", i)
		}
	}
}

// On a card that takes nothing new a token is shut out at once, and stays so
// over a kill; with room again it is written and the page emptied.
func TestRevokeOnFullCard(t *testing.T) {
	cardfault.Set(nil)
	defer cardfault.Set(nil)
	dir, ctx := t.TempDir(), t.Context()
	s := open(t, dir, at(day))
	for i := range 3 {
		must(t, s.PutToken(ctx, Token{ID: fmt.Sprint("phone", i), Hash: fmt.Sprint("hash", i), Made: day}))
	}
	full := func(op cardfault.Op, _ string) error {
		if op == cardfault.Write || op == cardfault.Sync {
			return cardfault.ErrFull
		}
		return nil
	}
	cardfault.Set(full)
	for i := range 2 {
		if err := s.RevokeToken(ctx, fmt.Sprint("phone", i), day); err != nil {
			t.Errorf("with its page there: %v", err)
		}
	}
	check := func(when string) {
		t.Helper()
		for i := range 3 {
			if _, ok := s.TokenByHash(fmt.Sprint("hash", i)); ok != (i == 2) {
				t.Errorf("%s: token %d is good: %v", when, i, ok)
			}
		}
	}
	check("on the full card")
	abandon(s)
	cardfault.Set(nil)
	if got := s.readRevoked(); len(got) != 2 {
		t.Errorf("the page holds %q, want two", got)
	}
	s = open(t, dir, at(day))
	check("after a kill")
	must(t, s.Flush(ctx))
	if got := s.readRevoked(); len(got) != 0 {
		t.Errorf("the page still holds %q", got)
	}
	s.Close()
	s = open(t, dir, at(day))
	check("after the flush and a restart")
}
