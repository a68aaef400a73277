// SPDX-License-Identifier: Apache-2.0

package web

import (
	"net/http"
)

// cared answers with the tent as it is after a change.
func (s *Server) cared(w http.ResponseWriter, r *http.Request, err error) {
	if err != nil {
		s.problem(w, r, err)
		return
	}
	s.tent(w, r)
}

func (s *Server) tentSolvent(w http.ResponseWriter, r *http.Request) {
	if t, ok := s.tentOf(w, r); ok {
		s.cared(w, r, t.TentSolvent(r.Context(), whoOf(r)))
	}
}

func (s *Server) tentRelease(w http.ResponseWriter, r *http.Request) {
	if t, ok := s.tentOf(w, r); ok {
		s.cared(w, r, t.TentRelease(r.Context(), whoOf(r)))
	}
}

func (s *Server) tentResume(w http.ResponseWriter, r *http.Request) {
	t, ok := s.tentOf(w, r)
	if !ok {
		return
	}
	var q TentResume
	if !s.read(w, r, &q) {
		return
	}
	if q.On == nil {
		s.fail(w, r, http.StatusBadRequest, "on", "required")
		return
	}
	s.cared(w, r, t.TentResume(r.Context(), whoOf(r), *q.On))
}

func (s *Server) tentAimOff(w http.ResponseWriter, r *http.Request) {
	if t, ok := s.tentOf(w, r); ok {
		s.cared(w, r, t.TentAimOff(r.Context(), whoOf(r)))
	}
}

func (s *Server) tentAim(w http.ResponseWriter, r *http.Request) {
	t, ok := s.tentOf(w, r)
	if !ok {
		return
	}
	if b, ok := s.object(w, r); ok {
		r, done, ok := s.work(w, r, s.compute, computeFor)
		if !ok {
			return
		}
		defer done()
		out, err := t.TentAim(r.Context(), whoOf(r), b)
		s.raw(w, r, out, err)
	}
}

// tentAccept is for whoever the socket vouches for: no token and no role does.
func (s *Server) tentAccept(w http.ResponseWriter, r *http.Request) {
	t, ok := s.tentOf(w, r)
	if !ok {
		return
	}
	who := whoOf(r)
	if !who.Board {
		s.refusals[refusedRole].Add(1)
		s.tellSocket(w, r)
		s.fail(w, r, http.StatusForbidden, "", "a heater's limits are accepted at the board, by nobody else: sudo curewright tent accept")
		return
	}
	var q TentAcceptance
	if !s.read(w, r, &q) {
		return
	}
	if q.LimitsHash == "" {
		s.fail(w, r, http.StatusBadRequest, "limits_hash", "required: that of the limits you have looked at")
		return
	}
	s.cared(w, r, t.TentAccept(r.Context(), who, q.LimitsHash))
}
