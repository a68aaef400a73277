// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"curewright/model/fault"
	"curewright/model/words"
)

// Range is what a sheet prints: one number (Lo = Hi) or two. In JSON it is a
// list of two; a single number is read as well.
type Range struct{ Lo, Hi float64 }

// MarshalJSON writes [lo, hi].
func (r Range) MarshalJSON() ([]byte, error) { return json.Marshal([2]float64{r.Lo, r.Hi}) }

// UnmarshalJSON reads a number or [lo, hi].
func (r *Range) UnmarshalJSON(b []byte) error {
	var one float64
	if json.Unmarshal(b, &one) == nil {
		*r = Range{one, one}
		return nil
	}
	var two []float64
	if err := json.Unmarshal(b, &two); err != nil || len(two) != 2 {
		return fmt.Errorf("want a number or a list of two")
	}
	*r = Range{two[0], two[1]}
	return nil
}

// Mid is the geometric mean.
func (r Range) Mid() float64 { return math.Sqrt(r.Lo * r.Hi) }

// String is "20" or "20 to 25".
func (r Range) String() string {
	if r.Lo == r.Hi {
		return fmt.Sprintf("%.4g", r.Lo)
	}
	return fmt.Sprintf("%.4g to %.4g", r.Lo, r.Hi)
}

// say is the range in a reader's language.
func (r Range) say(v words.View) string {
	if r.Lo == r.Hi {
		return r.String()
	}
	return v.Say("fit.range", words.Facts{"low": fmt.Sprintf("%.4g", r.Lo), "high": fmt.Sprintf("%.4g", r.Hi)})
}

// What a sheet's pot life may run until. Sheets differ: ISO 9514 and EN 14022
// leave the property to whoever measures it. Without a word the 60 °C time is
// meant, which is when most sheets' cups have become of no use.
const (
	UntilGel    = "gel"
	UntilRise15 = "rise_15k"
	Until50C    = "50c"
	Until60C    = "60c"
)

// PotLifeEnds are the words a sheet may give for the end of a pot life.
var PotLifeEnds = []string{UntilGel, UntilRise15, Until50C, Until60C}

// PotLife is the minutes that a sheet gives to a mixed mass at a temperature.
type PotLife struct {
	Grams   float64 `json:"grams"`
	TempC   float64 `json:"temp_c"`
	Minutes Range   `json:"minutes"`
	Until   string  `json:"until,omitempty"` // one of [PotLifeEnds]; "": not said, read as 60 °C

	keys entryKeys
}

// Say is "25 to 30 min for 100 g at 25 °C, until it gels".
func (p PotLife) Say(v words.View) string {
	end := ""
	switch p.Until {
	case UntilGel:
		end = v.Words.Text("fit.until.gel")
	case UntilRise15:
		end = v.Say("fit.until.rise", words.Facts{"diff": words.Diff(15)})
	case Until50C:
		end = v.Say("fit.until.temp", words.Facts{"temp": words.Temp(50)})
	case Until60C:
		end = v.Say("fit.until.temp", words.Facts{"temp": words.Temp(60)})
	}
	return v.Say("fit.life", words.Facts{"min": p.Minutes.say(v), "grams": fmt.Sprintf("%.4g", p.Grams), "temp": words.Tenth(p.TempC), "until": end})
}

// SheetTime is the hours after which a thin film at a temperature has come to
// an event, one of [SheetEvents].
type SheetTime struct {
	Event string
	TempC float64
	Hours Range

	keys entryKeys
}

// entryKeys are the keys an entry was read from, for the places of faults.
type entryKeys struct{ path, temp, time, mass string }

// The events of a sheet, in the order in which a film comes to them; the
// recoat limit and the handling time stand outside that order.
const (
	EventWorking     = "working"
	EventTacky       = "tacky"
	EventRecoatFrom  = "recoat_from"
	EventTackFree    = "tack_free"
	EventRecoatUntil = "recoat_until"
	EventSand        = "sand"
	EventHandle      = "handle"
)

// SheetEvents lists every event a sheet may name.
var SheetEvents = []string{
	EventWorking, EventTacky, EventRecoatFrom, EventTackFree, EventRecoatUntil, EventSand, EventHandle,
}

// Sheet is a resin's data sheet as people have it. Everything but the name
// may be missing.
type Sheet struct {
	Name         string
	HardenerKind string
	RatioWeight  *[2]float64 // resin, hardener; never turned into the other
	RatioVolume  *[2]float64 // without both densities
	RatioTolPct  *float64
	// Densities of the parts, g/cm³: what makes a ratio by volume one by weight.
	DensityResin, DensityHardener *float64
	MinC, MaxC                    *float64 // range of use, °C
	TgAmbientC                    *float64 // after a week at room temperature
	TgPostcureC                   *float64
	// Half the width of a range that the sheet gives for them, K.
	TgAmbientHalfK, TgPostcureHalfK float64

	PotLife []PotLife
	Times   []SheetTime
}

// Units that sheets print.
const (
	flOzML     = 29.5735295625 // US fluid ounce, mL, by definition
	sheetGCC   = 1.10          // mixed resin, where a sheet gives a volume
	roomC      = 23.0          // "room temperature", ISO 554's 23 °C
	roomWeekS  = 7 * 86400.0
	heatCuredC = 50.0 // no room-temperature resin's sheet has times above it
)

// fahrenheit in °C.
func fahrenheit(f float64) float64 { return (f - 32) / 1.8 }

// ParseSheet reads a data sheet in TOML. It is strict: unknown keys, wrong
// types, values that cannot be, times that contradict each other and sheets of
// heat-cured resins are all reported at once, as [Faults] with line and column,
// and no sheet comes with them.
//
// Temperatures are …_c or …_f; times minutes, hours or days; masses grams,
// fl_oz or ml (of mixed resin, taken at 1.10 g/cm³). A list of two numbers is
// a range.
func ParseSheet(data []byte) (Sheet, error) {
	doc, root, err := parseDocument(data)
	if err != nil {
		return Sheet{}, err
	}
	return readSheet(doc, root)
}

// ParseSheetJSON is [ParseSheet] for a JSON object of the same keys; faults
// carry no place but their key.
func ParseSheetJSON(data []byte) (Sheet, error) {
	dec := json.NewDecoder(bytes.NewReader(data))
	m := map[string]any{}
	if err := dec.Decode(&m); err != nil {
		return Sheet{}, Faults{{What: "not a JSON object: " + strings.TrimPrefix(err.Error(), "json: ")}}
	}
	if _, err := dec.Token(); err != io.EOF {
		return Sheet{}, Faults{{What: "text after the JSON object"}}
	}
	doc := &document{}
	return readSheet(doc, doc.table("", m))
}

// readSheet reads a sheet's tables and checks what they say.
func readSheet(doc *document, root *table) (Sheet, error) {
	var s Sheet
	root.text("name", &s.Name)
	root.text("hardener_kind", &s.HardenerKind)
	s.RatioWeight, s.RatioVolume = root.pair("ratio_by_weight"), root.pair("ratio_by_volume")
	s.RatioTolPct = root.number("ratio_tolerance_pct")
	s.DensityResin, s.DensityHardener = root.number("density_resin_g_cc"), root.number("density_hardener_g_cc")
	// Keys as the person wrote them, by the canonical ones.
	written := map[string]string{}
	for _, x := range []struct {
		stem string
		v    **float64
		half *float64 // nil where a range is none
	}{{"min_temp", &s.MinC, nil}, {"max_temp", &s.MaxC, nil}, {"tg_ambient", &s.TgAmbientC, &s.TgAmbientHalfK}, {"tg_postcure", &s.TgPostcureC, &s.TgPostcureHalfK}} {
		r, key, ok := root.temp(x.stem, x.half != nil)
		if !ok {
			continue
		}
		mid := (r.Lo + r.Hi) / 2
		*x.v, written[x.stem+"_c"] = &mid, key
		if x.half != nil {
			*x.half = (r.Hi - r.Lo) / 2
		}
	}
	for _, t := range root.subs("pot_life") {
		p := PotLife{keys: entryKeys{path: t.path}}
		temp, okT := t.entryTemp(&p.keys)
		mass, mk, okM := t.quantity(unit{"grams", 1}, unit{"fl_oz", flOzML * sheetGCC}, unit{"ml", sheetGCC})
		minutes, tk, okS := t.quantity(unit{"minutes", 1}, unit{"hours", 60})
		t.text("until", &p.Until)
		t.done()
		if okT && okM && okS {
			p.TempC, p.Grams, p.Minutes, p.keys.mass, p.keys.time = temp, mass.Mid(), minutes, mk, tk
			s.PotLife = append(s.PotLife, p)
			if mass.Lo <= 0 {
				t.bad(mk, "%g: must be above 0", mass.Lo)
			}
		}
	}
	for _, t := range root.subs("time") {
		x := SheetTime{keys: entryKeys{path: t.path}}
		temp, okT := t.entryTemp(&x.keys)
		hours, tk, okS := t.quantity(unit{"hours", 1}, unit{"minutes", 1. / 60}, unit{"days", 24})
		t.text("event", &x.Event)
		if _, ok := eventSpan[x.Event]; !t.has("event") {
			t.bad("event", "missing: one of %s", strings.Join(SheetEvents, ", "))
		} else if x.Event != "" && !ok {
			t.bad("event", "%q: must be one of %s", x.Event, strings.Join(SheetEvents, ", "))
		}
		t.done()
		if okT && okS && x.Event != "" {
			x.TempC, x.Hours, x.keys.time = temp, hours, tk
			s.Times = append(s.Times, x)
		}
	}
	root.done()
	if err := doc.finish(s.faults(), written); err != nil {
		return Sheet{}, err
	}
	return s, nil
}

// entryTemp reads the temperature that an entry is given at.
func (t *table) entryTemp(k *entryKeys) (float64, bool) {
	r, key, ok := t.temp("temp", false)
	if !t.has("temp_c") && !t.has("temp_f") {
		t.bad("temp_c", "missing")
	}
	k.temp = key
	return r.Lo, ok
}

// eventSpan is what an event's hours can be; outside it a unit is mixed up.
var eventSpan = map[string]Range{
	EventWorking:     {0.05, 24},
	EventTacky:       {0.05, 48},
	EventRecoatFrom:  {0.05, 72},
	EventTackFree:    {0.1, 96},
	EventRecoatUntil: {0.25, 24 * 60},
	EventSand:        {0.5, 24 * 14},
	EventHandle:      {0.5, 24 * 60},
}

// before are the pairs of events whose order is that of cure.
var before = [][2]string{
	{EventWorking, EventTackFree}, {EventWorking, EventSand}, {EventTacky, EventTackFree},
	{EventTacky, EventSand}, {EventRecoatFrom, EventRecoatUntil}, {EventRecoatFrom, EventSand},
	{EventTackFree, EventSand}, {EventWorking, EventRecoatUntil}, {EventTacky, EventRecoatUntil},
}

// sheetFaults gathers what is wrong with a sheet.
type sheetFaults struct{ fault.List }

// faults is all that is wrong with a sheet, by its keys in °C.
func (s Sheet) faults() fault.List {
	var f sheetFaults
	f.mix(s.Name, s.HardenerKind, s.RatioWeight, s.RatioVolume, s.RatioTolPct, s.DensityResin, s.DensityHardener)
	if _, ok := Generic(s.Name); ok {
		f.Add("name", "%q is the name of a generic resin: take another", s.Name)
	}
	okMin := s.MinC != nil && !f.hot("min_temp_c", *s.MinC) && f.temp("min_temp_c", s.MinC, -20, 40)
	if f.temp("max_temp_c", s.MaxC, 10, 120) && okMin && !(*s.MaxC > *s.MinC) {
		f.Add("max_temp_c", "%.4g °C: must be above the least, %.4g °C", *s.MaxC, *s.MinC)
	}
	okAmb := f.temp("tg_ambient_c", s.TgAmbientC, 20, 90)
	if f.temp("tg_postcure_c", s.TgPostcureC, 35, 220) && okAmb && *s.TgPostcureC < *s.TgAmbientC {
		f.Add("tg_postcure_c", "%.4g °C: below the one after ambient cure, %.4g °C", *s.TgPostcureC, *s.TgAmbientC)
	}
	for i, p := range s.PotLife {
		f.potLife(p.keys.at("pot_life", i), p)
	}
	for i, x := range s.Times {
		f.time(x.keys.at("time", i), x)
	}
	if len(f.List) == 0 { // numbers that cannot be are no ground to compare on
		f.contradictions(s)
	}
	return f.List
}

// mix checks what a sheet and a resin file say alike of a resin.
func (f *sheetFaults) mix(name, kind string, weight, volume *[2]float64, tolPct, resinGCC, hardenerGCC *float64) {
	if strings.TrimSpace(name) == "" {
		f.Add("name", "missing: a resin needs a name")
	}
	if _, ok := skinOf[kind]; kind != "" && !ok {
		f.Add("hardener_kind", "%q: must be one of %s", kind, hardenerKinds)
	}
	ratio := func(key string, v *[2]float64) {
		if v != nil && !(v[0] > 0 && v[1] > 0 && !math.IsInf(v[0]+v[1], 1)) {
			f.Add(key, "%g to %g: both must be above 0", v[0], v[1])
		}
	}
	ratio("ratio_by_weight", weight)
	ratio("ratio_by_volume", volume)
	f.OptWithin("ratio_tolerance_pct", tolPct, 0, 50, "%")
	f.OptWithin("density_resin_g_cc", resinGCC, 0.5, 3, "g/cm³")
	f.OptWithin("density_hardener_g_cc", hardenerGCC, 0.5, 3, "g/cm³")
}

// hint asks whether °F were meant.
func hint(c float64) string {
	if x := fahrenheit(c); x >= -5 && x <= 45 && c > 40 {
		return fmt.Sprintf(" (or is it °F? %.4g °F is %.0f °C)", c, x)
	}
	return ""
}

// hot reports, as a fault, a temperature at which no resin is used that cures at
// room temperature.
func (f *sheetFaults) hot(key string, c float64) bool {
	if c <= heatCuredC {
		return false
	}
	f.Add(key, "%.4g °C: that is the sheet of a heat-cured resin; only resins that cure at room temperature can be fitted%s", c, hint(c))
	return true
}

// temp checks a temperature, and reports whether there is one to compare with.
func (f *sheetFaults) temp(key string, v *float64, lo, hi float64) bool {
	if v != nil && !(*v >= lo && *v <= hi) {
		f.Add(key, "%.4g °C: must be within %g to %g °C%s", *v, lo, hi, hint(*v))
		return false
	}
	return v != nil
}

func (f *sheetFaults) entryTemp(k entryKeys, c float64) {
	if key := k.key(k.temp, "temp_c"); !f.hot(key, c) && !(c >= -10) {
		f.Add(key, "%.4g °C: must be at least −10 °C", c)
	}
}

func (f *sheetFaults) until(key, until string) {
	if until != "" && !slices.Contains(PotLifeEnds, until) {
		f.Add(key, "%q: must be one of %s", until, strings.Join(PotLifeEnds, ", "))
	}
}

func (f *sheetFaults) potLife(k entryKeys, p PotLife) {
	f.entryTemp(k, p.TempC)
	f.Within(k.key(k.mass, "grams"), p.Grams, 5, 20000, "g")
	f.until(k.path+".until", p.Until)
	key := k.key(k.time, "minutes")
	switch m := p.Minutes; {
	case !(m.Lo > 0) || !(m.Hi >= m.Lo):
		f.Add(key, "%s min: must be above 0", m)
	case m.Lo < 2 || m.Hi > 600:
		f.Add(key, "%s min for a cup: must be within 2 to 600 min (minutes and hours mixed up?)", m)
	}
}

func (f *sheetFaults) time(k entryKeys, x SheetTime) {
	f.entryTemp(k, x.TempC)
	span, ok := eventSpan[x.Event]
	if !ok {
		f.Add(k.path+".event", "%q: must be one of %s", x.Event, strings.Join(SheetEvents, ", "))
		return
	}
	key := k.key(k.time, "hours")
	switch h := x.Hours; {
	case !(h.Lo > 0) || !(h.Hi >= h.Lo):
		f.Add(key, "%s h: must be above 0", h)
	case h.Lo < span.Lo || h.Hi > span.Hi:
		f.Add(key, "%s h for %s: must be within %s h (minutes, hours and days mixed up?)", h, x.Event, span)
	}
}

// contradictions are entries that cannot both be true.
func (f *sheetFaults) contradictions(s Sheet) {
	for i, p := range s.PotLife {
		for j, q := range s.PotLife {
			// A warmer or larger cup never lasts longer.
			if i != j && p.Until == q.Until && q.TempC >= p.TempC && q.Grams >= p.Grams && (q.TempC > p.TempC || q.Grams > p.Grams) && q.Minutes.Lo > p.Minutes.Hi {
				k := q.keys.at("pot_life", j)
				f.Add(k.key(k.time, "minutes"), "%.4g g at %.4g °C lasts longer than %.4g g at %.4g °C: that contradicts physics",
					q.Grams, q.TempC, p.Grams, p.TempC)
			}
		}
	}
	for i, p := range s.Times {
		for j, q := range s.Times {
			k := q.keys.at("time", j)
			key := k.key(k.time, "hours")
			switch {
			case i == j:
			case p.Event == q.Event && q.TempC > p.TempC && q.Hours.Mid() > p.Hours.Mid():
				f.Add(key, "%s takes longer at %.4g °C than at %.4g °C: that contradicts physics", q.Event, q.TempC, p.TempC)
			case p.Event == q.Event && q.TempC == p.TempC && j > i:
				f.Add(key, "%s at %.4g °C is given twice", q.Event, q.TempC)
			}
			for _, b := range before {
				if p.Event == b[0] && q.Event == b[1] && math.Abs(q.TempC-p.TempC) <= 1e-9 && q.Hours.Hi < p.Hours.Lo {
					f.Add(key, "%s comes before %s at %.4g °C: that contradicts the order of cure", q.Event, p.Event, q.TempC)
				}
			}
		}
	}
}

// at fills in the path of an entry that was not read from a file.
func (k entryKeys) at(list string, i int) entryKeys {
	k.path = cmp.Or(k.path, fmt.Sprintf("%s[%d]", list, i))
	return k
}

// key is a key of the entry as it was written, or as it is usually.
func (k entryKeys) key(written, usual string) string { return k.path + "." + cmp.Or(written, usual) }
