package pagetest

import (
	"fmt"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/job"
	"curewright/sensors"
)

// Situations are the names that [New] takes.
var Situations = []string{"day", "quiet", "trouble", "unknown", "noprobe", "noclock", "empty", "hundred", "us"}

func ptr[T any](x T) *T { return &x }

func text(s string) coat.Part              { return coat.Part{Text: s} }
func when(t time.Time) coat.Part           { return coat.Part{Time: &t, Bold: true} }
func about(t time.Time) coat.Part          { return coat.Part{Time: &t} }
func degrees(c float64) coat.Part          { return coat.Part{TempC: &c, Bold: true} }
func band(a, b, c time.Time) coat.TimeBand { return coat.TimeBand{P10: &a, P50: &b, P90: &c} }

// marks are the median times of a drawn coat's states.
type marks struct{ applied, tacky, green, firm, hard, end time.Time }

func (m marks) strip(now time.Time) coat.Strip {
	var s coat.Strip
	at := []time.Time{m.applied, m.tacky, m.green, m.firm, m.hard, m.end}
	st := []coat.State{coat.Wet, coat.Tacky, coat.Green, coat.Firm, coat.Hard}
	for i, x := range st {
		a, b := at[i], at[i+1]
		if !b.After(a) {
			continue
		}
		if a.Before(now) && b.After(now) {
			s.Segments = append(s.Segments, coat.Segment{State: x, From: a, To: now}, coat.Segment{State: x, From: now, To: b, Future: true})
			continue
		}
		s.Segments = append(s.Segments, coat.Segment{State: x, From: a, To: b, Future: !a.Before(now)})
	}
	return s
}

func around(t time.Time, d time.Duration) coat.TimeBand { return band(t.Add(-d), t, t.Add(d*5/4)) }

func (m marks) events(d time.Duration) coat.Events {
	return coat.Events{
		Tacky: around(m.tacky, d/2), RecoatOpens: around(m.tacky.Add(m.green.Sub(m.tacky)/3), d/2),
		Green: around(m.green, d), Firm: around(m.firm, d), RecoatCloses: around(m.firm, d),
		Hard: around(m.hard, d*3/2), Handle: around(m.hard.Add(30*time.Hour), 5*d),
	}
}

// at returns a clock time of the scenario's Saturday, 10 October; hours past
// 24 fall on the Sunday.
func (s *Shed) at(h, m int) time.Time {
	return s.day.Add(time.Duration(h)*time.Hour + time.Duration(m)*time.Minute)
}

func (s *Shed) resins() []cure.Resin {
	var out []cure.Resin
	for _, n := range []string{"fast", "medium", "slow"} {
		if r, ok := cure.Generic(n); ok {
			out = append(out, r)
		}
	}
	own, _ := cure.Generic("slow")
	own.Name, own.Generic, own.MinC, own.HardenerKind = "lid epoxy, slow", false, 12, "cycloaliphatic"
	own.RatioWeight, own.RatioTolPct = &[2]float64{100, 28}, ptr(5.0)
	return append(out, own)
}

func (s *Shed) probe(id, name, role, panel, driver string, c, rh float64) sensors.Health {
	h := sensors.Health{
		Probe: id, Name: name, Driver: driver, Bus: "i2c-1:0x44", Role: role, Panel: panel, Every: time.Minute,
		Stale: 3 * time.Minute, Accepted: true, Wired: driver != "push", State: "ok", LastAt: s.start, Taken: 5120,
		Last: sensors.Reading{Probe: id, At: s.start, Temp: sensors.Some(c)},
	}
	if rh > 0 {
		h.Last.RH = sensors.Some(rh)
	}
	if driver == "ds18b20" {
		h.Bus = "w1:28-0316a2795d1f"
	}
	return h
}

func (s *Shed) lidA() coat.Estimate {
	m := marks{s.at(12, 5), s.at(13, 10), s.at(13, 50), s.at(17, 35), s.at(20, 30), s.at(38, 0)}
	e := coat.Estimate{
		ID: "wet-out-a", Panel: "lid-a-outer", Resin: "medium", Kind: coat.WetOut, AppliedAt: m.applied, TempC: ptr(19.0),
		Alpha: &coat.Band{P10: .58, P50: .62, P90: .66}, State: coat.Green,
		StateProbability: &coat.Probabilities{Tacky: .08, Green: .9, Firm: .02},
		Say:              coat.Sentence{text("Roll the fill coat on between now and "), when(s.at(16, 50)), text(".")},
		Because:          coat.Sentence{text("No stick, nail dents: green since about "), about(s.at(13, 50)), text(". It takes a chemical bond until about "), when(s.at(17, 35)), text(" ("), about(s.at(16, 50)), text(" to "), about(s.at(18, 20)), text(").")},
		Advice:           "Roll the fill coat on between now and 16:50.", AdviceCode: coat.AdviseRecoat, Flag: "act now",
		NextWindow: &coat.Window{Kind: coat.WindowFill, Status: "open", Opens: ptr(s.at(14, 5)), Closes: ptr(s.at(16, 50)),
			OpensBand: band(s.at(13, 30), s.at(13, 50), s.at(14, 5)), ClosesBand: band(s.at(16, 50), s.at(17, 35), s.at(18, 20))},
		Events: m.events(40 * time.Minute), Blush: coat.Blush{Index: ptr(.12), Band: "low"}, PanelFrom: "probe", Strip: m.strip(s.start),
	}
	e.Strip.Feels = []coat.Feel{{ID: "f1", Coat: e.ID, At: s.at(13, 12), State: coat.Tacky}, {ID: "f2", Coat: e.ID, At: s.at(14, 5), State: coat.Green}}
	return e
}

func (s *Shed) lidB() coat.Estimate {
	m := marks{s.at(13, 40), s.at(15, 5), s.at(17, 10), s.at(21, 10), s.at(25, 30), s.at(38, 0)}
	return coat.Estimate{
		ID: "tack-b", Panel: "lid-b-outer", Resin: "medium", Kind: coat.TackCoat, AppliedAt: m.applied, TempC: ptr(18.5),
		Alpha: &coat.Band{P10: .1, P50: .15, P90: .2}, State: coat.Wet, StateProbability: &coat.Probabilities{Wet: .82, Tacky: .18},
		Say:     coat.Sentence{text("Leave it. Feel it from "), when(s.at(14, 45)), text(", every 10 min.")},
		Because: coat.Sentence{text("Lay the aramid once it sticks and lifts clean, likely between "), about(s.at(14, 45)), text(" and "), about(s.at(15, 30)), text(". After "), when(s.at(17, 10)), text(" it is too late for cloth.")},
		Advice:  "Leave it. Feel it from 14:45, every 10 min.", AdviceCode: coat.AdviseFeel, Flag: "wait",
		NextWindow: &coat.Window{Kind: coat.WindowCloth, Status: "before", Opens: ptr(s.at(15, 30)), Closes: ptr(s.at(16, 30)), FeelFrom: ptr(s.at(14, 45)),
			OpensBand: band(s.at(14, 45), s.at(15, 5), s.at(15, 30)), ClosesBand: band(s.at(16, 30), s.at(17, 10), s.at(17, 50))},
		Events: m.events(50 * time.Minute), Blush: coat.Blush{Index: ptr(.05), Band: "low"}, PanelFrom: "probe", Strip: m.strip(s.start),
		Overnight: &coat.Overnight{From: s.at(22, 30), To: s.at(30, 30), WindowCloses: .9, Stalls: .4, Dew: .1,
			Say: coat.Sentence{text("it would go glassy from the cold at about "), about(s.at(27, 10)), text(". Hold the tent at "), degrees(16), text(", or plan to wash and abrade.")}},
	}
}

func (s *Shed) blocks() coat.Estimate {
	m := marks{s.at(8, 20), s.at(9, 10), s.at(10, 40), s.at(11, 50), s.at(13, 10), s.at(60, 0)}
	e := coat.Estimate{
		ID: "bond-1", Panel: "hinge-blocks", Resin: "fast", Kind: coat.Bond, AppliedAt: m.applied, TempC: ptr(20.0), Alpha: &coat.Band{P10: .86, P50: .89, P90: .92},
		State: coat.Hard, StateProbability: &coat.Probabilities{Firm: .03, Hard: .97},
		Say:     coat.Sentence{text("Hard since about "), about(s.at(13, 10)), text(". Sand when you like.")},
		Because: coat.Sentence{text("Handle and unclamp from "), when(s.at(40, 0)), text(", not before.")},
		Advice:  "Hard since about 13:10. Sand when you like.", AdviceCode: coat.AdviseAbradeRecoat, Flag: "done",
		Events: m.events(30 * time.Minute), Blush: coat.Blush{Index: ptr(.02), Band: "low"}, PanelFrom: "air", Strip: m.strip(s.start),
	}
	e.Strip.Feels = []coat.Feel{{ID: "f3", Coat: e.ID, At: s.at(12, 30), State: coat.Firm}}
	return e
}

func (s *Shed) closed() coat.Estimate {
	m := marks{s.at(-4, 30), s.at(0, 30), s.at(6, 0), s.at(9, 20), s.at(15, 30), s.at(60, 0)}
	e := coat.Estimate{
		ID: "fill-c", Panel: "lid-c-inner", Resin: "lid epoxy, slow", Kind: coat.FillCoat, AppliedAt: m.applied, TempC: ptr(15.5), Alpha: &coat.Band{P10: .7, P50: .74, P90: .78},
		State: coat.Firm, StateProbability: &coat.Probabilities{Green: .2, Firm: .65, Hard: .15},
		Say:     coat.Sentence{text("Dew fell on it. Wash it with water, dry it, abrade it, then coat.")},
		Because: coat.Sentence{text("The surface was under the dew point from "), about(s.at(4, 40)), text(" to "), about(s.at(6, 50)), text("; nothing bonds to that film.")},
		Advice:  "Dew fell on it. Wash it with water, dry it, abrade it, then coat.", AdviceCode: coat.AdviseWashAbrade, Flag: "trouble",
		NextWindow: &coat.Window{Kind: coat.WindowCoat, Status: "closed", Opens: ptr(s.at(2, 0)), Closes: ptr(s.at(8, 40)),
			OpensBand: band(s.at(1, 0), s.at(1, 30), s.at(2, 0)), ClosesBand: band(s.at(8, 40), s.at(9, 20), s.at(10, 10))},
		Events: m.events(40 * time.Minute), Blush: coat.Blush{Index: ptr(2.4), Band: "high", Condensed: true}, PanelFrom: "probe", Strip: m.strip(s.start), DegradedMinutes: 95,
	}
	e.Strip.Drops = []coat.Span{{From: s.at(4, 40), To: s.at(6, 50)}, {From: s.at(11, 45), To: s.at(12, 40)}}
	e.Strip.Gaps = []coat.Span{{From: s.at(9, 50), To: s.at(11, 25)}}
	return e
}

func (s *Shed) cold() coat.Estimate {
	return coat.Estimate{
		ID: "wet-d", Panel: "lid-d-outer", Resin: "slow", Kind: coat.WetOut, AppliedAt: s.at(9, 30), TempC: ptr(8.5), State: coat.Unknown,
		UnknownWhy: []string{coat.BelowMinimum, coat.ColdGlass},
		Say:        coat.Sentence{text("Not known: the panel was under "), degrees(10), text(" for 3 h.")},
		Because:    coat.Sentence{text("It may feel hard and not be cured. Warm it through to "), degrees(18), text(", then feel it.")},
		Advice:     "Not known: the panel was under 10 °C for 3 h.", AdviceCode: coat.AdviseNotKnown, Flag: "not known",
		NextWindow: &coat.Window{Kind: coat.WindowFill, Status: "unknown"}, Blush: coat.Blush{Band: "unknown"}, PanelFrom: "probe", Stall: true, TNeedC: ptr(17.0),
		Strip: coat.Strip{
			Segments: []coat.Segment{{State: coat.Wet, From: s.at(9, 30), To: s.at(11, 20)}, {State: coat.Unknown, From: s.at(11, 20), To: s.start}, {State: coat.Unknown, From: s.start, To: s.at(40, 0), Future: true}},
			Gaps:     []coat.Span{{From: s.at(13, 6), To: s.start}},
		},
	}
}

func (s *Shed) soon() coat.Estimate {
	e := s.lidA()
	e.ID, e.Panel, e.Flag, e.Kind = "fill-e", "lid-e-outer", "soon", coat.FillCoat
	m := marks{s.at(11, 0), s.at(12, 30), s.at(13, 30), s.at(15, 20), s.at(19, 0), s.at(38, 0)}
	e.AppliedAt = m.applied
	e.Say = coat.Sentence{text("Roll the next coat on before "), when(s.at(14, 50)), text(", or wash and abrade tomorrow.")}
	e.Advice = "Roll the next coat on before 14:50, or wash and abrade tomorrow."
	e.Because = coat.Sentence{text("The film is wax-prone: wash first. It closes about "), about(s.at(15, 20)), text(".")}
	e.AdviceCode = coat.AdviseWashRecoat
	e.Blush = coat.Blush{Index: ptr(.6), Band: "elevated"}
	e.NextWindow = &coat.Window{Kind: coat.WindowCoat, Status: "open", Opens: ptr(s.at(12, 50)), Closes: ptr(s.at(14, 50)),
		OpensBand: band(s.at(12, 30), s.at(12, 40), s.at(12, 50)), ClosesBand: band(s.at(14, 50), s.at(15, 20), s.at(16, 0))}
	e.Strip = m.strip(s.start)
	e.StateProbability = &coat.Probabilities{Tacky: .1, Green: .6, Firm: .3}
	return e
}

// set puts the shed into a named situation.
func (s *Shed) set(name string) error {
	s.settings.Units, s.settings.Clock, s.settings.ShopName = "si", "24h", "Boathouse shed"
	s.settings.SleepFrom, s.settings.SleepTo = "22:30", "06:30"
	s.settings.ClockTrusted, s.settings.WakeTested, s.settings.Speed = true, true, 1
	s.shop = &job.ShopNow{Air: "shed-air", TempC: ptr(17.5), LowC: &coat.Band{P10: 4, P50: 6, P90: 8.5}, LowAt: ptr(s.at(30, 10)), Quality: "wide default"}
	s.panels = []coat.Panel{
		{ID: "lid-a-outer", Piece: "lid-a", Name: "Lid A, outer", Probe: "panel-1", Air: "shed-air", Core: "foam", AreaM2: ptr(1.4)},
		{ID: "lid-b-outer", Piece: "lid-b", Name: "Lid B, outer", Probe: "panel-2", Air: "shed-air", Core: "foam", AreaM2: ptr(1.4)},
		{ID: "hinge-blocks", Piece: "hinge-blocks", Name: "Hinge blocks", Air: "shed-air", Core: "wood"},
		{ID: "lid-b-inner", Piece: "lid-b", Name: "Lid B, inner", Air: "shed-air", Core: "foam"},
	}
	s.probes = []sensors.Health{
		s.probe("shed-air", "shed air", "air", "", "sht4x", 17.5, 62),
		s.probe("panel-1", "lid A probe", "panel", "lid-a-outer", "ds18b20", 19, 0),
		s.probe("panel-2", "lid B probe", "panel", "lid-b-outer", "ds18b20", 18.5, 0),
	}
	s.surfaces = []alerts.Surface{
		{Panel: "lid-a-outer", TempC: ptr(19.0), AirC: ptr(17.5), RHPct: ptr(62.0), DewC: ptr(10.2), MarginK: ptr(8.8), PanelRHPct: ptr(56.0)},
		{Panel: "lid-b-outer", TempC: ptr(18.5), AirC: ptr(17.5), RHPct: ptr(62.0), DewC: ptr(10.2), MarginK: ptr(8.3), PanelRHPct: ptr(58.0)},
	}
	call := func(id, rule, subject, panel string, sev alerts.Severity, say, sound string, at time.Time) {
		s.alerts = append(s.alerts, alerts.Alert{ID: id, Rule: rule, Subject: subject, Panel: panel, Severity: sev, State: "firing", Say: say, Since: at, FiredAt: &at, Sound: sound})
	}
	switch name {
	case "day", "us", "noclock":
		s.coats = []coat.Estimate{s.blocks(), s.lidB(), s.lidA()}
		s.cups = []alerts.Cup{{Batch: "cup-3", Resin: "medium", Grams: ptr(180.0), Mixed: s.at(14, 2), EndsAt: s.at(14, 29), Class: "caution", Measure: "model"}}
		call("a1", "recoat_open", "wet-out-a", "lid-a-outer", alerts.Act, "Roll the fill coat on between now and 16:50.", "act now", s.at(14, 5))
		s.settings.AskLow = name == "day"
		if name == "us" {
			s.settings.Units, s.settings.Clock = "us", "12h"
		}
		if name == "noclock" {
			s.settings.ClockTrusted = false
		}
	case "quiet":
		b := s.lidB()
		b.Overnight = nil
		s.coats = []coat.Estimate{b, s.blocks()}
	case "trouble":
		s.panels = append(s.panels, coat.Panel{ID: "lid-c-inner", Name: "Lid C, inner"}, coat.Panel{ID: "lid-d-outer", Name: "Lid D, outer"}, coat.Panel{ID: "lid-e-outer", Name: "Lid E, outer"})
		s.coats = []coat.Estimate{s.closed(), s.cold(), s.soon()}
		s.settings.WakeTested = false
		s.cups = []alerts.Cup{{Batch: "cup-4", Resin: "fast", Grams: ptr(320.0), Mixed: s.at(13, 55), EndsAt: s.at(14, 16), Class: "runaway", Measure: "model"}}
		call("a2", "cup_up", "cup-4", "", alerts.Danger, "The cup of fast has run out of time: do not carry it if it is hot; leave it, get out, air the shed.", "danger", s.at(14, 16))
		call("a3", "closing_soon", "fill-e", "lid-e-outer", alerts.Soon, "The window on lid E closes from 14:50 on.", "closing", s.at(14, 5))
		p := &s.probes[2]
		p.Panel, p.State, p.Reason, p.Err, p.LastAt = "lid-d-outer", "missing", "absent", "probe panel-2: open: device not found", s.at(13, 6)
		p.ErrAt, p.Hint, p.Errors = s.start, "look at its plug, then at the three wires", map[string]uint64{"absent": 74}
		s.surfaces[1] = alerts.Surface{Panel: "lid-c-inner", TempC: ptr(12.0), AirC: ptr(14.5), RHPct: ptr(78.0), DewC: ptr(10.7), MarginK: ptr(1.3), PanelRHPct: ptr(92.0)}
	case "unknown":
		s.panels = append(s.panels, coat.Panel{ID: "lid-d-outer", Name: "Lid D, outer"})
		s.coats = []coat.Estimate{s.cold()}
	case "noprobe":
		s.probes, s.surfaces, s.shop = nil, nil, nil
		s.settings.NoProbe = true
		e := s.lidB()
		e.TempC, e.PanelFrom, e.State, e.StateProbability, e.Alpha, e.Overnight = nil, "none", coat.Unknown, nil, nil, nil
		e.UnknownWhy, e.Flag, e.AdviceCode, e.NextWindow = []string{coat.NoReading}, "not known", coat.AdviseNotKnown, nil
		e.Say = coat.Sentence{text("Not known yet: no probe has said how warm it is.")}
		e.Advice, e.Because = "Not known yet: no probe has said how warm it is.", coat.Sentence{text("Plug a probe in, or go by the finger.")}
		e.Strip = coat.Strip{Segments: []coat.Segment{{State: coat.Unknown, From: e.AppliedAt, To: s.start}, {State: coat.Unknown, From: s.start, To: s.at(38, 0), Future: true}}}
		s.coats = []coat.Estimate{e}
	case "empty":
		s.panels, s.coats = nil, nil
		s.settings.WakeTested = false
		s.probes[1].Panel, s.probes[2].Panel = "", ""
		s.probes[2].Name, s.probes[2].Accepted, s.probes[2].Role, s.probes[2].Driver, s.probes[2].Wired = "panel-2", false, "", "push", false
		s.surfaces = nil
	case "hundred":
		s.panels = nil
		for i := range 100 {
			e := []coat.Estimate{s.lidA(), s.lidB(), s.blocks(), s.closed(), s.cold()}[i%5]
			e.ID = fmt.Sprintf("coat-%03d", i)
			e.Panel = fmt.Sprintf("plank-%03d", i)
			s.panels = append(s.panels, coat.Panel{ID: e.Panel, Name: fmt.Sprintf("Plank %d", i+1)})
			s.coats = append(s.coats, e)
		}
	default:
		return fmt.Errorf("pagetest: unknown situation %q", name)
	}
	for _, e := range s.coats {
		s.records = append(s.records, coat.Coat{ID: e.ID, Panel: e.Panel, Resin: e.Resin, Kind: e.Kind, Applied: e.AppliedAt, Next: "fill"})
		s.note(web.Who{Name: "loopback"}, "coat", e.ID, "create", s.records[len(s.records)-1])
		s.feels = append(s.feels, e.Strip.Feels...)
	}
	return nil
}
