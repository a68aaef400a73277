// SPDX-License-Identifier: Apache-2.0

package history

import (
	"context"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"curewright/internal/cardfault"
	"curewright/sensors"
)

// slowCard is a card on which what is written costs time, in time that is not
// real: nothing until a file is synced, then for each write since its last
// sync. What wants to be synced by us and not by SQLite comes by fault.
type slowCard struct {
	sync, write time.Duration

	mu     sync.Mutex
	writes map[string]int
}

func newSlowCard(t *testing.T, sync, write time.Duration) *slowCard {
	c := &slowCard{sync: sync, write: write, writes: map[string]int{}}
	t.Cleanup(func() { cardfault.Set(nil) })
	cardfault.Set(func(op cardfault.Op, path string) error { return c.call(string(op), path) })
	return c
}

func (c *slowCard) call(op, path string) error {
	c.mu.Lock()
	path = filepath.Base(path)
	wait := time.Duration(0)
	switch op {
	case "write":
		c.writes[path]++
	case "sync":
		wait = c.sync + time.Duration(c.writes[path])*c.write
		c.writes[path] = 0
	}
	c.mu.Unlock()
	time.Sleep(wait)
	return nil
}

// slowStore is a store with an open coat on such a card, to which a probe speaks
// twice a second until stop is called, which returns how long a reading waited
// for the disk at most.
func slowStore(t *testing.T, card *slowCard, before func(s *Store)) (s *Store, stop func() time.Duration) {
	t.Helper()
	s, err := Open(t.TempDir(), Options{Uptime: func() time.Duration { return time.Hour }, Boot: "b", fault: card.call})
	must(t, err)
	if before != nil {
		before(s)
	}
	s.SetUrgent(true)
	done, longest := make(chan struct{}), time.Duration(0)
	var wg sync.WaitGroup
	wg.Go(func() {
		for n := 0; ; n++ {
			select {
			case <-done:
				return
			case <-time.After(100 * time.Millisecond):
			}
			if n%5 == 0 {
				s.Append([]sensors.Reading{reading("panel-1", time.Now(), 18+float64(n%50)/16)})
			}
			longest = max(longest, s.Stats().OldestWait)
		}
	})
	return s, func() time.Duration { close(done); wg.Wait(); return longest }
}

// riskUrgent is the promise while a coat is open.
const riskUrgent = 10 * time.Second

// A dozen people enter without a pause, on a card that takes half a second for
// each entry, in the database and in the journal: readings do not wait behind
// all of them, and no more where an hour becomes complete meanwhile.
func TestReadingsGoBeforeEntries(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		card := newSlowCard(t, 250*time.Millisecond, 0)
		s, stop := slowStore(t, card, nil)
		defer s.Close()
		time.Sleep(time.Until(time.Now().Truncate(time.Hour).Add(time.Hour - 20*time.Second)))
		var wg sync.WaitGroup
		entered := make([]int, 24)
		for w := range entered {
			wg.Go(func() {
				for began := time.Now(); time.Since(began) < 2*time.Minute; entered[w]++ {
					if _, _, err := s.CreateWork(t.Context(), "feel", "", []byte(`{"coat":"coat-1","state":"wet"}`), "somebody", time.Now(), ""); err != nil {
						t.Error(err)
						return
					}
				}
			})
		}
		wg.Wait()
		longest := stop()
		t.Logf("a reading waited %v at most, %d packed, entries %v", longest, s.Stats().Packed, entered)
		if longest > riskUrgent || longest == 0 {
			t.Errorf("a reading waited %v, at most %v", longest, riskUrgent)
		}
		if s.Stats().Packed == 0 {
			t.Error("no hour became complete")
		}
		for w, n := range entered {
			if n < 4 {
				t.Errorf("person %d entered %d times: kept waiting", w, n)
			}
		}
	})
}

// A copy of the store is made on a card that takes ten milliseconds for a
// kilobyte: the copy takes its time, readings do not wait for it.
func TestReadingsGoBeforeACopy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		card := newSlowCard(t, 50*time.Millisecond, 10*time.Millisecond)
		s, stop := slowStore(t, card, func(s *Store) {
			rng := rand.New(rand.NewPCG(3, 4))
			for h := range 10 {
				var rs []sensors.Reading
				for i := range 2400 {
					for p := range 16 {
						r := reading(fmt.Sprint("p", p), day.Add(time.Duration(h)*time.Hour+time.Duration(i)*time.Second), float64(rng.IntN(16000))/400)
						r.RH, r.CO2 = sensors.Some(float64(rng.IntN(10000))/100), sensors.Some(float64(rng.IntN(5000)))
						rs = append(rs, r)
					}
				}
				s.Append(rs)
				if err := s.Flush(t.Context()); err != nil { // more than memory keeps
					t.Fatal(err)
				}
			}
			must(t, s.Compact(t.Context()))
		})
		defer s.Close()
		began := time.Now()
		file := filepath.Join(t.TempDir(), "copy.db")
		must(t, s.Backup(t.Context(), file))
		took := time.Since(began)
		longest := stop()
		c, err := CheckFile(t.Context(), file)
		must(t, err)
		t.Logf("a copy of %d kB took %v; a reading waited %v at most", c.Bytes>>10, took, longest)
		if longest > riskUrgent || longest == 0 {
			t.Errorf("a reading waited %v, at most %v", longest, riskUrgent)
		}
		// What the test stands on: synced as a whole it is longer than the promise.
		if whole := time.Duration(c.Bytes>>10) * card.write; whole < 2*riskUrgent {
			t.Errorf("the copy is too small to show it: %v", whole)
		}
	})
}

// What has piled up is packed in pieces, and all of it is there afterwards, also
// to the next start.
func TestPackedInPieces(t *testing.T) {
	dir, now := t.TempDir(), day.Add(100*time.Hour)
	open := func() *Store {
		s, err := Open(dir, Options{Now: func() time.Time { return now }})
		must(t, err)
		return s
	}
	s := open()
	const probes, hours, perHour = 16, 12, 200
	for i := range hours * perHour {
		at := day.Add(time.Duration(i) * time.Hour / perHour)
		for p := range probes {
			s.Append([]sensors.Reading{reading(fmt.Sprint("p", p), at, float64((i*7+p)%400)/16)})
		}
	}
	must(t, s.Compact(t.Context()))
	if st := s.Stats(); st.Packed != probes*hours*perHour || st.Readings != 0 {
		t.Errorf("packed %d of %d, %d left", st.Packed, probes*hours*perHour, st.Readings)
	}
	var pieces int
	s.dbmu.Lock()
	err := s.db.QueryRowContext(t.Context(), "SELECT count(*) FROM packlog").Scan(&pieces)
	s.dbmu.Unlock()
	if want := probes * hours * perHour / packPiece; err != nil || pieces < want {
		t.Errorf("%d pieces, want at least %d (%v)", pieces, want, err)
	}
	for range 2 {
		for p := range probes {
			n := 0
			for r, err := range s.Readings(fmt.Sprint("p", p), time.Time{}, time.Time{}) {
				if x, _ := r.Temp.Get(); err != nil || x != float64((n*7+p)%400)/16 {
					t.Fatalf("reading %d of probe %d: %v, %v", n, p, r, err)
				}
				n++
			}
			if n != hours*perHour {
				t.Errorf("probe %d: %d readings of %d", p, n, hours*perHour)
			}
		}
		must(t, s.Close())
		s = open()
	}
	s.Close()
}

// Who waits for the connection comes in order, those of the first queue before
// the others, and who gives up leaves nothing behind.
func TestDiskLockOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var l diskLock
		var got []string
		var wg sync.WaitGroup
		l.Lock()
		for _, who := range []string{"a", "b", "c"} {
			wg.Go(func() { l.Lock(); got = append(got, who); l.Unlock() })
			synctest.Wait()
		}
		for _, who := range []string{"1", "2"} {
			wg.Go(func() {
				if err := l.LockFirst(t.Context()); err != nil {
					t.Error(err)
				}
				got = append(got, who)
				l.Unlock()
			})
			synctest.Wait()
		}
		late, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := l.LockFor(late); err == nil {
			t.Error("not given up")
		}
		l.Unlock()
		wg.Wait()
		if s := strings.Join(got, " "); s != "1 2 a b c" {
			t.Errorf("order %s", s)
		}
		if err := l.LockFor(late); err != nil { // it is free
			t.Error(err)
		}
	})
}
