// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

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

func readSheet(doc *document, root *table) (Sheet, error) {
	var s Sheet
	root.text("name", &s.Name)
	root.text("hardener_kind", &s.HardenerKind)
	s.RatioWeight, s.RatioVolume = root.pair("ratio_by_weight"), root.pair("ratio_by_volume")
	s.RatioTolPct = root.number("ratio_tolerance_pct")
	s.DensityResin, s.DensityHardener = root.number("density_resin_g_cc"), root.number("density_hardener_g_cc")
	// Keys as the person wrote them, by the canonical ones.
	written := map[string]string{}
	temp := func(t *table, stem string) (*float64, string) {
		c, f := t.number(stem+"_c"), t.number(stem+"_f")
		switch {
		case t.has(stem+"_c") && t.has(stem+"_f"):
			t.bad(stem+"_f", "given in °F and in °C: give one")
			return nil, ""
		case c != nil:
			return c, stem + "_c"
		case f != nil:
			x := fahrenheit(*f)
			return &x, stem + "_f"
		}
		return nil, ""
	}
	// tempRange reads a temperature or a range of two.
	tempRange := func(t *table, stem string) (key string, lo, hi float64, ok bool) {
		key = stem + "_c"
		if t.has(stem + "_f") {
			if t.has(key) {
				t.bad(stem+"_f", "given in °F and in °C: give one")
				return key, 0, 0, false
			}
			key = stem + "_f"
		}
		l, ok := t.numbers(key)
		switch {
		case !ok:
			return key, 0, 0, false
		case len(l) == 1:
			l = append(l, l[0])
		case len(l) != 2:
			t.bad(key, "%d numbers: must be one, or two for a range", len(l))
			return key, 0, 0, false
		case l[0] > l[1]:
			t.bad(key, "%g to %g: a range goes from the smaller to the larger", l[0], l[1])
			return key, 0, 0, false
		}
		lo, hi = l[0], l[1]
		if key == stem+"_f" {
			lo, hi = fahrenheit(lo), fahrenheit(hi)
		}
		return key, lo, hi, true
	}
	for _, x := range []struct {
		stem string
		v    **float64
	}{{"min_temp", &s.MinC}, {"max_temp", &s.MaxC}} {
		var key string
		*x.v, key = temp(root, x.stem)
		written[x.stem+"_c"] = key
	}
	for _, x := range []struct {
		stem string
		v    **float64
		half *float64
	}{{"tg_ambient", &s.TgAmbientC, &s.TgAmbientHalfK}, {"tg_postcure", &s.TgPostcureC, &s.TgPostcureHalfK}} {
		if key, lo, hi, ok := tempRange(root, x.stem); ok {
			mid := (lo + hi) / 2
			*x.v, *x.half = &mid, (hi-lo)/2
			written[x.stem+"_c"] = key
		}
	}
	// one reads a quantity that may stand in several units.
	type unit struct {
		key    string
		factor float64
	}
	one := func(t *table, units []unit) (Range, string, bool) {
		var got Range
		var key string
		for _, u := range units {
			if !t.has(u.key) {
				continue
			}
			l, ok := t.numbers(u.key)
			if key != "" {
				t.bad(u.key, "given twice, as %s too: give one", key)
				return Range{}, "", false
			}
			key = u.key
			switch {
			case !ok:
				return Range{}, "", false
			case len(l) == 1:
				got = Range{l[0] * u.factor, l[0] * u.factor}
			case len(l) == 2 && l[0] <= l[1]:
				got = Range{l[0] * u.factor, l[1] * u.factor}
			case len(l) == 2:
				t.bad(u.key, "%g to %g: a range goes from the smaller to the larger", l[0], l[1])
				return Range{}, "", false
			default:
				t.bad(u.key, "%d numbers: must be one, or two for a range", len(l))
				return Range{}, "", false
			}
		}
		if key == "" {
			t.bad(units[0].key, "missing")
			return Range{}, "", false
		}
		return got, key, true
	}
	entry := func(t *table) (c float64, keys entryKeys, ok bool) {
		keys.path = t.path
		p, key := temp(t, "temp")
		if p == nil {
			if !t.has("temp_c") && !t.has("temp_f") {
				t.bad("temp_c", "missing")
			}
			return 0, keys, false
		}
		keys.temp = key
		return *p, keys, true
	}
	for _, t := range root.subs("pot_life") {
		c, keys, okT := entry(t)
		mass, mk, okM := one(t, []unit{{"grams", 1}, {"fl_oz", flOzML * sheetGCC}, {"ml", sheetGCC}})
		minutes, tk, okS := one(t, []unit{{"minutes", 1}, {"hours", 60}})
		keys.mass, keys.time = mk, tk
		var until string
		t.text("until", &until)
		t.done()
		if okT && okM && okS {
			s.PotLife = append(s.PotLife, PotLife{Grams: mass.Mid(), TempC: c, Minutes: minutes, Until: until, keys: keys})
			if mass.Lo <= 0 {
				t.bad(mk, "%g: must be above 0", mass.Lo)
			}
		}
	}
	for _, t := range root.subs("time") {
		c, keys, okT := entry(t)
		hours, tk, okS := one(t, []unit{{"hours", 1}, {"minutes", 1. / 60}, {"days", 24}})
		keys.time = tk
		var event string
		t.text("event", &event)
		if _, ok := eventSpan[event]; !t.has("event") {
			t.bad("event", "missing: one of %s", strings.Join(SheetEvents, ", "))
		} else if event != "" && !ok {
			t.bad("event", "%q: must be one of %s", event, strings.Join(SheetEvents, ", "))
		}
		t.done()
		if okT && okS && event != "" {
			s.Times = append(s.Times, SheetTime{Event: event, TempC: c, Hours: hours, keys: keys})
		}
	}
	root.done()
	seen := map[string]bool{}
	for _, f := range doc.faults {
		seen[f.Key] = true
	}
	for _, f := range s.faults() {
		if k := written[f.Key]; k != "" {
			f.Key = k
		}
		if !seen[f.Key] {
			doc.bad(f.Key, "%s", f.What)
		}
	}
	if len(doc.faults) > 0 {
		return Sheet{}, doc.faults.Err()
	}
	return s, nil
}

// span is what an event's hours can be; outside it a unit is mixed up.
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

func (s Sheet) faults() Faults {
	var fs Faults
	bad := func(key, format string, a ...any) {
		fs = append(fs, Fault{Key: key, What: fmt.Sprintf(format, a...)})
	}
	if strings.TrimSpace(s.Name) == "" {
		bad("name", "missing: a resin needs a name")
	}
	if _, ok := Generic(s.Name); ok {
		bad("name", "%q is the name of a generic resin: take another", s.Name)
	}
	if s.HardenerKind != "" {
		if _, ok := skinOf[s.HardenerKind]; !ok {
			bad("hardener_kind", "%q: must be one of %s", s.HardenerKind, hardenerKinds)
		}
	}
	for _, x := range []struct {
		key string
		v   *[2]float64
	}{{"ratio_by_weight", s.RatioWeight}, {"ratio_by_volume", s.RatioVolume}} {
		if x.v != nil && (!(x.v[0] > 0) || !(x.v[1] > 0)) {
			bad(x.key, "%g to %g: both must be above 0", x.v[0], x.v[1])
		}
	}
	for _, x := range []struct {
		key string
		v   *float64
	}{{"density_resin_g_cc", s.DensityResin}, {"density_hardener_g_cc", s.DensityHardener}} {
		if x.v != nil && !(*x.v >= 0.5 && *x.v <= 3) {
			bad(x.key, "%g g/cm³: must be within 0.5 to 3", *x.v)
		}
	}
	if p := s.RatioTolPct; p != nil && !(*p >= 0 && *p <= 50) {
		bad("ratio_tolerance_pct", "%g %%: must be within 0 to 50 %%", *p)
	}
	hint := func(c float64) string {
		if x := fahrenheit(c); x >= -5 && x <= 45 && c > 40 {
			return fmt.Sprintf(" (or is it °F? %.4g °F is %.0f °C)", c, x)
		}
		return ""
	}
	hot := func(key string, c float64) bool {
		if c <= heatCuredC {
			return false
		}
		bad(key, "%.4g °C: that is the sheet of a heat-cured resin; only resins that cure at room temperature can be fitted%s", c, hint(c))
		return true
	}
	temps := func(key string, v *float64, lo, hi float64) bool {
		if v == nil {
			return false
		}
		if !(*v >= lo && *v <= hi) {
			bad(key, "%.4g °C: must be within %g to %g °C%s", *v, lo, hi, hint(*v))
			return false
		}
		return true
	}
	okMin := s.MinC != nil && !hot("min_temp_c", *s.MinC) && temps("min_temp_c", s.MinC, -20, 40)
	if temps("max_temp_c", s.MaxC, 10, 120) && okMin && !(*s.MaxC > *s.MinC) {
		bad("max_temp_c", "%.4g °C: must be above the least, %.4g °C", *s.MaxC, *s.MinC)
	}
	okAmb := temps("tg_ambient_c", s.TgAmbientC, 20, 90)
	if temps("tg_postcure_c", s.TgPostcureC, 35, 220) && okAmb && *s.TgPostcureC < *s.TgAmbientC {
		bad("tg_postcure_c", "%.4g °C: below the one after ambient cure, %.4g °C", *s.TgPostcureC, *s.TgAmbientC)
	}
	entryTemp := func(k entryKeys, c float64) {
		key := k.path + "." + orKey(k.temp, "temp_c")
		if !hot(key, c) && !(c >= -10) {
			bad(key, "%.4g °C: must be at least −10 °C", c)
		}
	}
	for i, p := range s.PotLife {
		k := p.keys.at("pot_life", i)
		entryTemp(k, p.TempC)
		if !(p.Grams >= 5 && p.Grams <= 20000) {
			bad(k.path+"."+orKey(k.mass, "grams"), "%.4g g: must be within 5 to 20000 g", p.Grams)
		}
		if p.Until != "" && !slices.Contains(PotLifeEnds, p.Until) {
			bad(k.path+".until", "%q: must be one of %s", p.Until, strings.Join(PotLifeEnds, ", "))
		}
		key := k.path + "." + orKey(k.time, "minutes")
		switch m := p.Minutes; {
		case !(m.Lo > 0) || !(m.Hi >= m.Lo):
			bad(key, "%s min: must be above 0", m)
		case m.Lo < 2 || m.Hi > 600:
			bad(key, "%s min for a cup: must be within 2 to 600 min (minutes and hours mixed up?)", m)
		}
	}
	for i, x := range s.Times {
		k := x.keys.at("time", i)
		entryTemp(k, x.TempC)
		span, ok := eventSpan[x.Event]
		if !ok {
			bad(k.path+".event", "%q: must be one of %s", x.Event, strings.Join(SheetEvents, ", "))
			continue
		}
		key := k.path + "." + orKey(k.time, "hours")
		switch h := x.Hours; {
		case !(h.Lo > 0) || !(h.Hi >= h.Lo):
			bad(key, "%s h: must be above 0", h)
		case h.Lo < span.Lo || h.Hi > span.Hi:
			bad(key, "%s h for %s: must be within %s h (minutes, hours and days mixed up?)", h, x.Event, span)
		}
	}
	if len(fs) > 0 {
		return fs // numbers that cannot be are no ground to compare on
	}
	for i, p := range s.PotLife {
		for j, q := range s.PotLife {
			// A warmer or larger cup never lasts longer.
			if i != j && p.Until == q.Until && q.TempC >= p.TempC && q.Grams >= p.Grams && (q.TempC > p.TempC || q.Grams > p.Grams) && q.Minutes.Lo > p.Minutes.Hi {
				k := q.keys.at("pot_life", j)
				bad(k.path+"."+orKey(k.time, "minutes"), "%.4g g at %.4g °C lasts longer than %.4g g at %.4g °C: that contradicts physics",
					q.Grams, q.TempC, p.Grams, p.TempC)
			}
		}
	}
	for i, p := range s.Times {
		for j, q := range s.Times {
			k := q.keys.at("time", j)
			key := k.path + "." + orKey(k.time, "hours")
			switch {
			case i == j:
			case p.Event == q.Event && q.TempC > p.TempC && q.Hours.Mid() > p.Hours.Mid():
				bad(key, "%s takes longer at %.4g °C than at %.4g °C: that contradicts physics", q.Event, q.TempC, p.TempC)
			case p.Event == q.Event && q.TempC == p.TempC && j > i:
				bad(key, "%s at %.4g °C is given twice", q.Event, q.TempC)
			}
			for _, b := range before {
				if p.Event == b[0] && q.Event == b[1] && q.TempC >= p.TempC-1e-9 && q.TempC <= p.TempC+1e-9 && q.Hours.Hi < p.Hours.Lo {
					bad(key, "%s comes before %s at %.4g °C: that contradicts the order of cure", q.Event, p.Event, q.TempC)
				}
			}
		}
	}
	return fs
}

func orKey(key, fallback string) string {
	if key == "" {
		return fallback
	}
	return key
}

// at fills in the path of an entry that was not read from a file.
func (k entryKeys) at(list string, i int) entryKeys {
	if k.path == "" {
		k.path = fmt.Sprintf("%s[%d]", list, i)
	}
	return k
}
