// SPDX-License-Identifier: Apache-2.0

package web

import (
	"encoding/json"
	"slices"
	"time"

	"curewright/model/coat"
	"curewright/model/job"
	"curewright/sensors"
)

// Quantities are the values of one reading; a missing one is null.
type Quantities struct {
	At     time.Time     `json:"at"`
	TempC  sensors.Value `json:"temp_c"`
	RHPct  sensors.Value `json:"rh_pct"`
	CO2PPM sensors.Value `json:"co2_ppm"`
}

// ProbeView is a probe as pages see it: its health, and its value in two
// places that cannot be confused. Now is null unless the reading is fresh;
// Last is history and must be shown with its age.
type ProbeView struct {
	sensors.Health
	LastAt *time.Time  `json:"last_at"`
	ErrAt  *time.Time  `json:"error_at"`
	EveryS float64     `json:"every_s"`
	StaleS float64     `json:"stale_s"`
	AgeS   *float64    `json:"age_s"` // of Last; null: none yet
	Now    *Quantities `json:"now"`
	Last   *Quantities `json:"last"`
}

// ViewProbe returns the probe as it stands at the given time.
func ViewProbe(h sensors.Health, now time.Time) ProbeView {
	v := ProbeView{Health: h, EveryS: h.Every.Seconds(), StaleS: h.Stale.Seconds()}
	if v.Name == "" {
		v.Name = h.Probe
	}
	if v.Errors == nil {
		v.Errors = map[string]uint64{}
	}
	if !h.ErrAt.IsZero() {
		v.ErrAt = &h.ErrAt
	}
	if !h.LastAt.IsZero() {
		at, age := h.LastAt, max(0, now.Sub(h.LastAt).Seconds())
		v.LastAt, v.AgeS = &at, &age
		v.Last = &Quantities{At: at, TempC: h.Last.Temp, RHPct: h.Last.RH, CO2PPM: h.Last.CO2}
		if r, ok := h.Now(now); ok {
			v.Now = &Quantities{At: at, TempC: r.Temp, RHPct: r.RH, CO2PPM: r.CO2}
		}
	}
	return v
}

func viewProbes(hs []sensors.Health, now time.Time) []ProbeView {
	out := make([]ProbeView, len(hs))
	for i, h := range hs {
		out[i] = ViewProbe(h, now)
	}
	return out
}

// health is the reverse of ViewProbe.
func (v ProbeView) health() sensors.Health {
	h := v.Health
	h.Every = time.Duration(v.EveryS * float64(time.Second))
	h.Stale = time.Duration(v.StaleS * float64(time.Second))
	if v.ErrAt != nil {
		h.ErrAt = *v.ErrAt
	}
	if v.LastAt != nil {
		h.LastAt = *v.LastAt
	}
	if v.Last != nil {
		h.Last = sensors.Reading{Probe: h.Probe, At: v.Last.At, Temp: v.Last.TempC, RH: v.Last.RHPct, CO2: v.Last.CO2PPM}
	}
	return h
}

// snapshotWire is a snapshot with its probes as they are written.
type snapshotWire struct {
	plainSnapshot
	Probes []ProbeView `json:"probes"`
}

type plainSnapshot Snapshot

// MarshalJSON writes the probes as [ProbeView] and empty lists as [].
func (s Snapshot) MarshalJSON() ([]byte, error) {
	w := snapshotWire{plainSnapshot(s), viewProbes(s.Probes, s.At)}
	w.Surfaces, w.Cups, w.Alerts, w.Next = orEmpty(s.Surfaces), orEmpty(s.Cups), orEmpty(s.Alerts), orEmpty(s.Next)
	w.Result.Coats = make([]coat.Estimate, len(s.Result.Coats))
	for i, e := range s.Result.Coats {
		w.Result.Coats[i] = estimateWithLists(e)
	}
	return json.Marshal(w)
}

// estimateWithLists writes lists that nobody filled as [] and not as null, so that
// a page can go through them without asking.
func estimateWithLists(e coat.Estimate) coat.Estimate {
	e.UnknownWhy, e.Notes = orEmpty(e.UnknownWhy), orEmpty(e.Notes)
	e.Say, e.Because = orEmpty(e.Say), orEmpty(e.Because)
	e.Strip.Segments, e.Strip.Feels = orEmpty(e.Strip.Segments), orEmpty(e.Strip.Feels)
	e.Strip.Gaps, e.Strip.Drops = orEmpty(e.Strip.Gaps), orEmpty(e.Strip.Drops)
	return e
}

// UnmarshalJSON reads what MarshalJSON writes.
func (s *Snapshot) UnmarshalJSON(b []byte) error {
	var w snapshotWire
	if err := json.Unmarshal(b, &w); err != nil {
		return err
	}
	*s = Snapshot(w.plainSnapshot)
	for _, v := range w.Probes {
		s.Probes = append(s.Probes, v.health())
	}
	return nil
}

// CoatView is one coat: the estimate's keys, flat, and what stands in the
// record. A coat that has ended, or has none yet, carries an estimate of
// which only the identity is filled and whose state is unknown.
type CoatView struct {
	coat.Estimate
	Record  coat.Coat    `json:"record"`
	Open    bool         `json:"open"`
	Feels   []coat.Feel  `json:"feels"`
	Batches []coat.Batch `json:"batches"`
	Changes []Change     `json:"changes,omitempty"`
}

func viewCoat(c coat.Coat, w *coat.Work, res job.Result, now time.Time) CoatView {
	v := CoatView{
		Estimate: coat.Estimate{
			ID: c.ID, Panel: c.Panel, Resin: c.Resin, Kind: c.Kind, AppliedAt: c.Applied,
			State: coat.Unknown, UnknownWhy: []string{}, Blush: coat.Blush{Band: "unknown"},
		},
		Record: c, Open: c.Open(now), Feels: []coat.Feel{}, Batches: []coat.Batch{},
	}
	for _, e := range res.Coats {
		if e.ID == c.ID {
			v.Estimate = e
		}
	}
	v.Estimate = estimateWithLists(v.Estimate)
	for _, f := range w.Feels {
		if f.Coat == c.ID {
			v.Feels = append(v.Feels, f)
		}
	}
	for _, b := range w.Batches {
		if slices.Contains(c.Batches, b.ID) {
			v.Batches = append(v.Batches, b)
		}
	}
	return v
}
