// SPDX-License-Identifier: Apache-2.0

// Package alerts turns readings and model results into alerts with a life
// cycle (pending, firing, acknowledged, resolved), keeps that life cycle over
// restarts, and hands messages to channels through a durable outbox.
//
// It decides and delivers; it estimates nothing. It imports neither the heater, nor the pages,
// nor the store: the daemon collects what is known in an [Input].
package alerts

import (
	"time"

	"curewright/model/coat"
	"curewright/model/words"
	"curewright/sensors"
)

// Cup is one mixed batch that has not been used up, with its countdown.
type Cup struct {
	Batch   string    `json:"batch"`
	Resin   string    `json:"resin"`
	Grams   *float64  `json:"grams"` // resin and hardener; nil when not weighed
	Mixed   time.Time `json:"mixed"`
	EndsAt  time.Time `json:"ends_at"` // cautious end of working time
	Class   string    `json:"class"`   // what it does if left: "low", "caution", "runaway"
	Measure string    `json:"measure"` // where the time comes from: "model", "sheet", "pot probe"

	// HotAt is the cautious moment at which it is too hot to hold (60 °C); nil
	// when it is not expected to be within 12 h.
	HotAt *time.Time `json:"hot_at"`
	// DangerFrom is when the danger alert begins: ten minutes before HotAt, but
	// not before half of the time from mixing to HotAt has passed. nil: no danger is called,
	// since none is expected, the cup is on the panel already, or it was
	// entered when its time was over.
	DangerFrom *time.Time `json:"danger_from"`
	Danger     string     `json:"danger"`   // now, soon, later, none: by the time left until HotAt
	OnPanel    bool       `json:"on_panel"` // a coat was made of it and nobody entered that some is left
	Late       bool       `json:"late"`     // entered after its time was over

	Work string `json:"work,omitempty"` // how long it can be worked
	Left string `json:"left,omitempty"` // what it does if it is left standing
	Do   string `json:"do,omitempty"`   // what to do now
}

// Surface is moist air at one panel now.
type Surface struct {
	Panel      string   `json:"panel"`
	TempC      *float64 `json:"temp_c"`
	AirC       *float64 `json:"air_c"`
	RHPct      *float64 `json:"rh_pct"`
	DewC       *float64 `json:"dew_point_c"`
	MarginK    *float64 `json:"dew_margin_k"`
	PanelRHPct *float64 `json:"panel_rh_pct"`
	// Estimated says that no probe lies on the panel: the margin is computed for the
	// air's temperature less 2 K, since the panel may be colder than the air.
	Estimated bool `json:"estimated"`
}

// Input is everything that one evaluation is based on. The daemon collects it after
// each estimate.
type Input struct {
	Now          time.Time
	ClockTrusted bool
	// DateSet counts how often the date was set: when it differs from the last
	// step's, Now may have jumped without any time going by.
	DateSet    int
	Estimates  []coat.Estimate
	Work       *coat.Work
	Probes     []sensors.Health
	Surfaces   []Surface
	Cups       []Cup
	Conditions []Condition // from the tent, the store, the clock
	// NoEstimate says that this evaluation has no estimates because none could be
	// made, not because no coat is open: alerts about coats and panels stay
	// as they are.
	NoEstimate bool
}

// Condition is a fault that another part of the daemon reports.
type Condition struct {
	Rule     string // e.g. "tent_off_by_safety", "store_full", "clock_in_doubt"
	Subject  string // what it is about, "" for the whole shop
	Severity Severity
	// Case picks one of the rule's sentences in the catalogue, and Facts fill it
	// in. Say is instead of both: a sentence that another part has already.
	Case  string
	Facts words.Facts
	Say   string
}

// Severity orders what the person hears first.
type Severity string

// Danger may hurt or burn; Act can be acted on now; Soon is a coming edge;
// Note is for the log and the morning.
const (
	Danger Severity = "danger"
	Act    Severity = "act"
	Soon   Severity = "soon"
	Note   Severity = "note"
)

// Alert is one firing of one rule about one subject.
type Alert struct {
	ID       string     `json:"id"`
	Rule     string     `json:"rule"`
	Subject  string     `json:"subject"` // coat, panel, probe or batch id
	Panel    string     `json:"panel,omitempty"`
	Severity Severity   `json:"severity"`
	State    string     `json:"state"` // pending, firing, acknowledged, resolved
	Say      string     `json:"say"`   // what to do, one sentence
	Since    time.Time  `json:"since"` // condition first seen
	FiredAt  *time.Time `json:"fired_at"`
	AckedAt  *time.Time `json:"acked_at"`
	AckedBy  string     `json:"acked_by,omitempty"`
	EndedAt  *time.Time `json:"ended_at"`
	Sound    string     `json:"sound"` // "act now", "closing", "danger" or ""
	// ActBy is the cautious last moment at which acting still helps (a
	// window's end, a cup's end); nil where there is none.
	ActBy *time.Time `json:"act_by,omitempty"`
	// EndedBy is "person" where somebody's own act ended it (the cup used up,
	// the coat ended), else "cleared"; "" while it lasts.
	EndedBy string `json:"ended_by,omitempty"`
	// EscalatedAt is when it had gone unacknowledged too long.
	EscalatedAt *time.Time `json:"escalated_at,omitempty"`
	// Times counts how often it fired, more than once where it comes and goes.
	Times int `json:"times,omitempty"`
}
