// SPDX-License-Identifier: Apache-2.0

package web

import (
	"context"
	"encoding/json"
	"net/http"
)

// MemoryBackend is what was learnt of coats, the part of [Backend] behind /memory.
type MemoryBackend interface {
	// Memory is what was learnt: claims, each with its coats, and why a coat
	// taught nothing.
	Memory(ctx context.Context) (json.RawMessage, error)
	// ForgetMemory forgets what fits {"all"} or any of {"coat","resin","lot","person"}.
	ForgetMemory(ctx context.Context, who Who, body json.RawMessage) (json.RawMessage, error)
	// MemoryFile is all of it as one file, or what a yard may share: of resins
	// and lots alone.
	MemoryFile(ctx context.Context, lots bool) ([]byte, error)
	// ImportMemory takes such a file; one that cannot be read is [Faults] and
	// changes nothing.
	ImportMemory(ctx context.Context, who Who, file []byte) (json.RawMessage, error)
}

// maxMemory is the largest memory file that is read.
const maxMemory = 4 << 20

func (s *Server) memory(w http.ResponseWriter, r *http.Request) {
	if !s.query(w, r) {
		return
	}
	r, done, ok := s.work(w, r, s.compute, computeFor)
	if !ok {
		return
	}
	defer done()
	out, err := s.b.Memory(r.Context())
	s.raw(w, r, out, err)
}

func (s *Server) forgetMemory(w http.ResponseWriter, r *http.Request) {
	if body, ok := s.object(w, r); ok {
		out, err := s.b.ForgetMemory(r.Context(), whoOf(r), body)
		s.raw(w, r, out, err)
	}
}

func (s *Server) memoryFile(w http.ResponseWriter, r *http.Request) {
	if !s.query(w, r, "what") {
		return
	}
	what := r.URL.Query().Get("what")
	if what != "" && what != "lots" {
		s.fail(w, r, http.StatusBadRequest, "what", "want lots, or nothing for all of it")
		return
	}
	out, err := s.b.MemoryFile(r.Context(), what == "lots")
	if err != nil {
		s.problem(w, r, err)
		return
	}
	attach(w, r, "curewright-memory.json", "application/json", out)
}

func (s *Server) importMemory(w http.ResponseWriter, r *http.Request) {
	body, ok := s.body(w, r, maxMemory)
	if !ok {
		return
	}
	out, err := s.b.ImportMemory(r.Context(), whoOf(r), body)
	s.raw(w, r, out, err)
}
