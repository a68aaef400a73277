// SPDX-License-Identifier: Apache-2.0

package web

import (
	"context"
	"encoding/json"
	"net/http"

	"curewright/model/mix"
)

// CupsBackend is what a daemon that mixes and keeps stock adds to its
// [Backend]; without it the routes answer 404.
type CupsBackend interface {
	// Mix answers what to mix, and how the pouring stands.
	Mix(ctx context.Context, q MixQuery) (json.RawMessage, error)
	// Stock is every container with what is left of it, and where it ends for
	// the jobs that are written.
	Stock(ctx context.Context) (json.RawMessage, error)
	StockCSV(ctx context.Context) ([]byte, error)
	// ImportStock takes a file whole or not at all; containers whose id is known
	// are corrected.
	ImportStock(ctx context.Context, who Who, file []byte, key string) (json.RawMessage, error)
	// Laminate is what each coat left on a panel; ErrNotFound for no such panel.
	Laminate(ctx context.Context, panel string) (json.RawMessage, error)
	// Bill is what a piece took and wasted.
	Bill(ctx context.Context, piece string) (json.RawMessage, error)
}

// MixQuery asks what to mix, by mass or by a coat's area and cloth. What is
// left out is taken from the panel, the shop's probes and the tables.
type MixQuery struct {
	Resin       string        `json:"resin"`
	Grams       *float64      `json:"grams"`
	Panel       string        `json:"panel"`
	AreaM2      *float64      `json:"area_m2"`
	Share       *float64      `json:"share"` // of the panel's area
	Kind        string        `json:"kind"`
	Cloth       string        `json:"cloth"`
	Core        string        `json:"core"`
	PeelPly     bool          `json:"peel_ply"`
	DepthMM     *float64      `json:"depth_mm"`
	WorkMinutes *float64      `json:"work_minutes"`
	Vessel      string        `json:"vessel"`
	People      *int          `json:"people"`
	ShopC       *float64      `json:"shop"`
	StartC      *float64      `json:"start"`
	ScaleG      *float64      `json:"scale_g"`
	FillerPct   *float64      `json:"filler_pct"`
	Pump        *mix.Pump     `json:"pump"`
	CupG        *float64      `json:"cup_g"`
	Readings    []mix.Reading `json:"readings"`
	Mixes       string        `json:"mixes"`  // who mixes, where two work
	Lays        string        `json:"lays"`   // whose own grams; "": of all who lay here
	Whole       bool          `json:"whole"`  // one batch, as the job divided it
	Tables      bool          `json:"tables"` // grams by the tables alone, not as learnt
}

func (s *Server) mix(w http.ResponseWriter, r *http.Request) (any, error) {
	q, err := decode[MixQuery](w, r, true)
	if err != nil {
		return nil, err
	}
	if len(q.Readings) > 200 {
		return nil, Faults{{Field: "readings", What: "more than 200 of them"}}
	}
	return s.b.Mix(r.Context(), q)
}

func (s *Server) stockCSV(r *http.Request) (any, error) {
	out, err := s.b.StockCSV(r.Context())
	return file{"stock.csv", "text/csv; charset=utf-8", out}, err
}

func (s *Server) importStock(w http.ResponseWriter, r *http.Request) (any, error) {
	key, err := keyOf(w, r)
	if err != nil {
		return nil, err
	}
	q, err := read[StockFile](w, r)
	if err != nil {
		return nil, err
	}
	return s.b.ImportStock(r.Context(), whoOf(r), []byte(q.CSV), key)
}
