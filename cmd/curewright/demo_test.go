package main

import (
	"slices"
	"testing"

	"curewright/model/coat"
	"curewright/sensors/shopsim"
)

// The simulated crew must do what the demonstration is there to show: cloth
// into a tacky coat, the fill coat onto a green one, and a night in which the
// second lid's window closes.
func TestWeekend(t *testing.T) {
	cfg := defaultConfig()
	cfg.Store.Path = t.TempDir()
	cfg.Shop.Air = shopsim.ShedAir
	s, err := newShow(t.Context(), cfg, shopsim.New(shopsim.Config{Seed: 1}), 60, noLog())
	if err != nil {
		t.Fatal(err)
	}
	defer s.d.store.Close()
	for _, st := range weekend[s.next:] {
		s.clk.Put(st.at())
		if err := s.advance(t.Context(), st.at()); err != nil {
			t.Fatal(err)
		}
	}
	w, err := s.d.work(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	felt := map[string][]coat.State{}
	for _, f := range w.Feels {
		felt[f.Coat] = append(felt[f.Coat], f.State)
	}
	for _, want := range []struct {
		coat  string
		state coat.State
	}{{"a-tack", coat.Tacky}, {"b-tack", coat.Tacky}, {"a-glass", coat.Green}, {"b-glass", coat.Hard}, {"hinge-bond", coat.Hard}} {
		if f := felt[want.coat]; len(f) == 0 || !slices.Contains(f, want.state) {
			t.Errorf("%s was felt %v, never %s", want.coat, f, want.state)
		}
	}
	if f := felt["a-tack"]; f[len(f)-1] != coat.Tacky {
		t.Errorf("the aramid went into a coat that was %s", f[len(f)-1])
	}
	if f := felt["a-glass"]; f[len(f)-1] != coat.Green {
		t.Errorf("the fill coat went onto one that was %s", f[len(f)-1])
	}
	if err := s.d.look(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, e := range s.d.snap.Load().Result.Coats {
		if e.ID == "b-glass" && (e.NextWindow == nil || e.NextWindow.Status != "closed") {
			t.Errorf("on Sunday morning the second lid's window is %+v, want closed", e.NextWindow)
		}
	}
}
