// SPDX-License-Identifier: Apache-2.0

package coat

import "time"

// Band is a p10–p50–p90 of a number.
type Band struct {
	P10 float64 `json:"p10"`
	P50 float64 `json:"p50"`
	P90 float64 `json:"p90"`
}

// TimeBand is a p10–p50–p90 of a time; a quantile that is not reached within
// the horizon is nil.
type TimeBand struct {
	P10 *time.Time `json:"p10"`
	P50 *time.Time `json:"p50"`
	P90 *time.Time `json:"p90"`
}

// Probabilities of the five states; they sum to one.
type Probabilities struct {
	Wet   float64 `json:"wet"`
	Tacky float64 `json:"tacky"`
	Green float64 `json:"green"`
	Firm  float64 `json:"firm"`
	Hard  float64 `json:"hard"`
}

// List is each one's, in the order of [States].
func (p Probabilities) List() []float64 {
	return []float64{p.Wet, p.Tacky, p.Green, p.Firm, p.Hard}
}

// Why a state is unknown.
const (
	ColdGlass    = "cold_glass"
	BelowMinimum = "below_minimum"
	OutsideRange = "outside_range"
	NoReading    = "no_reading"
	Gap          = "gap"
	OffRatio     = "off_ratio" // a cup of it is off its mix ratio
)

// Kinds of window; see the package's words.
const (
	WindowCloth = "cloth"
	WindowWet   = "wet"
	WindowCoat  = "coat"
	WindowFill  = "fill"
)

// Window is when the next thing may go on. Opens and Closes are the cautious
// edges that a permission speaks from: where one is foreseen, its beginning and
// the p10 of the next closing; else the p90 of the opening and that. The bands
// carry the doubt. A nil edge is not reached within the horizon.
type Window struct {
	Kind       string     `json:"kind"`
	Opens      *time.Time `json:"opens"`
	Closes     *time.Time `json:"closes"`
	OpensBand  TimeBand   `json:"opens_band"`
	ClosesBand TimeBand   `json:"closes_band"`
	// Status is "before", "open", "closed", "cold" (not now: too cold, or shut
	// until it is warmed) or "unknown", by the middle of the doubt.
	Status string `json:"status"`
	// Inside is the probability that the window is open now; Permits says that
	// the thing may go on now.
	Inside  *float64 `json:"inside"`
	Permits bool     `json:"permits"`
	// Best is from when a fill coat bonds and lies best: once the coat stops
	// sticking. Nil for other windows, and once that has come.
	Best *time.Time `json:"best,omitempty"`
	// FeelFrom is the next time to feel it, where no permission is foreseen
	// without that; nil where none is worth it.
	FeelFrom *time.Time `json:"feel_from"`
}

// Covered says that the next coat lies on this one.
type Covered struct {
	At      time.Time `json:"at"`
	By      string    `json:"by"` // the coat that lies on it
	State   State     `json:"state"`
	Minutes float64   `json:"minutes"` // since it was applied
	Fell    Fell      `json:"fell"`
}

// Where a coat fell in the window of the one below it.
const (
	FellInside  = "inside"
	FellBefore  = "before"
	FellAfter   = "after"
	FellUnknown = "not known"
)

// Fell is how a coat went onto the one below it.
type Fell struct {
	On      string `json:"on"` // the coat below
	Window  string `json:"window"`
	Verdict string `json:"verdict"`
	Sure    bool   `json:"sure"` // with a probability of .8
	// State is what the coat below was then, ClosedAt when its window had
	// closed, where it had.
	State    State      `json:"state"`
	ClosedAt *time.Time `json:"closed_at,omitempty"`
	// Do is what is to be done about it: "" for nothing, "let_be", "take_off"
	// (while it is wet: off with it, wash and abrade what lies below), or
	// "if_abraded" (it went onto a hard coat: right if that was abraded).
	Do string `json:"do,omitempty"`
}

// Facts are what an estimate's words are made from beside its own fields. Each
// is set only where it holds, and is said once.
type Facts struct {
	WashFirst   bool       `json:"wash_first,omitempty"`
	From        *time.Time `json:"from,omitempty"` // when what is to be done may be done
	Until       *time.Time `json:"until,omitempty"`
	FeelAt      *time.Time `json:"feel_at,omitempty"`
	WarmToC     *float64   `json:"warm_to_c,omitempty"`
	OutMinutes  float64    `json:"out_minutes,omitempty"` // outside the resin's range
	LimitC      *float64   `json:"limit_c,omitempty"`     // the end of the range
	GapMinutes  float64    `json:"gap_minutes,omitempty"`
	ClosedAt    *time.Time `json:"closed_at,omitempty"`
	Shut        bool       `json:"shut,omitempty"` // only while it is as cold as now
	HardFrom    *time.Time `json:"hard_from,omitempty"`
	HardMaybe   *time.Time `json:"hard_maybe,omitempty"`
	LoadFrom    *time.Time `json:"load_from,omitempty"` // from when it may be unclamped and loaded
	TryHard     bool       `json:"try_hard,omitempty"`  // likely hard, not yet permitted
	Fresh       *Window    `json:"fresh,omitempty"`     // when a fresh coat still bonds, past the window
	Felt        *Feel      `json:"felt,omitempty"`
	SoftenedAt  *time.Time `json:"softened_at,omitempty"`
	AmbientDone bool       `json:"full,omitempty"` // as far as shop temperature takes it
	Never       bool       `json:"never,omitempty"`
}

// Events are first crossings of each mark, by degree of cure and glass
// transition alone: for a coat that turned to glass before it gelled they are
// formal, and its state says "unknown".
type Events struct {
	Tacky        TimeBand `json:"tacky"`
	RecoatOpens  TimeBand `json:"recoat_opens"`
	Green        TimeBand `json:"green"`
	Firm         TimeBand `json:"firm"`
	RecoatCloses TimeBand `json:"recoat_closes"`
	Hard         TimeBand `json:"hard"`
	Handle       TimeBand `json:"handle"`
}

// Blush is the ordinal, unvalidated amine-blush index.
type Blush struct {
	Index     *float64 `json:"index"` // nil without humidity
	Band      string   `json:"band"`  // low, elevated, high or unknown
	Condensed bool     `json:"condensed"`
}

// Advice codes, in order of precedence (the first that holds).
const (
	AdviseWashAbrade   = "wash_abrade"      // condensed or blush high
	AdviseNotKnown     = "not_known"        // why, what temperature, feel it
	AdviseRecoat       = "recoat"           // open, blush low
	AdviseWashRecoat   = "wash_recoat"      // open, blush elevated
	AdviseWait         = "wait"             // not yet
	AdviseFeel         = "feel"             // the doubt is wider than the window: feel it from a time
	AdviseWarm         = "warm"             // cold: warm and feel
	AdviseWaitAbrade   = "wait_then_abrade" // closed and not hard, or not surely
	AdviseStalled      = "stalled"          // hard and stalled
	AdviseAbradeRecoat = "abrade_recoat"    // hard: wash, abrade, recoat; sand; flip
	AdviseCovered      = "covered"          // the next coat lies on it: nothing to do
	AdviseTakeOff      = "take_off"         // just laid onto a closed coat: off with it
	AdviseFeelAgain    = "feel_again"       // the last finger test fits nothing
)

// Segment is a stretch of one state on the strip, at the median.
type Segment struct {
	State  State     `json:"state"`
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	Future bool      `json:"future"`
}

// Span is a stretch of time.
type Span struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

// Strip is what the one figure of the product draws.
type Strip struct {
	Segments []Segment `json:"segments"`
	Gaps     []Span    `json:"gaps"`  // no trusted reading: torn paper
	Drops    []Span    `json:"drops"` // dew or blush trouble
	Feels    []Feel    `json:"feels"`
}

// Estimate is all that is said about one coat at one time.
type Estimate struct {
	ID        string    `json:"id"`
	Panel     string    `json:"panel"`
	Resin     string    `json:"resin"`
	Kind      string    `json:"kind"`
	AppliedAt time.Time `json:"applied_at"`
	// TempC is the panel's mean of the last ten minutes, °C; nil without one.
	TempC *float64 `json:"temp_c"`
	Alpha *Band    `json:"alpha"` // degree of cure, 0 to 1; nil until estimated
	TgC   *Band    `json:"tg_c"`  // glass transition, °C
	Kappa *Band    `json:"kappa"` // rate factor, 1 as on the sheet

	State            State          `json:"state"`
	StateProbability *Probabilities `json:"state_probability"` // nil when unknown
	UnknownWhy       []string       `json:"unknown_why"`

	Advice     string   `json:"advice"`      // one order, at most fourteen words
	AdviceCode string   `json:"advice_code"` // one of the Advise constants
	Say        Sentence `json:"say"`         // the sentence, with places for times
	Because    Sentence `json:"because"`     // what stands under it: why, the odds, what was
	Facts      Facts    `json:"facts"`
	// Flag is the one word on the coat: "act now", "soon", "wait", "trouble",
	// "not known" or "done".
	Flag string `json:"flag"`

	// Sand says that sanding and a supported flip are permitted.
	Sand       bool     `json:"sand"`
	NextWindow *Window  `json:"next_window"`
	Covered    *Covered `json:"covered,omitempty"`
	Laid       *Fell    `json:"laid,omitempty"` // how it went onto the coat below
	Events     Events   `json:"events"`
	Blush      Blush    `json:"blush"`
	Stall      bool     `json:"stall"`
	TNeedC     *float64 `json:"t_need_c"` // the temperature that would mend a stall
	Outgassing bool     `json:"outgassing"`

	// DegradedMinutes since application without a trusted panel reading.
	DegradedMinutes float64 `json:"degraded_minutes"`
	// PanelFrom is "probe", "air" (lagged, wider doubt) or "none".
	PanelFrom string   `json:"panel_from"`
	Notes     []string `json:"notes"` // finger tests ignored or contradictory, generic resin, ...
	Strip     Strip    `json:"strip"`
	// Learnt is what the shop's own coats taught of this one's resin or lot, in
	// one line; "" for nothing.
	Learnt string `json:"learnt,omitempty"`
	// Spread are the times of green and of the recoat window's closing at each
	// quantile that the workspace was asked for, for scores; nil else.
	Spread *Spread `json:"-"`
	// Overnight is the chance, within the sleeping hours ahead, of each
	// trouble; nil when none are set or the coat is done.
	Overnight *Overnight `json:"overnight"`
}

// Spread holds times in minutes after mixing, +Inf where not reached.
type Spread struct{ Green, Closes []float64 }

// Overnight is what the hours asleep may bring to a coat.
type Overnight struct {
	From         time.Time `json:"from"`
	To           time.Time `json:"to"`
	WindowCloses float64   `json:"window_closes"` // probability, 0 to 1
	Stalls       float64   `json:"stalls"`
	Dew          float64   `json:"dew"`
	Say          Sentence  `json:"say"` // one sentence with the latest useful action
}

// TracePoint is one moment of a coat's history or forecast.
type TracePoint struct {
	At       time.Time `json:"at"`
	TempC    *float64  `json:"temp_c"`
	TempP10  *float64  `json:"temp_p10"` // forecast only
	TempP90  *float64  `json:"temp_p90"`
	Alpha    *Band     `json:"alpha"`
	TgC      *float64  `json:"tg_c"` // median
	DewC     *float64  `json:"dew_c"`
	BlushJ   *float64  `json:"blush"`
	Forecast bool      `json:"forecast"`
	Gap      bool      `json:"gap"`
}
