// SPDX-License-Identifier: Apache-2.0

package web

import (
	"context"
	"encoding/json"
	"net/http"
	"slices"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/job"
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
	case "job":
		return new(job.Schedule)
	case "tick":
		return new(job.Tick)
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
func (s *Server) create(w http.ResponseWriter, r *http.Request, kind string, set func(map[string]json.RawMessage) Faults) (any, error) {
	key, b, err := keyed(w, r)
	if err != nil {
		return nil, err
	}
	f := decodeStrict(b, shapeOf(kind), false)
	if f == nil {
		f = checkNewID(kind, b)
	}
	if f != nil {
		return nil, f
	}
	if set != nil {
		m := map[string]json.RawMessage{}
		if json.Unmarshal(b, &m) != nil {
			return nil, Faults{{Field: "", What: "want an object"}}
		}
		if f := set(m); f != nil {
			return nil, f
		}
		b, _ = json.Marshal(m) // a map of valid JSON
	}
	id, created, err := s.b.Create(r.Context(), whoOf(r), kind, b, key)
	// A repeat under the same key gets the same answer as the first.
	return status{http.StatusCreated, idBody{id, &created}}, err
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
		return Faults{{Field: field, What: what}}
	}
	return nil
}

func (s *Server) addFeel(w http.ResponseWriter, r *http.Request) (any, error) {
	id, _ := json.Marshal(r.PathValue("id"))
	return s.create(w, r, "feel", func(m map[string]json.RawMessage) Faults {
		if c, ok := m["coat"]; ok && string(c) != string(id) {
			return Faults{{Field: "coat", What: "is not the coat of the address"}}
		}
		m["coat"] = id
		return nil
	})
}

// patched is the handler of a correction to a record of the kind.
func patched(kind string) handler {
	return func(s *Server, w http.ResponseWriter, r *http.Request) (any, error) {
		key, b, err := keyed(w, r)
		if err != nil {
			return nil, err
		}
		f := decodeStrict(b, shapeOf(kind), true)
		if f == nil {
			var m map[string]json.RawMessage
			if json.Unmarshal(b, &m) != nil || len(m) == 0 {
				f = Faults{{Field: "", What: "nothing to change"}}
			}
			if _, has := m["id"]; has {
				f = append(f, Fault{Field: "id", What: "stays as it is; delete the entry and make another"})
			}
		}
		if f != nil {
			return nil, f
		}
		id := r.PathValue("id")
		return idBody{ID: id}, s.b.Patch(r.Context(), whoOf(r), kind, id, b, key)
	}
}

// deleted is the handler that takes a record of the kind back.
func deleted(kind string) handler {
	return func(s *Server, w http.ResponseWriter, r *http.Request) (any, error) {
		key, err := keyOf(w, r)
		if err != nil {
			return nil, err
		}
		id := r.PathValue("id")
		return idBody{ID: id}, s.b.Delete(r.Context(), whoOf(r), kind, id, key)
	}
}

func (s *Server) endBatch(w http.ResponseWriter, r *http.Request) (any, error) {
	key, b, err := keyed(w, r)
	if err != nil {
		return nil, err
	}
	var q BatchEnd
	if len(b) > 0 {
		if f := decodeStrict(b, &q, false); f != nil {
			return nil, f
		}
	}
	at := s.b.Now()
	if q.At != nil {
		at = *q.At
	}
	if q.LeftG != nil && !(*q.LeftG >= 0) {
		return nil, Faults{{Field: "left_g", What: "is below zero"}}
	}
	id := r.PathValue("id")
	return idBody{ID: id}, s.b.EndBatch(r.Context(), whoOf(r), id, at, q.LeftG, key)
}

// records returns the list of one kind, and the same by id.
func (s *Server) records(ctx context.Context, word string) (list any, byID map[string]any, err error) {
	if word == "resins" {
		rs, err := s.b.Resins(ctx)
		list, byID = listed(rs, func(x cure.Resin) string { return x.Name })
		return list, byID, err
	}
	w, err := s.b.Work(ctx)
	if err != nil {
		return nil, nil, err
	}
	switch word {
	case "pieces":
		list, byID = listed(w.Pieces, func(x coat.Piece) string { return x.ID })
	case "panels":
		list, byID = listed(w.Panels, func(x coat.Panel) string { return x.ID })
	case "batches":
		list, byID = listed(w.Batches, func(x coat.Batch) string { return x.ID })
	case "stock":
		list, byID = listed(w.Stock, func(x coat.Stock) string { return x.ID })
	case "feels":
		list, byID = listed(w.Feels, func(x coat.Feel) string { return x.ID })
	}
	return list, byID, nil
}

func listed[T any](xs []T, id func(T) string) (list any, byID map[string]any) {
	byID = map[string]any{}
	for _, x := range xs {
		byID[id(x)] = x
	}
	return orEmpty(xs), byID
}

func (s *Server) list(r *http.Request, word string) (any, error) {
	l, _, err := s.records(r.Context(), word)
	return map[string]any{word: l}, err
}

type recordBody struct {
	Record  any      `json:"record"`
	Changes []Change `json:"changes"`
}

func (s *Server) one(r *http.Request, word string) (any, error) {
	id := r.PathValue("id")
	_, by, err := s.records(r.Context(), word)
	if err != nil {
		return nil, err
	}
	rec := by[id]
	if rec == nil {
		return nil, refuse(http.StatusNotFound, "", "no "+kinds[word]+" "+short(id))
	}
	ch, err := s.b.Changes(r.Context(), kinds[word], id)
	return recordBody{rec, orEmpty(ch)}, err
}

type coatsBody struct {
	At    time.Time  `json:"at"`
	Coats []CoatView `json:"coats"`
}

func (s *Server) coats(_ http.ResponseWriter, r *http.Request) (any, error) {
	q := newQuery(r, "all")
	all := q.flag("all", false)
	if err := q.err(); err != nil {
		return nil, err
	}
	work, err := s.b.Work(r.Context())
	if err != nil {
		return nil, err
	}
	snap, err := s.b.Snapshot(r.Context())
	if err != nil {
		return nil, err
	}
	out := coatsBody{At: snap.At, Coats: []CoatView{}}
	for _, c := range work.Coats {
		if all || c.Open(snap.At) {
			out.Coats = append(out.Coats, viewCoat(c, work, snap.Result, snap.At))
		}
	}
	return out, nil
}

// findCoat returns the coat of the address and the work that it is of.
func (s *Server) findCoat(r *http.Request) (coat.Coat, *coat.Work, error) {
	work, err := s.b.Work(r.Context())
	if err != nil {
		return coat.Coat{}, nil, err
	}
	id := r.PathValue("id")
	if i := slices.IndexFunc(work.Coats, func(c coat.Coat) bool { return c.ID == id }); i >= 0 {
		return work.Coats[i], work, nil
	}
	return coat.Coat{}, nil, refuse(http.StatusNotFound, "", "no coat "+short(id))
}

func (s *Server) coat(r *http.Request) (any, error) {
	c, work, err := s.findCoat(r)
	if err != nil {
		return nil, err
	}
	snap, err := s.b.Snapshot(r.Context())
	if err != nil {
		return nil, err
	}
	v := viewCoat(c, work, snap.Result, snap.At)
	v.Changes, err = s.b.Changes(r.Context(), "coat", c.ID)
	return v, err
}

func (s *Server) feels(r *http.Request) (any, error) {
	c, work, err := s.findCoat(r)
	if err != nil {
		return nil, err
	}
	out := []coat.Feel{}
	for _, f := range work.Feels {
		if f.Coat == c.ID {
			out = append(out, f)
		}
	}
	return map[string]any{"feels": out}, nil
}

// Limits of a trace: enough for a line across a wide screen.
const (
	tracePoints    = 600
	maxTracePoints = 4000
	traceAhead     = 24 * time.Hour
)

func (s *Server) trace(w http.ResponseWriter, r *http.Request) (any, error) {
	q := newQuery(r, "from", "to", "points")
	from, to := q.timeOr("from", time.Time{}), q.timeOr("to", s.b.Now().Add(traceAhead))
	points := q.whole("points", tracePoints, 2, maxTracePoints)
	if err := q.err(); err != nil {
		return nil, err
	}
	c, _, err := s.findCoat(r)
	if err != nil {
		return nil, err
	}
	if from.IsZero() {
		from = c.Applied
	}
	if !from.Before(to) {
		return nil, Faults{{Field: "to", What: "is not after from"}}
	}
	return s.computed(w, r, func(ctx context.Context) (any, error) {
		pts, err := s.b.Trace(ctx, c.ID, from, to, points)
		return struct {
			Coat   string            `json:"coat"`
			Points []coat.TracePoint `json:"points"`
		}{c.ID, orEmpty(pts)}, err
	})
}
