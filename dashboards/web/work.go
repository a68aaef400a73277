// SPDX-License-Identifier: Apache-2.0

package web

import (
	"encoding/json"
	"net/http"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
)

// shapeOf returns a new value of the record that a kind is stored as.
func shapeOf(kind string) any {
	switch kind {
	case "piece":
		return new(coat.Piece)
	case "panel":
		return new(coat.Panel)
	case "batch":
		return new(coat.Batch)
	case "coat":
		return new(coat.Coat)
	case "feel":
		return new(coat.Feel)
	case "job", "tick":
		return jobShape(kind)
	case "stock":
		return new(coat.Stock)
	}
	return new(cure.Resin)
}

type idBody struct {
	ID      string `json:"id"`
	Created *bool  `json:"created,omitempty"`
}

// create stores a new record. Only its shape is checked here; whether it makes
// sense is for the backend, which knows the rest of the work. set, if not nil,
// completes the body from the path.
func (s *Server) create(w http.ResponseWriter, r *http.Request, kind string, set func(map[string]json.RawMessage) Faults) {
	key, ok := s.key(w, r)
	if !ok {
		return
	}
	b, ok := s.body(w, r, maxBody)
	if !ok {
		return
	}
	f := decodeStrict(b, shapeOf(kind), false)
	if f == nil {
		f = checkNewID(kind, b)
	}
	if f != nil {
		s.faults(w, r, http.StatusBadRequest, f)
		return
	}
	if set != nil {
		m := map[string]json.RawMessage{}
		if json.Unmarshal(b, &m) != nil {
			s.fail(w, r, http.StatusBadRequest, "", "want an object")
			return
		}
		if f := set(m); f != nil {
			s.faults(w, r, http.StatusBadRequest, f)
			return
		}
		b, _ = json.Marshal(m) // a map of valid JSON
	}
	id, created, err := s.b.Create(r.Context(), whoOf(r), kind, b, key)
	if err != nil {
		s.problem(w, r, err)
		return
	}
	// A repeat under the same key gets the same answer as the first.
	s.answer(w, r, http.StatusCreated, idBody{id, &created})
}

// checkNewID bounds the id that a new record is to have, which for a resin is
// its name.
func checkNewID(kind string, b []byte) Faults {
	field := "id"
	if kind == "resin" {
		field = "name"
	}
	var m map[string]json.RawMessage
	var id string
	if json.Unmarshal(b, &m) != nil || json.Unmarshal(m[field], &id) != nil {
		return nil // none
	}
	if what := badID(id); what != "" {
		return Faults{{field, what}}
	}
	return nil
}

func (s *Server) addFeel(w http.ResponseWriter, r *http.Request) {
	id, _ := json.Marshal(r.PathValue("id"))
	s.create(w, r, "feel", func(m map[string]json.RawMessage) Faults {
		if c, ok := m["coat"]; ok && string(c) != string(id) {
			return Faults{{"coat", "is not the coat of the address"}}
		}
		m["coat"] = id
		return nil
	})
}

func (s *Server) patch(w http.ResponseWriter, r *http.Request, kind string) {
	key, ok := s.key(w, r)
	if !ok {
		return
	}
	b, ok := s.body(w, r, maxBody)
	if !ok {
		return
	}
	shape := shapeOf(kind)
	f := decodeStrict(b, shape, true)
	if f == nil {
		var m map[string]json.RawMessage
		if json.Unmarshal(b, &m) != nil || len(m) == 0 {
			f = Faults{{"", "nothing to change"}}
		}
		if _, has := m["id"]; has {
			f = append(f, Fault{"id", "stays as it is; delete the entry and make another"})
		}
	}
	if f != nil {
		s.faults(w, r, http.StatusBadRequest, f)
		return
	}
	id := r.PathValue("id")
	if err := s.b.Patch(r.Context(), whoOf(r), kind, id, b, key); err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, idBody{ID: id})
}

func (s *Server) delete(w http.ResponseWriter, r *http.Request, kind string) {
	key, ok := s.key(w, r)
	if !ok {
		return
	}
	id := r.PathValue("id")
	if err := s.b.Delete(r.Context(), whoOf(r), kind, id, key); err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, idBody{ID: id})
}

func (s *Server) endBatch(w http.ResponseWriter, r *http.Request) {
	key, ok := s.key(w, r)
	if !ok {
		return
	}
	var q BatchEnd
	b, ok := s.body(w, r, maxBody)
	if !ok {
		return
	}
	if len(b) > 0 {
		if f := decodeStrict(b, &q, false); f != nil {
			s.faults(w, r, http.StatusBadRequest, f)
			return
		}
	}
	at := s.b.Now()
	if q.At != nil {
		at = *q.At
	}
	if q.LeftG != nil && !(*q.LeftG >= 0) {
		s.fail(w, r, http.StatusBadRequest, "left_g", "is below zero")
		return
	}
	id := r.PathValue("id")
	if err := s.b.EndBatch(r.Context(), whoOf(r), id, at, q.LeftG, key); err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, idBody{ID: id})
}

// records returns the list of one kind, and the same by id.
func records(w *coat.Work, word string) (list any, byID map[string]any) {
	switch word {
	case "pieces":
		return listed(w.Pieces, func(x coat.Piece) string { return x.ID })
	case "panels":
		return listed(w.Panels, func(x coat.Panel) string { return x.ID })
	case "batches":
		return listed(w.Batches, func(x coat.Batch) string { return x.ID })
	case "stock":
		return listed(w.Stock, func(x coat.Stock) string { return x.ID })
	case "feels":
		return listed(w.Feels, func(x coat.Feel) string { return x.ID })
	}
	return nil, nil
}

func listed[T any](xs []T, id func(T) string) (list any, byID map[string]any) {
	byID = map[string]any{}
	for _, x := range xs {
		byID[id(x)] = x
	}
	return orEmpty(xs), byID
}

func (s *Server) list(w http.ResponseWriter, r *http.Request, word string) {
	if !s.query(w, r) {
		return
	}
	if word == "resins" {
		rs, err := s.b.Resins(r.Context())
		if err != nil {
			s.problem(w, r, err)
			return
		}
		s.answer(w, r, http.StatusOK, map[string]any{word: orEmpty(rs)})
		return
	}
	work, err := s.b.Work(r.Context())
	if err != nil {
		s.problem(w, r, err)
		return
	}
	l, _ := records(work, word)
	s.answer(w, r, http.StatusOK, map[string]any{word: l})
}

type recordBody struct {
	Record  any      `json:"record"`
	Changes []Change `json:"changes"`
}

func (s *Server) one(w http.ResponseWriter, r *http.Request, word string) {
	if !s.query(w, r) {
		return
	}
	id := r.PathValue("id")
	var rec any
	if word == "resins" {
		rs, err := s.b.Resins(r.Context())
		if err != nil {
			s.problem(w, r, err)
			return
		}
		for _, x := range rs {
			if x.Name == id {
				rec = x
			}
		}
	} else {
		work, err := s.b.Work(r.Context())
		if err != nil {
			s.problem(w, r, err)
			return
		}
		_, by := records(work, word)
		rec = by[id]
	}
	if rec == nil {
		s.fail(w, r, http.StatusNotFound, "", "no "+kinds[word]+" "+short(id))
		return
	}
	ch, err := s.b.Changes(r.Context(), kinds[word], id)
	if err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, recordBody{rec, orEmpty(ch)})
}

type coatsBody struct {
	At    time.Time  `json:"at"`
	Coats []CoatView `json:"coats"`
}

func (s *Server) coats(w http.ResponseWriter, r *http.Request) {
	if !s.query(w, r, "all") {
		return
	}
	all, ok := s.flag(w, r, "all", false)
	if !ok {
		return
	}
	work, err := s.b.Work(r.Context())
	if err != nil {
		s.problem(w, r, err)
		return
	}
	snap, err := s.b.Snapshot(r.Context())
	if err != nil {
		s.problem(w, r, err)
		return
	}
	out := coatsBody{At: snap.At, Coats: []CoatView{}}
	for _, c := range work.Coats {
		if all || c.Open(snap.At) {
			out.Coats = append(out.Coats, viewCoat(c, work, snap.Result, snap.At))
		}
	}
	s.answer(w, r, http.StatusOK, out)
}

// findCoat answers 404 itself where there is none.
func (s *Server) findCoat(w http.ResponseWriter, r *http.Request) (coat.Coat, *coat.Work, bool) {
	work, err := s.b.Work(r.Context())
	if err != nil {
		s.problem(w, r, err)
		return coat.Coat{}, nil, false
	}
	id := r.PathValue("id")
	for _, c := range work.Coats {
		if c.ID == id {
			return c, work, true
		}
	}
	s.fail(w, r, http.StatusNotFound, "", "no coat "+short(id))
	return coat.Coat{}, nil, false
}

func (s *Server) coat(w http.ResponseWriter, r *http.Request) {
	if !s.query(w, r) {
		return
	}
	c, work, ok := s.findCoat(w, r)
	if !ok {
		return
	}
	snap, err := s.b.Snapshot(r.Context())
	if err != nil {
		s.problem(w, r, err)
		return
	}
	v := viewCoat(c, work, snap.Result, snap.At)
	v.Changes, err = s.b.Changes(r.Context(), "coat", c.ID)
	if err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, v)
}

func (s *Server) feels(w http.ResponseWriter, r *http.Request) {
	if !s.query(w, r) {
		return
	}
	c, work, ok := s.findCoat(w, r)
	if !ok {
		return
	}
	out := []coat.Feel{}
	for _, f := range work.Feels {
		if f.Coat == c.ID {
			out = append(out, f)
		}
	}
	s.answer(w, r, http.StatusOK, map[string]any{"feels": out})
}

// Limits of a trace: enough for a line across a wide screen.
const (
	tracePoints    = 600
	maxTracePoints = 4000
	traceAhead     = 24 * time.Hour
)

func (s *Server) trace(w http.ResponseWriter, r *http.Request) {
	q, f := newQuery(r, "from", "to", "points")
	from, hasFrom := q.time("from")
	to, hasTo := q.time("to")
	points := tracePoints
	if n, ok := q.number("points"); ok {
		if n != float64(int(n)) || n < 2 || n > maxTracePoints {
			q.bad("points", "want a whole number from 2 to 4000")
		}
		points = int(n)
	}
	if *f != nil {
		s.faults(w, r, http.StatusBadRequest, *f)
		return
	}
	c, _, ok := s.findCoat(w, r)
	if !ok {
		return
	}
	if !hasFrom {
		from = c.Applied
	}
	if !hasTo {
		to = s.b.Now().Add(traceAhead)
	}
	if !from.Before(to) {
		s.fail(w, r, http.StatusBadRequest, "to", "is not after from")
		return
	}
	r, done, ok := s.work(w, r, s.compute, computeFor)
	if !ok {
		return
	}
	defer done()
	pts, err := s.b.Trace(r.Context(), c.ID, from, to, points)
	if err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, struct {
		Coat   string            `json:"coat"`
		Points []coat.TracePoint `json:"points"`
	}{c.ID, orEmpty(pts)})
}
