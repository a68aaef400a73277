// SPDX-License-Identifier: Apache-2.0

// Package job reads job files, checks the record of work, and runs the
// estimator over small [Readings] and work inputs: the same one for the
// daemon and for offline replay, so that both give the same states and
// windows.
//
// It stores nothing and has no clock: package history has the store, and the caller
// passes the time.
package job

import (
	"iter"
	"time"

	"curewright/model/coat"
	"curewright/model/memory"
	"curewright/model/words"
)

// Sample is one moment of one probe, as the model reads it. A quantity that
// is missing is NaN, which every consumer tests before use.
type Sample struct {
	At    time.Time
	TempC float64
	RHPct float64
	CO2   float64 // ppm
}

// Readings is where the estimator takes samples from: the daemon's store, or
// a CSV file in memory.
type Readings interface {
	// Samples yields the probe's samples in [from, to], oldest first. A probe
	// that is not known yields nothing.
	Samples(probe string, from, to time.Time) iter.Seq[Sample]
	// Version changes whenever samples of the probe were added or changed other
	// than after its newest one.
	Version(probe string) uint64
}

// Clock is an hour and minute of the day, minutes after midnight.
type Clock int

// Settings is what the person entered besides the work itself.
type Settings struct {
	Loc   *time.Location   // the shop's clock; nil means the coat's own offset
	Words *words.Catalogue // language of sentences; nil for English

	SleepFrom, SleepTo Clock // equal: no sleeping hours

	// LowC is the expected overnight low, °C, for the night that begins on
	// LowFor; nil when not entered.
	LowC   *float64
	LowFor time.Time

	Outdoor    string   // probe outdoors, "" for none
	Air        string   // shop air probe where a panel names none
	SetPointC  *float64 // the tent's set point, nil when not held
	FuelHeater bool     // an unvented fuel heater is declared on

	// ProbeSDK is a probe's stated accuracy (one standard deviation, K) by
	// name; DefaultProbeSDK where absent.
	ProbeSDK map[string]float64

	// Held are stretches, in order, whose length is known only from a doubtful date:
	// no coat cures during them, see [coat.TrackOptions].
	Held []coat.Span

	// Memory is what the shop's own coats taught; nil for none: then only the
	// present finger tests count. Board is this board's name among those that
	// share.
	Memory *memory.Memory
	Board  string
	// People names the person of each finger test, by its id; Person is who felt
	// last.
	People map[string]string
	Person string
}

// Result is the estimate of every coat that is not ended, at one time.
type Result struct {
	At    time.Time       `json:"at"`
	Coats []coat.Estimate `json:"coats"`
	Shop  *ShopNow        `json:"shop,omitempty"`
}

// ShopNow is the air forecast that the coats were judged under.
type ShopNow struct {
	Air     string     `json:"air"`
	TempC   *float64   `json:"temp_c"`
	LowC    *coatBand  `json:"low_c"`   // the coldest of the next 18 h
	LowAt   *time.Time `json:"low_at"`  // at the median path
	Quality string     `json:"quality"` // "wide default", "fitted", ...
	// Learnt is what the readings showed of the shed; nil where they are too few.
	Learnt *memory.Shed `json:"-"`
}

type coatBand = coat.Band
