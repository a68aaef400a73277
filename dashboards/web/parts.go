// SPDX-License-Identifier: Apache-2.0

package web

import (
	"context"
	"encoding/json"
	"io"
	"time"

	"curewright/alerts"
)

// Tent is a tent with a heater, and what a person does at it. Nothing here can
// raise a limit of the file.
type Tent interface {
	Tent(ctx context.Context) (TentView, error)
	// SetTentPoint asks for a set point in °C inside the file's limits; a
	// value outside them is [Faults].
	SetTentPoint(ctx context.Context, who Who, setPointC float64) error
	// TentOff switches the heater off until a person switches it on again.
	TentOff(ctx context.Context, who Who, why string) error
	// TentSolvent keeps heat off for 30 minutes.
	TentSolvent(ctx context.Context, who Who) error
	// TentRelease takes back a latch, as somebody who has looked; [ErrConflict]
	// where nothing is latched.
	TentRelease(ctx context.Context, who Who) error
	// TentAccept accepts the limits in force, named by their hash; [ErrConflict]
	// where they are others by now, [ErrNotKept] where it could not be written.
	// Only somebody at the board may.
	TentAccept(ctx context.Context, who Who, hash string) error
	// TentResume ticks "resume after power cut".
	TentResume(ctx context.Context, who Who, on bool) error
	// TentAim plans the set points that land a coat's window; with apply set
	// they are followed from now on.
	TentAim(ctx context.Context, who Who, body json.RawMessage) (json.RawMessage, error)
	// TentAimOff goes back to the plain hold.
	TentAimOff(ctx context.Context, who Who) error
}

// TentView is the tent as pages and metrics show it.
type TentView struct {
	PanelC    *float64 `json:"panel_c"`
	AirC      *float64 `json:"air_c"`
	SetPointC *float64 `json:"set_point_c"` // nil: not held
	MinC      *float64 `json:"min_c"`       // the file's limits of the set point
	MaxC      *float64 `json:"max_c"`
	// Heater is "on", "off" or "unknown"; Why says in a sentence why it is off.
	Heater  string     `json:"heater"`
	Why     string     `json:"why"`
	Latched bool       `json:"latched"`    // off by safety, wants a person
	Since   *time.Time `json:"since"`      // of the last switching
	OnToday *float64   `json:"on_today_h"` // in the last 24 h
	// LeaseS is how long the relay stays on if nothing renews it, s.
	LeaseS *float64 `json:"lease_s"`
	Output string   `json:"output"` // "relay", "plug", "command"
	Switch uint64   `json:"switchings"`

	Word       string   `json:"word"`         // the reason in one word
	WishC      *float64 `json:"wish_c"`       // the plain hold that a person asked for
	RampC      *float64 `json:"ramp_c"`       // where its slow rise stands now
	Planned    bool     `json:"planned"`      // the set point comes from a plan that lands a window
	LimitC     *float64 `json:"limit_c"`      // what the limit probe says
	DewC       *float64 `json:"dew_point_c"`  // of the tent's air
	MarginK    *float64 `json:"dew_margin_k"` // panel above it
	SolventMin *float64 `json:"solvent_min"`  // how long solvent still keeps heat off
	Resume     bool     `json:"resume"`       // comes back by itself after a power cut
	// Aim is what a plan is made for and how likely it is, null for none.
	Aim json.RawMessage `json:"aim"`
	// Offers are the coats in the tent with the wishes that can be met at all,
	// null where nothing is estimated.
	Offers json.RawMessage `json:"offers"`
	// Learned is what the tent showed of itself, null until it did.
	Learned json.RawMessage `json:"learned"`
	// Limits are the lines that a person accepts at the board, LimitsHash what
	// names them, and NotAccepted says why there is no heat by them, "" where
	// they are accepted.
	Limits      []string `json:"limits"`
	LimitsHash  string   `json:"limits_hash"`
	NotAccepted string   `json:"not_accepted"`
	// Past is the last day in quarter hours, oldest first, since the daemon
	// began.
	Past []TentPast `json:"past"`
	// Cautions are shown wherever heat can be asked for.
	Cautions string `json:"cautions"`
}

// TentPast is what a tent did in the quarter hour before At.
type TentPast struct {
	At     time.Time `json:"at"`
	PanelC *float64  `json:"panel_c"` // °C, nil where it was not read
	ShedC  *float64  `json:"shed_c"`  // of the shed around it, mean
	SetC   *float64  `json:"set_c"`   // asked at the end, nil for not held
	Share  float64   `json:"share"`   // of the time that the heater was on, 0 to 1
}

// AckBackend serves the links in messages: a token good once, for one alert,
// expiring with it. Both return [ErrNotFound] for a token that is unknown,
// spent or expired.
type AckBackend interface {
	AckLook(ctx context.Context, token string) (alerts.Alert, error)
	AckByLink(ctx context.Context, token string) (alerts.Alert, error)
}

// StoreBackend gives out what the store holds: the printed record, a copy of all
// of it, and how it fares.
type StoreBackend interface {
	// Record returns the cure record of a panel's piece as "html", "json" or
	// "csv". The HTML is served under a policy of its own that allows its embedded
	// style and nothing else.
	Record(ctx context.Context, panel, format string) ([]byte, error)
	// Backup writes a consistent copy of the whole store.
	Backup(ctx context.Context, w io.Writer) error
	// Restore reads a copy made by Backup to its end and puts it in the place
	// of the store, now or at the next start; next says which, in a sentence.
	// What is not a whole copy of ours is [Faults], and changes nothing.
	Restore(ctx context.Context, who Who, r io.Reader) (next string, err error)
	StoreStats() StoreStats
	IntakeStats() []IntakeStats
}

// SenderBackend says how what is sent elsewhere gets through: alerts by their
// channels, history to other systems.
type SenderBackend interface {
	AlertChannels(ctx context.Context) []ChannelStats
	Forwards(ctx context.Context) []ForwardStats
}

// StoreStats is the health of the store. A nil number is not known.
type StoreStats struct {
	Bytes       *float64   // on disk
	FreeBytes   *float64   // left on its file system
	Readings    *float64   // kept
	Pending     *float64   // taken but not yet on disk
	LastWrite   *time.Time // last successful commit
	Written     uint64     // readings written since start
	WriteErrors uint64
	SetAside    uint64 // damaged blobs and rows set aside since the store was made
	Oldest      *time.Time
	LastBackup  *time.Time
	CleanStop   *bool // whether the run before this one stopped cleanly
	DroppedOld  uint64
	TroubleNow  bool
}

// IntakeStats counts what came in by one way: "http", "mqtt", "poll", "file".
type IntakeStats struct {
	Intake  string
	Taken   uint64
	Refused map[string]uint64 // by one-word reason
}
