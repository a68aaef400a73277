// SPDX-License-Identifier: Apache-2.0

package web

import (
	"context"
	"net/http"
)

func (s *Server) heated() (Tent, error) {
	if t := s.b.HeatedTent(); t != nil {
		return t, nil
	}
	return nil, refuse(http.StatusNotFound, "", "no tent is set up here; see [tent] in the configuration file")
}

func (s *Server) tent(w http.ResponseWriter, r *http.Request) (any, error) {
	t, err := s.heated()
	if err != nil {
		return nil, err
	}
	v, err := t.Tent(r.Context())
	v.Limits, v.Past = orEmpty(v.Limits), orEmpty(v.Past)
	return v, err
}

// tentChange makes a handler of a change to the tent: it answers with the tent
// as it is afterwards.
func tentChange(do func(s *Server, w http.ResponseWriter, r *http.Request, t Tent) error) handler {
	return func(s *Server, w http.ResponseWriter, r *http.Request) (any, error) {
		t, err := s.heated()
		if err != nil {
			return nil, err
		}
		if err := do(s, w, r, t); err != nil {
			return nil, err
		}
		return s.tent(w, r)
	}
}

// tentTap is such a change that takes nothing.
func tentTap(do func(t Tent, ctx context.Context, who Who) error) handler {
	return tentChange(func(_ *Server, _ http.ResponseWriter, r *http.Request, t Tent) error {
		return do(t, r.Context(), whoOf(r))
	})
}

func (s *Server) setTent(w http.ResponseWriter, r *http.Request, t Tent) error {
	q, err := read[TentPoint](w, r)
	if err != nil {
		return err
	}
	if q.SetPointC == nil {
		return Faults{{Field: "set_point_c", What: "required; to switch off use /tent/off"}}
	}
	return t.SetTentPoint(r.Context(), whoOf(r), *q.SetPointC)
}

func (s *Server) tentOff(w http.ResponseWriter, r *http.Request, t Tent) (err error) {
	var q TentOffWhy
	if r.ContentLength != 0 {
		if q, err = read[TentOffWhy](w, r); err != nil {
			return err
		}
	}
	if q.Why == "" {
		q.Why = "switched off by hand"
	}
	return t.TentOff(r.Context(), whoOf(r), q.Why)
}

func (s *Server) tentResume(w http.ResponseWriter, r *http.Request, t Tent) error {
	q, err := read[TentResume](w, r)
	if err != nil {
		return err
	}
	if q.On == nil {
		return Faults{{Field: "on", What: "required"}}
	}
	return t.TentResume(r.Context(), whoOf(r), *q.On)
}

// tentAccept is for whoever the socket vouches for: no token and no role does.
func (s *Server) tentAccept(w http.ResponseWriter, r *http.Request, t Tent) error {
	who := whoOf(r)
	if !who.Board {
		s.refusals[refusedRole].Add(1)
		s.tellSocket(w, r)
		return refuse(http.StatusForbidden, "", "a heater's limits are accepted at the board, by nobody else: sudo curewright tent accept")
	}
	q, err := read[TentAcceptance](w, r)
	if err != nil {
		return err
	}
	if q.LimitsHash == "" {
		return Faults{{Field: "limits_hash", What: "required: that of the limits you have looked at"}}
	}
	return t.TentAccept(r.Context(), who, q.LimitsHash)
}

func (s *Server) tentAim(w http.ResponseWriter, r *http.Request) (any, error) {
	t, err := s.heated()
	if err != nil {
		return nil, err
	}
	b, err := object(w, r)
	if err != nil {
		return nil, err
	}
	return s.computed(w, r, func(ctx context.Context) (any, error) { return t.TentAim(ctx, whoOf(r), b) })
}
