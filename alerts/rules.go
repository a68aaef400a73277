// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"strings"
	"time"

	"curewright/model/words"
)

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
// from one evaluation means.
type Source int

const (
	// FromCoat: judged from the estimates. Without an estimate nothing is known,
	// and the alert stays.
	FromCoat Source = iota
	// FromCup and FromProbe: judged from the cups and the probes of each evaluation. An
	// alert whose cup or probe is gone was ended by the person.
	FromCup
	FromProbe
	// FromReport: another part of the daemon reports it for as long as it lasts.
	// An alert that is not reported any more is over by itself.
	FromReport
)

// Rule is one row of the table: what it is called and how loud it is. What it
// says stands in the catalogue of [words] below "alert." and its name.
type Rule struct {
	Name     string
	Source   Source
	Severity Severity
	Sound    string // pattern until acknowledged, "" for silence
	// Hold is how long the condition must last before it fires; Clear is how
	// long it must be gone before it counts as over.
	Hold, Clear time.Duration
	// TellOver sends a message to people too when it ended by itself. Of the other
	// rules people see the end in the shop.
	TellOver bool
	// Remind repeats the message once, Tuning.RemindBefore before its end.
	Remind bool
}

// Rules is every rule there is. Hold and clear times and severities are design
// choices: long enough that a door opened for a minute says nothing, short
// against the windows they guard.
var Rules = []Rule{
	{Name: CupSoon, Source: FromCup, Severity: Act, Sound: SoundClosing},
	{Name: CupOver, Source: FromCup, Severity: Danger, Sound: SoundDanger},

	{Name: ReadyForCloth, Severity: Act, Sound: SoundActNow, Clear: 5 * time.Minute},
	{Name: WindowOpen, Severity: Act, Sound: SoundActNow, Clear: 5 * time.Minute},
	{Name: FeelNow, Severity: Act, Sound: SoundActNow, Clear: 5 * time.Minute},
	{Name: ClosingSoon, Severity: Act, Sound: SoundClosing, Clear: 5 * time.Minute, Remind: true},
	{Name: WindowClosed, Severity: Note, Clear: 10 * time.Minute},

	{Name: NightAhead, Severity: Act, Sound: SoundClosing},

	{Name: TooCold, TellOver: true, Severity: Act, Sound: SoundActNow, Hold: 10 * time.Minute, Clear: 10 * time.Minute},
	{Name: Stall, Severity: Soon, Hold: 30 * time.Minute, Clear: 15 * time.Minute},
	{Name: BlushElevated, Severity: Soon, Hold: 10 * time.Minute, Clear: 10 * time.Minute},
	{Name: BlushHigh, Severity: Soon, Hold: 5 * time.Minute, Clear: 10 * time.Minute},
	{Name: Condensation, TellOver: true, Severity: Act, Sound: SoundActNow, Hold: time.Minute, Clear: 10 * time.Minute},
	{Name: DewMargin, TellOver: true, Severity: Soon, Hold: 5 * time.Minute, Clear: 10 * time.Minute},
	{Name: Outgassing, TellOver: true, Severity: Act, Sound: SoundClosing, Hold: 5 * time.Minute, Clear: 10 * time.Minute},
	{Name: Softened, TellOver: true, Severity: Soon, Hold: 5 * time.Minute, Clear: 10 * time.Minute},
	{Name: NotKnown, TellOver: true, Severity: Soon, Hold: 10 * time.Minute, Clear: 10 * time.Minute},
	{Name: IsHard, Severity: Note, Clear: 10 * time.Minute},
	{Name: MayHandle, Severity: Note, Clear: 10 * time.Minute},

	// A probe that comes and goes makes one message: the clear time doubles with
	// each return within two hours.
	{Name: ProbeMissing, Source: FromProbe, TellOver: true, Severity: Soon, Hold: 2 * time.Minute, Clear: 10 * time.Minute},
	{Name: ProbeStale, Source: FromProbe, TellOver: true, Severity: Soon, Hold: 2 * time.Minute, Clear: 10 * time.Minute},
	{Name: ProbeStuck, Source: FromProbe, TellOver: true, Severity: Soon, Hold: 2 * time.Minute, Clear: 10 * time.Minute},
	{Name: ProbeDoubtful, Source: FromProbe, TellOver: true, Severity: Soon, Hold: 2 * time.Minute, Clear: 10 * time.Minute},
	{Name: ProbeBattery, Source: FromProbe, Severity: Soon, Clear: time.Hour},

	// Reported by other parts, which may bring their own sentence.
	{Name: TentOff, Source: FromReport, TellOver: true, Severity: Act, Sound: SoundActNow},
	{Name: StoreFull, Source: FromReport, TellOver: true, Severity: Soon, Clear: 5 * time.Minute},
	{Name: ClockInDoubt, Source: FromReport, TellOver: true, Severity: Soon, Hold: time.Minute},
	{Name: BackupOld, Source: FromReport, Severity: Note, Hold: time.Hour},
	{Name: ChannelDown, Source: FromReport, TellOver: true, Severity: Soon, Hold: 5 * time.Minute, Clear: 5 * time.Minute},
	{Name: SenderBehind, Source: FromReport, Severity: Note, Hold: 5 * time.Minute, Clear: 5 * time.Minute},
}

// code is the code of a rule's sentence. Rules that are not in [Rules] share
// those below "alert.other.".
func (r Rule) code(what string) string {
	if c := "alert." + r.Name + "." + what; words.English.Has(c) {
		return c
	}
	if strings.HasPrefix(what, "case.") {
		return r.code("say")
	}
	return "alert.other." + what
}

var ruleByName = func() map[string]*Rule {
	m := make(map[string]*Rule, len(Rules))
	for i := range Rules {
		m[Rules[i].Name] = &Rules[i]
	}
	return m
}()

// rule returns the row of a name. A condition whose rule is not in [Rules] gets a
// row made from its severity.
func rule(name string, sev Severity) Rule {
	if r, ok := ruleByName[name]; ok {
		return *r
	}
	r := Rule{Name: name, Source: FromReport, Severity: sev}
	switch sev {
	case Danger:
		r.Sound = SoundDanger
	case Act:
		r.Sound = SoundActNow
	}
	return r
}
