// SPDX-License-Identifier: Apache-2.0

// Package web serves the dashboard: pages, the JSON API, server-sent events,
// metrics and the log-in gate. It holds no state of the shop itself: all of
// that comes through [Backend].
package web

import (
	"context"
	"encoding/json"
	"time"

	"curewright/alerts"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/fault"
	"curewright/model/job"
	"curewright/sensors"
)

// Fault is one thing wrong with one field; Faults is every fault at once, an error.
type (
	Fault  = fault.Fault
	Faults = fault.List
)

// Who made a request.
type Who struct {
	ID   string // the log-in's own, "" for none
	Name string // token's name, "loopback" without a log-in, "board" on the socket
	Role Role
	// Board says that it came through the Unix socket: somebody at the board,
	// or over ssh, whom the kernel vouches for.
	Board bool
}

// Role is what a token may do. Record includes look; push may only push
// readings; control includes record.
type Role string

// The roles of the log-in gate.
const (
	Look    Role = "look"
	Record  Role = "record"
	Push    Role = "push"
	Control Role = "control"
)

// PushResult is the answer to pushed readings.
type PushResult struct {
	Taken   int           `json:"taken"`
	Refused []PushRefusal `json:"refused"`
}

// PushRefusal says which reading of the request was refused and why.
type PushRefusal struct {
	Index int    `json:"index"`
	Probe string `json:"probe"`
	Why   string `json:"why"`
}

// PushReading is one reading as pushed over the network; a nil Time means
// now.
type PushReading struct {
	Probe  string     `json:"probe"`
	Time   *time.Time `json:"time"`
	TempC  *float64   `json:"temp_c"`
	RHPct  *float64   `json:"rh_pct"`
	CO2PPM *float64   `json:"co2_ppm"`
}

// Change is one version of one record of work: created, patched or deleted.
type Change = coat.Change

// SettingsView is what GET and PUT /settings carry.
type SettingsView struct {
	SleepFrom    string     `json:"sleep_from"` // "22:30", "" for none
	SleepTo      string     `json:"sleep_to"`
	LowC         *float64   `json:"low_c"`   // tonight's expected low, °C
	LowFor       string     `json:"low_for"` // the date of that night, YYYY-MM-DD
	Units        string     `json:"units"`   // "si" or "us"
	Clock        string     `json:"clock"`   // "24h" or "12h"
	ShopName     string     `json:"shop_name"`
	FuelHeater   bool       `json:"fuel_heater"`
	AskLow       bool       `json:"ask_low"`       // read-only: the page should ask tonight's low
	ClockTrusted bool       `json:"clock_trusted"` // read-only
	WakeTested   bool       `json:"wake_tested"`   // read-only: some sound or channel was heard
	NoProbe      bool       `json:"no_probe"`      // read-only: no probe found yet
	LastBackup   *time.Time `json:"last_backup"`   // read-only
	StoreTrouble string     `json:"store_trouble"` // read-only: said aloud, "" when well
	Waits        string     `json:"waits"`         // read-only: what waits for the date, "" for nothing
	Speed        float64    `json:"speed"`         // read-only: demo's time lapse, 1 for real time
}

// Snapshot is one consistent look at the shop, the bench page's whole data.
type Snapshot struct {
	At       time.Time        `json:"at"`
	Zone     string           `json:"zone"` // IANA name or fixed offset of the shop's clock
	Result   job.Result       `json:"result"`
	Surfaces []alerts.Surface `json:"surfaces"`
	Cups     []alerts.Cup     `json:"cups"`
	Alerts   []alerts.Alert   `json:"alerts"`
	Probes   []sensors.Health `json:"probes"`
	Settings SettingsView     `json:"settings"`
	Next     []job.Next       `json:"next"` // one a panel that lies up
	Last     *EntryView       `json:"last"` // the newest entry that can be taken back; nil for none
}

// Backend is everything the pages and the API need of the daemon. Methods
// that change work return only once the change is on disk. Errors that are
// the caller's are [Faults], [ErrNotFound], [ErrConflict].
type Backend interface {
	JobBackend
	CupsBackend
	AckBackend
	StoreBackend
	SenderBackend
	MemoryBackend
	TimingBackend

	// HeatedTent is the tent with a heater, nil where there is none: every /tent
	// route then answers 404.
	HeatedTent() Tent

	Now() time.Time
	Snapshot(ctx context.Context) (Snapshot, error)
	Work(ctx context.Context) (*coat.Work, error)
	Changes(ctx context.Context, kind, id string) ([]Change, error)

	// Create stores a new record of the kind (panel, batch, coat, feel,
	// resin, piece) from its JSON and returns its id. key is the
	// Idempotency-Key, "" for none: a repeat returns the first id and
	// created false.
	Create(ctx context.Context, who Who, kind string, body json.RawMessage, key string) (id string, created bool, err error)
	Patch(ctx context.Context, who Who, kind, id string, body json.RawMessage, key string) error
	Delete(ctx context.Context, who Who, kind, id string, key string) error
	EndBatch(ctx context.Context, who Who, id string, at time.Time, leftG *float64, key string) error

	// PushReadings takes readings; accept says that a probe not heard of before
	// is accepted at once.
	PushReadings(ctx context.Context, who Who, accept bool, rs []PushReading) (PushResult, error)
	Readings(ctx context.Context, probe string, from, to time.Time, yield func(sensors.Reading) bool) error
	Trace(ctx context.Context, coatID string, from, to time.Time, points int) ([]coat.TracePoint, error)
	Probes(ctx context.Context) ([]sensors.Health, error)
	SetProbe(ctx context.Context, who Who, id string, name, role, panel *string, accepted *bool) error

	// ForgetProbe drops a pushed probe; one that is wired, named in the file or
	// used by a panel is [ErrConflict].
	ForgetProbe(ctx context.Context, who Who, id string) error

	Alerts(ctx context.Context, all bool) ([]alerts.Alert, error)
	Ack(ctx context.Context, who Who, id string) error
	TestSound(ctx context.Context, channel string, heard *bool) error

	Settings(ctx context.Context) (SettingsView, error)
	PutSettings(ctx context.Context, who Who, patch json.RawMessage) error
	// TrustClock takes a phone's time. One that what the board knows by itself
	// speaks against is answered by a [ConfirmError] until confirm repeats what that asks for.
	// [ErrConflict] where the board knows the time by itself.
	TrustClock(ctx context.Context, who Who, phone time.Time, confirm string) error

	Resins(ctx context.Context) ([]cure.Resin, error)
	FitResin(ctx context.Context, sheet json.RawMessage) (json.RawMessage, error)
	Plan(ctx context.Context, body json.RawMessage) (json.RawMessage, error)
	Pot(ctx context.Context, q PotQuery) (json.RawMessage, error)

	// Ready reports each part that has not made progress within its limit.
	Ready(ctx context.Context) []string

	// Subscribe returns a bounded channel of events; a slow reader is
	// dropped by closing it.
	Subscribe() (<-chan Event, func())

	// Authenticate and the methods after it keep the tokens, hashed with
	// [HashToken]. Redeem spends the code; a wrong, spent or expired one is
	// [ErrNotFound]. days is how long the log-in is to be good for; 0 means as
	// long as it is used.
	Authenticate(ctx context.Context, token string) (Who, bool)
	NewPairCode(ctx context.Context, role Role, name string, days int) (code string, expires time.Time, err error)
	Redeem(ctx context.Context, code, device string) (token string, who Who, err error)
	ListTokens(ctx context.Context) ([]TokenInfo, error)
	RevokeToken(ctx context.Context, id string) error
}

// PotQuery is one cup on the calculator.
type PotQuery struct {
	Resin      string
	Grams      float64
	Shape      string
	DiameterMM *float64
	DepthMM    *float64
	ShopC      float64
	StartC     *float64
}

// TokenInfo is a token without its secret.
type TokenInfo struct {
	ID      string     `json:"id"`
	Name    string     `json:"name"`
	Role    Role       `json:"role"`
	Made    time.Time  `json:"made"`
	Used    *time.Time `json:"used"`
	Days    int        `json:"days"`    // it was given for; 0: as long as it is used
	Expires *time.Time `json:"expires"` // if it is not used until then
}

// Event is one server-sent event: "snapshot" after each estimate, "reading",
// "alert", "work".
type Event struct {
	Name string
	Data json.RawMessage

	frame []byte // as it goes over the wire; nil until a [Hub] made it
}

// Errors a [Backend] returns for what is not there or clashes.
var (
	ErrNotFound = backendError("not found")
	ErrConflict = backendError("conflict")
	ErrTooMany  = backendError("too many tries")
	ErrNotKept  = backendError("not kept") // no room, or no writing: 507
	ErrNotSent  = backendError("not sent") // the other end did not take it: 502
)

type backendError string

func (e backendError) Error() string { return string(e) }

// ConfirmError asks the person once more before something is done: 409, with
// what to confirm. The same request with "confirm" set to it is taken.
type ConfirmError struct {
	Field   string
	What    string // for the person
	Confirm string // what "confirm" must say
}

func (e *ConfirmError) Error() string { return e.What }
