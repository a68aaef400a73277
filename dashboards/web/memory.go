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

func (s *Server) memory(w http.ResponseWriter, r *http.Request) (any, error) {
	if err := known(r); err != nil {
		return nil, err
	}
	return s.computed(w, r, func(ctx context.Context) (any, error) { return s.b.Memory(ctx) })
}

func (s *Server) forgetMemory(w http.ResponseWriter, r *http.Request) (any, error) {
	b, err := object(w, r)
	if err != nil {
		return nil, err
	}
	return s.b.ForgetMemory(r.Context(), whoOf(r), b)
}

func (s *Server) memoryFile(_ http.ResponseWriter, r *http.Request) (any, error) {
	if err := known(r, "what"); err != nil {
		return nil, err
	}
	what := r.URL.Query().Get("what")
	if what != "" && what != "lots" {
		return nil, Faults{{Field: "what", What: "want lots, or nothing for all of it"}}
	}
	out, err := s.b.MemoryFile(r.Context(), what == "lots")
	return file{"curewright-memory.json", "application/json", out}, err
}

func (s *Server) importMemory(w http.ResponseWriter, r *http.Request) (any, error) {
	b, err := body(w, r, maxMemory)
	if err != nil {
		return nil, err
	}
	return s.b.ImportMemory(r.Context(), whoOf(r), b)
}
