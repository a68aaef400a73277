package alerts

import "time"

// Sounds a firing alert makes until it is acknowledged.
const (
	SoundActNow  = "act now"
	SoundClosing = "closing"
	SoundDanger  = "danger"
)

// Names of the rules.
const (
	CupSoon       = "cup_soon"
	CupOver       = "cup_over"
	ReadyForCloth = "ready_for_cloth"
	WindowOpen    = "window_open"
	FeelNow       = "feel_now"
	ClosingSoon   = "closing_soon"
	WindowClosed  = "window_closed"
	NightAhead    = "night_ahead"
	TooCold       = "too_cold"
	Stall         = "stall"
	BlushElevated = "blush_elevated"
	BlushHigh     = "blush_high"
	Condensation  = "condensation"
	DewMargin     = "dew_margin"
	Outgassing    = "outgassing"
	Softened      = "softened"
	NotKnown      = "not_known"
	IsHard        = "hard"
	MayHandle     = "handle"
	ProbeMissing  = "probe_missing"
	ProbeStale    = "probe_stale"
	ProbeStuck    = "probe_stuck"
	ProbeDoubtful = "probe_implausible"
	ProbeBattery  = "probe_battery"

	TentOff      = "tent_off_by_safety"
	StoreFull    = "store_full"
	ClockInDoubt = "clock_in_doubt"
	BackupOld    = "backup_old"
	ChannelDown  = "channel_down"
	SenderBehind = "sender_behind"
)

// Source is where a rule's condition comes from, and with it what its absence
// from one look means.
type Source int

const (
	// FromCoat: judged from the estimates. Without an estimate nothing is known,
	// and the alert stays.
	FromCoat Source = iota
	// FromCup and FromProbe: judged from the cups and the probes of each look. An
	// alert whose cup or probe is gone was ended by the person.
	FromCup
	FromProbe
	// FromReport: another part of the daemon reports it for as long as it lasts.
	// An alert that is not reported any more is over by itself.
	FromReport
)

// Rule is one row of the table: what it is called, how loud it is and what it
// says.
type Rule struct {
	Name     string
	Source   Source
	Severity Severity
	Sound    string // pattern until acknowledged, "" for silence
	// Hold is how long the condition must last before it fires; Clear is how
	// long it must be gone before it counts as over.
	Hold, Clear time.Duration
	// Say is what to do, in shop words; {words} are filled in.
	Say string
	// Variants are other sentences of the same rule, by case.
	Variants map[string]string
	// Over is said when it ended by itself.
	Over string
	// TellOver says it to people too when it ended by itself; the end of the
	// rest is plain to see.
	TellOver bool
	// Remind repeats it once as the end nears.
	Remind bool
}

// Rules is every rule there is. Hold and clear times and severities are design
// choices: long enough that a door opened for a minute says nothing, short
// against the windows they guard.
var Rules = []Rule{
	{Name: CupSoon, Source: FromCup, Severity: Act, Sound: SoundClosing,
		Say: "About {left} left in the cup{cup}: use it or spread it in a tray.",
		Variants: map[string]string{
			"over": "Time is up for the cup{cup}: do not use what is left; take it outdoors while it is only warm.",
		},
		Over: "The cup{cup} is used up."},
	{Name: CupOver, Source: FromCup, Severity: Danger, Sound: SoundDanger,
		Say:  "The cup{cup} is about to get too hot to hold: only warm, pour it into a wide tray or take it outdoors. Once hot, do not carry it: leave it, get out, air the shed; no water into it, no lid.",
		Over: "The cup{cup} is dealt with."},

	{Name: ReadyForCloth, Severity: Act, Sound: SoundActNow, Clear: 5 * time.Minute,
		Say:  "The {coat} is tacky: {first}press the cloth in now{until}.",
		Over: "The {coat} no longer waits for its cloth."},
	{Name: WindowOpen, Severity: Act, Sound: SoundActNow, Clear: 5 * time.Minute,
		Say: "{first}roll the next coat onto {panel} now{until}.",
		Variants: map[string]string{
			"fill": "{first}roll the fill coat onto {panel} now{until}.",
		},
		Over: "The window on {panel} is no longer open."},
	{Name: FeelNow, Severity: Act, Sound: SoundActNow, Clear: 5 * time.Minute,
		Say: "Feel the {coat} now: roll the next coat on once it sticks and lifts clean.",
		Variants: map[string]string{
			"cloth": "Feel the {coat} now: press the cloth in once it sticks and lifts clean.",
			"fill":  "Feel the {coat} now: roll the fill coat on once it holds the cloth and no longer strings.",
		},
		Over: "The {coat} need not be felt for now."},
	{Name: ClosingSoon, Severity: Act, Sound: SoundClosing, Clear: 5 * time.Minute, Remind: true,
		Say: "The window on {panel} may close {closes}: roll the next coat on before then.",
		Variants: map[string]string{
			"cloth": "The {coat} may stop taking cloth {closes}: press the cloth in before then.",
			"wet":   "The {coat} may turn tacky {closes}: lay the next on wet before then.",
			"fill":  "The window on {panel} may close {closes}: roll the fill coat on before then.",
			"feel":  "The window on {panel} may close {closes}: go and feel the {coat} now.",
		},
		Over: "The window on {panel} has ended."},
	{Name: WindowClosed, Severity: Note, Clear: 10 * time.Minute,
		Say: "The window on {panel} closed{at}: wash with water, dry and abrade before the next coat.",
		Variants: map[string]string{
			"cloth": "The {coat} stopped taking cloth{at}: roll a fresh tack coat on while it can still be recoated, else wash and abrade first.",
		},
		Over: "The window on {panel} counts as open after all."},

	{Name: NightAhead, Severity: Act, Sound: SoundClosing,
		Say:  "Before you sleep, the {coat}: {night}",
		Over: "The night of the {coat} is seen to."},

	{Name: TooCold, TellOver: true, Severity: Act, Sound: SoundActNow, Hold: 10 * time.Minute, Clear: 10 * time.Minute,
		Say:  "{panel} is at {temp}, below the {min} that the epoxy {resin} needs: warm it.",
		Over: "{panel} is warm enough again."},
	{Name: Stall, Severity: Soon, Hold: 30 * time.Minute, Clear: 15 * time.Minute,
		Say: "The {coat} is stopping short of its strength at this temperature: hold it warmer.",
		Variants: map[string]string{
			"need": "The {coat} is stopping short of its strength at this temperature: hold it at {need} or warmer.",
		},
		Over: "The {coat} is warm enough to cure through again."},
	{Name: BlushElevated, Severity: Soon, Hold: 10 * time.Minute, Clear: 10 * time.Minute,
		Say:  "Blush is likely on the {coat}: warm it or dry the air, and wash it before the next coat.",
		Over: "Blush on the {coat} is judged low or high now."},
	{Name: BlushHigh, Severity: Soon, Hold: 5 * time.Minute, Clear: 10 * time.Minute,
		Say: "Expect blush on the {coat}: once it is hard, wash with water, abrade and dry before the next coat.",
		Variants: map[string]string{
			"dew": "Dew fell on the {coat} while it was curing: once it is hard, wash with water, abrade and dry before the next coat.",
		},
		Over: "Blush on the {coat} is no longer judged high."},
	{Name: Condensation, TellOver: true, Severity: Act, Sound: SoundActNow, Hold: time.Minute, Clear: 10 * time.Minute,
		Say:  "Dew is forming on {panel}: warm the panel or dry the air now.",
		Over: "{panel} is above the dew point again."},
	{Name: DewMargin, TellOver: true, Severity: Soon, Hold: 5 * time.Minute, Clear: 10 * time.Minute,
		Say:  "{panel} is only {margin} above the dew point: warm it or dry the air before dew falls.",
		Over: "{panel} is well above the dew point again."},
	{Name: Outgassing, TellOver: true, Severity: Act, Sound: SoundClosing, Hold: 5 * time.Minute, Clear: 10 * time.Minute,
		Say:  "{panel} is warming under a wet coat and may blow bubbles: shade it or turn the heat down until it is tacky.",
		Over: "{panel} no longer warms under a wet coat."},
	{Name: Softened, TellOver: true, Severity: Soon, Hold: 5 * time.Minute, Clear: 10 * time.Minute,
		Say:  "The {coat} has softened as it warmed: do not sand, clamp or load it until it is hard again.",
		Over: "The {coat} has firmed up again."},
	{Name: NotKnown, TellOver: true, Severity: Soon, Hold: 10 * time.Minute, Clear: 10 * time.Minute,
		Say: "Not known what the {coat} is ({why}): warm it, then feel it.",
		Variants: map[string]string{
			"hot":  "Not known what the {coat} is ({why}): let it cool, then feel it.",
			"need": "Not known what the {coat} is ({why}): warm it to {need}, then feel it.",
			"warm": "Not known what the {coat} is ({why}): it is warm enough now, feel it.",
			"gap":  "Not known what the {coat} is ({why}): check the probe, then feel it.",
			"none": "Nothing reads the temperature of {panel}: put a probe on it, or go by feel.",
		},
		Over: "The {coat} can be judged again."},
	{Name: IsHard, Severity: Note, Clear: 10 * time.Minute,
		Say: "The {coat} should be hard: try it, then sand or flip; wash and abrade before another coat.",
		Variants: map[string]string{
			"stalled": "The {coat} is hard for this temperature only: warm it before you load it, abrade before another coat.",
		},
		Over: "The {coat} no longer counts as hard."},
	{Name: MayHandle, Severity: Note, Clear: 10 * time.Minute,
		Say:  "The {coat} should bear handling: try it, then unclamp, hang or load {panel}.",
		Over: "{panel} no longer counts as ready to handle."},

	// Flapping probes are one message: the clear time doubles each time they
	// come back soon.
	{Name: ProbeMissing, Source: FromProbe, TellOver: true, Severity: Soon, Hold: 2 * time.Minute, Clear: 10 * time.Minute,
		Say:  "{probe} does not answer: check its plug and cable{hint}.",
		Over: "{probe} reads again."},
	{Name: ProbeStale, Source: FromProbe, TellOver: true, Severity: Soon, Hold: 2 * time.Minute, Clear: 10 * time.Minute,
		Say:  "{probe} has sent nothing{last}: check its power and its place{hint}.",
		Over: "{probe} reads again."},
	{Name: ProbeStuck, Source: FromProbe, TellOver: true, Severity: Soon, Hold: 2 * time.Minute, Clear: 10 * time.Minute,
		Say:  "{probe} is stuck at one value: unplug it, wait a minute, plug it in again{hint}.",
		Over: "{probe} moves again."},
	{Name: ProbeDoubtful, Source: FromProbe, TellOver: true, Severity: Soon, Hold: 2 * time.Minute, Clear: 10 * time.Minute,
		Say:  "{probe} says what cannot be true: look where it lies and at its cable{hint}.",
		Over: "{probe} makes sense again."},
	{Name: ProbeBattery, Source: FromProbe, Severity: Soon, Clear: time.Hour,
		Say:  "{probe} runs out of battery{left}: change it before the next coat.",
		Over: "{probe} has battery again."},

	// Reported by other parts, which may bring their own sentence.
	{Name: TentOff, Source: FromReport, TellOver: true, Severity: Act, Sound: SoundActNow,
		Say:  "The tent's heater was switched off for safety: look at the tent before you switch it on again.",
		Over: "The tent's heater may run again."},
	{Name: StoreFull, Source: FromReport, TellOver: true, Severity: Soon, Clear: 5 * time.Minute,
		Say:  "The record cannot be written: make room on the card or swap it.",
		Over: "The record is written again."},
	{Name: ClockInDoubt, Source: FromReport, TellOver: true, Severity: Soon, Hold: time.Minute,
		Say:  "The board does not know the time: open the page and use this phone's time.",
		Over: "The board knows the time again."},
	{Name: BackupOld, Source: FromReport, Severity: Note, Hold: time.Hour,
		Say:  "The last backup is old: make one now.",
		Over: "There is a fresh backup."},
	{Name: ChannelDown, Source: FromReport, TellOver: true, Severity: Soon, Hold: 5 * time.Minute, Clear: 5 * time.Minute,
		Say:  "Alerts do not get through by {subject}: check the network.",
		Over: "Alerts get through by {subject} again."},
	{Name: SenderBehind, Source: FromReport, Severity: Note, Hold: 5 * time.Minute, Clear: 5 * time.Minute,
		Say:  "Nothing gets through to {subject}: check the network. All of it waits and is sent later.",
		Over: "{subject} gets everything again."},
}

var ruleByName = func() map[string]*Rule {
	m := make(map[string]*Rule, len(Rules))
	for i := range Rules {
		m[Rules[i].Name] = &Rules[i]
	}
	return m
}()

// rule returns the row of a name; a condition that another part invented gets
// a row made from its severity.
func rule(name string, sev Severity) Rule {
	if r, ok := ruleByName[name]; ok {
		return *r
	}
	r := Rule{Name: name, Source: FromReport, Severity: sev, Say: "Something is wrong with {subject}: look at the page.", Over: "It is over: {subject}."}
	switch sev {
	case Danger:
		r.Sound = SoundDanger
	case Act:
		r.Sound = SoundActNow
	}
	return r
}
