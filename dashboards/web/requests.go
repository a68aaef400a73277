// SPDX-License-Identifier: Apache-2.0

package web

import "time"

// The bodies of requests that are not a record of work or an entry of a job.

// ProbePatch is what PUT /probes/ID takes; what is left out stays.
type ProbePatch struct {
	Name     *string `json:"name"`     // what people call it, 1 to 60 characters
	Role     *string `json:"role"`     // air, panel, pot, outdoor, tent or nothing
	Panel    *string `json:"panel"`    // the panel that it is on
	Accepted *bool   `json:"accepted"` // whether its readings are kept
}

// SoundTest sounds a channel, or says whether its test was heard.
type SoundTest struct {
	Channel string `json:"channel"`
	Heard   *bool  `json:"heard"` // left out: sound it
}

// ClockTime is the time that a person vouches for.
type ClockTime struct {
	Time    *time.Time `json:"time"`    // between 2025 and 2100
	Confirm string     `json:"confirm"` // the date, once more, where a 409 asked for it
}

// TentPoint is a plain hold.
type TentPoint struct {
	SetPointC *float64 `json:"set_point_c"` // °C, within the file's limits
}

// TentOffWhy says why the heater goes off.
type TentOffWhy struct {
	Why string `json:"why"` // left out: by hand
}

// TentResume ticks whether heat comes back by itself after a power cut.
type TentResume struct {
	On *bool `json:"on"`
}

// TentAcceptance accepts the heater's limits in force.
type TentAcceptance struct {
	LimitsHash string `json:"limits_hash"` // of the limits that were looked at
}

// NewPairCode asks for a code that a phone or a program logs in with.
type NewPairCode struct {
	Role Role   `json:"role"`
	Name string `json:"name"` // of the log-in, up to 60 bytes
	Days int    `json:"days"` // that it is good for; 0: as long as it is used
}

// Pairing redeems such a code.
type Pairing struct {
	Code   string `json:"code"`
	Device string `json:"device"` // what the log-in is called, up to 60 bytes
}

// BatchEnd says that a cup is empty or thrown away.
type BatchEnd struct {
	At    *time.Time `json:"at"`     // left out: now
	LeftG *float64   `json:"left_g"` // what was left in it, g
}

// StockFile is the list of containers as CSV.
type StockFile struct {
	CSV FileText `json:"csv"`
}
