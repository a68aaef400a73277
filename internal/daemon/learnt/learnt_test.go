// SPDX-License-Identifier: Apache-2.0

package learnt

import (
	"log/slog"
	"testing"
	"time"

	"curewright/history"
	"curewright/model/memory"
)

// What is learnt while the memory is being written is written with the next
// save, and not taken for written.
func TestLearntWhileWriting(t *testing.T) {
	store, err := history.Open(t.TempDir(), history.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	learn := func() {}
	r, err := Open(Options{Store: store, Log: slog.New(slog.DiscardHandler), Now: func() time.Time { learn(); return time.Now() }})
	if err != nil {
		t.Fatal(err)
	}
	learn = func() {
		learn = func() {}
		r.edit(func(m *memory.Memory) { m.Rev++ })
	}
	if err := r.save(t.Context()); err != nil || !r.dirty {
		t.Fatalf("%v; taken for written: %v", err, !r.dirty)
	}
	if err := r.save(t.Context()); err != nil || r.dirty {
		t.Errorf("%v; still not written: %v", err, r.dirty)
	}
}
