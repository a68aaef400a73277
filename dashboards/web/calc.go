// SPDX-License-Identifier: Apache-2.0

package web

import (
	"errors"
	"net/http"
	"slices"
	"strings"

	"curewright/model/air"
	"curewright/model/cure"
	"curewright/model/words"
)

// air answers what moist air does at a point and on a panel. It is plain
// computation and asks the daemon nothing.
func (s *Server) air(_ http.ResponseWriter, r *http.Request) (any, error) {
	q := newQuery(r, "temp", "rh", "panel", "pressure")
	temp, rh, panel := q.must("temp"), q.must("rh"), q.ptr("panel")
	pressure := q.numberOr("pressure", air.StandardPressure)
	if err := q.err(); err != nil {
		return nil, err
	}
	res, err := air.Point(temp, rh, panel, pressure)
	if err != nil {
		return nil, faultsOf(err)
	}
	res.Say(words.View{Words: words.English.In(UnitsOf(r.Context()))})
	return res, nil
}

// faultsOf splits joined errors, so that each is its own line. What stands
// before the first colon is the field.
func faultsOf(err error) Faults {
	list := []error{err}
	if j, ok := err.(interface{ Unwrap() []error }); ok {
		list = j.Unwrap()
	}
	var f Faults
	for _, e := range list {
		if inner, ok := errors.AsType[Faults](e); ok {
			f = append(f, inner...)
			continue
		}
		text := strings.TrimPrefix(e.Error(), "air: ")
		field, what, ok := strings.Cut(text, ": ")
		if !ok || strings.Contains(field, " ") {
			field, what = "", text
		}
		f = append(f, Fault{Field: field, What: what})
	}
	return f
}

// Bounds of a steady calculation: beyond them no set says anything.
const (
	minSteadyC, maxSteadyC = -20, 120
	minKappa, maxKappa     = 0.1, 10
)

func (s *Server) cure(_ http.ResponseWriter, r *http.Request) (any, error) {
	q := newQuery(r, "resin", "temp", "kappa", "diffusion")
	temp, kappa := q.must("temp"), q.numberOr("kappa", 1)
	if !(temp >= minSteadyC && temp <= maxSteadyC) {
		q.bad("temp", "want °C from -20 to 120")
	}
	if !(kappa >= minKappa && kappa <= maxKappa) {
		q.bad("kappa", "want a factor from 0.1 to 10")
	}
	diffusion := q.flag("diffusion", true)
	name := q.text("resin")
	if name == "" {
		q.bad("resin", "required")
	}
	if err := q.err(); err != nil {
		return nil, err
	}
	rs, err := s.b.Resins(r.Context())
	if err != nil {
		return nil, err
	}
	if i := slices.IndexFunc(rs, func(x cure.Resin) bool { return x.Name == name }); i >= 0 {
		return cure.Steady(rs[i], temp, kappa, diffusion), nil
	}
	return nil, refuse(http.StatusNotFound, "resin", "no epoxy named "+short(name))
}
