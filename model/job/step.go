// SPDX-License-Identifier: Apache-2.0

package job

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"curewright/model/coat"
	"curewright/model/fault"
	"curewright/model/pot"
)

// Step is one thing to do, in order: a [[step]] of a job file, of a stored job
// and of a plan alike.
type Step struct {
	ID    string `json:"id" toml:"id"`
	Panel string `json:"panel" toml:"panel"`
	Do    string `json:"do" toml:"do"`                         // one of [Does]
	Coat  string `json:"coat,omitempty" toml:"coat,omitempty"` // of a coat: its kind, or in a file the id of a [[coat]]
	Resin string `json:"resin,omitempty" toml:"resin,omitempty"`
	// Cloth is what a coat fills or a cloth step lays, "glass 200 twill",
	// several with " + ".
	Cloth       string   `json:"cloth,omitempty" toml:"cloth,omitempty"`
	AreaM2      *float64 `json:"area_m2,omitempty" toml:"area_m2,omitempty"` // nil: the panel's
	When        string   `json:"when,omitempty" toml:"when,omitempty"`       // one of [Whens]
	Of          string   `json:"of,omitempty" toml:"of,omitempty"`           // the step that When is about; "": the coat before it
	WorkMinutes *float64 `json:"work_minutes,omitempty" toml:"work_minutes,omitempty"`
	DepthMM     *float64 `json:"depth_mm,omitempty" toml:"depth_mm,omitempty"` // of a bond: how thick the joint is
	To          string   `json:"to,omitempty" toml:"to,omitempty"`             // a flip's other panel
	// Cover goes on after a coat, a cloth, or in a step of its own; a vacuum
	// bag is BagKPa below the shop's pressure for BagMinutes.
	Cover      string   `json:"cover,omitempty" toml:"cover,omitempty"`
	BagKPa     *float64 `json:"bag_kpa,omitempty" toml:"bag_kpa,omitempty"`
	BagMinutes *float64 `json:"bag_minutes,omitempty" toml:"bag_minutes,omitempty"`
	// A soak holds TempC for Hours after a ramp of RampCH; a wait lasts Hours.
	TempC  *float64 `json:"temp_c,omitempty" toml:"temp_c,omitempty"`     // °C
	Hours  *float64 `json:"hours,omitempty" toml:"hours,omitempty"`       // h
	RampCH *float64 `json:"ramp_c_h,omitempty" toml:"ramp_c_h,omitempty"` // °C/h, up and down
	Note   string   `json:"note,omitempty" toml:"note,omitempty"`
}

// The words a step may use.
var (
	Does  = []string{"coat", "cloth", "cover", "sand", "wash", "flip", "unclamp", "wait", "soak"}
	Whens = []string{"start", "tacky", "wet", "recoat", "fill", "hard", "handle"}
)

// MaxSteps is the most steps that a job may have.
const MaxSteps = 60

// Limits of a soak: what a heated tent of film and battens can be, and a ramp
// that a foam core follows (our choice; the tent's latched limit and the
// resin's maximum are lower).
const (
	maxSoakC  = 120.0
	maxRampCH = 60.0
)

// waitsForSoft are conditions that a coat leaves again as it cures.
var waitsForSoft = []string{"tacky", "wet", "recoat", "fill"}

// CheckSteps checks the steps of a job against its panels and returns every
// fault, its field below prefix as in "step[3].of".
func CheckSteps(prefix string, steps []Step, panels []coat.Panel) (all []Fault) {
	if len(steps) > MaxSteps {
		return []Fault{{Field: prefix, What: fmt.Sprintf("%d steps are more than %d", len(steps), MaxSteps)}}
	}
	for i, f := range StepFaults(steps, panels) {
		for _, x := range f {
			all = append(all, Fault{Field: fmt.Sprintf("%s[%d].%s", prefix, i, x.Field), What: x.What})
		}
	}
	return all
}

// StepFaults is all that is wrong with each of a job's steps.
func StepFaults(steps []Step, panels []coat.Panel) []fault.List {
	c := stepCheck{steps: steps, panels: map[string]coat.Panel{}, up: map[string]string{}, turned: map[string]string{}}
	for _, p := range panels {
		p.Piece = cmp.Or(p.Piece, p.ID)
		c.panels[p.ID] = p
	}
	out := make([]fault.List, len(steps))
	for i := range steps {
		f := &out[i]
		c.fields(f, i)
		c.place(f, i)
		ofFault := checkOf(f, steps, i)
		c.needs(f, i, ofFault)
		c.flip(f, i)
		c.strays(f, i)
	}
	return out
}

// stepCheck goes through the steps of a job in their order.
type stepCheck struct {
	steps  []Step
	panels map[string]coat.Panel
	up     map[string]string // piece → panel that lies up, once known
	turned map[string]string // piece → flip that was its last step
}

// fields checks each field of a step by itself.
func (c *stepCheck) fields(f *fault.List, i int) {
	s := c.steps[i]
	f.ID("id", s.ID)
	if slices.IndexFunc(c.steps, func(x Step) bool { return x.ID == s.ID }) < i && s.ID != "" {
		f.Add("id", "second step %q", s.ID)
	}
	f.OneOf("do", s.Do, Does, true)
	f.OneOf("when", s.When, Whens, false)
	f.OptPositive("area_m2", s.AreaM2, 1000, "m²")
	f.OptPositive("work_minutes", s.WorkMinutes, 24*60, "min")
	f.OptPositive("depth_mm", s.DepthMM, 200, "mm")
	checkCover(f, s.Cover, s.BagKPa, s.BagMinutes)
	f.OptPositive("hours", s.Hours, 60*24, "h")
	f.OptWithin("temp_c", s.TempC, 15, maxSoakC, "°C")
	f.OptPositive("ramp_c_h", s.RampCH, maxRampCH, "°C/h")
	f.Text("note", s.Note, maxNote)
	if s.Cloth != "" {
		if _, err := pot.ParseCloths(s.Cloth); err != nil {
			for line := range strings.SplitSeq(err.Error(), "\n") {
				f.Add("cloth", "%s", line)
			}
		}
	}
}

// place checks that the step's panel is there, and lies up.
func (c *stepCheck) place(f *fault.List, i int) {
	s := c.steps[i]
	panel, known := c.panels[s.Panel]
	switch {
	case s.Panel == "":
		f.Add("panel", "missing")
	case !known:
		f.Add("panel", "unknown panel %q", s.Panel)
	default:
		if was, ok := c.up[panel.Piece]; ok && was != s.Panel && !(s.Do == "flip" && c.turned[panel.Piece] != "") {
			f.Add("panel", "%q lies face down: %q is up, and no flip to %q comes before", s.Panel, was, s.Panel)
		}
		c.up[panel.Piece] = s.Panel
	}
}

// needs checks that a step has what its kind of work needs, and waits for
// nothing that its work contradicts. ofFault says that what it waits for is
// known to be wrong.
func (c *stepCheck) needs(f *fault.List, i int, ofFault bool) {
	s, base := c.steps[i], baseCoat(c.steps, i)
	if !ofFault && base < 0 && s.Of == "" && s.When != "" && s.When != "start" {
		f.Add("when", "%q, but no coat comes before it to be %s", s.When, s.When)
	}
	switch s.Do {
	case "coat":
		if s.Coat == "" {
			f.Add("coat", "missing: one of %s", strings.Join(Kinds, ", "))
		}
	case "cloth":
		switch {
		case s.Cloth == "":
			f.Add("cloth", "missing: fibre, g/m² and weave, such as \"glass 200 twill\"")
		case base < 0 && !ofFault:
			f.Add("of", "a cloth into nothing: no coat comes before it on %q", s.Panel)
		case base >= 0 && c.steps[base].Panel != s.Panel && s.Panel != "":
			f.Add("of", "a cloth into nothing: %q is on %q", c.steps[base].ID, c.steps[base].Panel)
		}
	case "cover":
		if s.Cover == "" || s.Cover == "none" {
			f.Add("cover", "missing: peel ply, film or vacuum bag")
		}
	case "sand", "unclamp":
		if slices.Contains(waitsForSoft, s.When) {
			f.Add("when", "%q conflicts with do = %q: it takes a hard coat", s.When, s.Do)
		}
	case "wait":
		if s.Hours == nil {
			f.Add("hours", "missing: how long to wait")
		}
	case "soak":
		if s.Hours == nil {
			f.Add("hours", "missing: how long to hold")
		}
		if s.TempC == nil {
			f.Add("temp_c", "missing: what to hold")
		}
	}
}

// flip checks a flip, and turns the piece: its other panel lies up from here.
func (c *stepCheck) flip(f *fault.List, i int) {
	s, base := c.steps[i], baseCoat(c.steps, i)
	panel, known := c.panels[s.Panel]
	if s.Do != "flip" {
		if s.To != "" {
			f.Add("to", "only a flip has one")
		}
		delete(c.turned, panel.Piece)
		return
	}
	to, toKnown := c.panels[s.To]
	switch {
	case s.To == "":
		f.Add("to", "missing: a flip names the panel it turns up")
	case !toKnown:
		f.Add("to", "unknown panel %q", s.To)
	case s.To == s.Panel:
		f.Add("to", "a flip to the same panel")
	case known && to.Piece != panel.Piece:
		f.Add("to", "%q and %q are not sides of one piece", s.Panel, s.To)
	}
	if !known {
		return
	}
	if t := c.turned[panel.Piece]; t != "" {
		f.Add("do", "two flips: %q has turned it already, and nothing is done between", t)
	}
	if base >= 0 && c.steps[base].Panel == s.Panel && s.When != "hard" && s.When != "handle" {
		f.Add("when", "%q conflicts with a flip: the coat on %q must be hard first", s.When, s.Panel)
	}
	c.turned[panel.Piece] = s.ID
	if toKnown {
		c.up[panel.Piece] = s.To
	}
}

// strays names the fields that are set and not of the step's kind of work.
func (c *stepCheck) strays(f *fault.List, i int) {
	s := c.steps[i]
	if !slices.Contains(Does, s.Do) {
		return
	}
	for _, key := range []struct {
		name string
		set  bool
		does []string
	}{
		{"depth_mm", s.DepthMM != nil, []string{"coat"}},
		{"hours", s.Hours != nil, []string{"wait", "soak"}},
		{"temp_c", s.TempC != nil, []string{"soak"}},
		{"ramp_c_h", s.RampCH != nil, []string{"soak"}},
		{"cover", s.Cover != "", []string{"coat", "cloth", "cover"}},
	} {
		if key.set && !slices.Contains(key.does, s.Do) {
			f.Add(key.name, "is of do = %s", strings.Join(key.does, " or "))
		}
	}
}

// checkOf checks what step i waits for; it reports whether it found a fault.
func checkOf(f *fault.List, steps []Step, i int) bool {
	s := steps[i]
	if s.Of == "" {
		return false
	}
	of := slices.IndexFunc(steps, func(x Step) bool { return x.ID == s.Of })
	switch {
	case s.Of == s.ID:
		f.Add("of", "step %q waits for itself", s.ID)
	case of < 0:
		f.Add("of", "unknown step %q", s.Of)
	case of > i:
		if ring := ring(steps, i); ring != nil {
			f.Add("of", "a loop: %s", strings.Join(ring, " waits for "))
		} else {
			f.Add("of", "step %q comes later", s.Of)
		}
	default:
		return false
	}
	return true
}

// ring follows what step i waits for and returns the ids of the loop that
// leads back to it, nil when none does.
func ring(steps []Step, i int) []string {
	ids := []string{steps[i].ID}
	for at, n := i, 0; n < len(steps); n++ {
		next := slices.IndexFunc(steps, func(x Step) bool { return x.ID == steps[at].Of })
		if steps[at].Of == "" || next < 0 {
			return nil
		}
		ids = append(ids, steps[next].ID)
		if next == i {
			return ids
		}
		at = next
	}
	return nil
}

// baseCoat is the index of the coat step that step i's condition is about: of
// the step it names, else the last coat before it on its panel; -1 for none.
func baseCoat(steps []Step, i int) int {
	s := steps[i]
	if s.Of != "" {
		k := slices.IndexFunc(steps, func(x Step) bool { return x.ID == s.Of })
		switch {
		case k < 0 || k >= i:
			return -1
		case steps[k].Do == "coat":
			return k
		}
		return baseCoat(steps, k)
	}
	for k := i - 1; k >= 0; k-- {
		if steps[k].Panel == s.Panel && steps[k].Do == "coat" {
			return k
		}
	}
	return -1
}

// Fills are the cloths that step i's coat fills: those that it names, and
// those laid by steps of their own. A cloth laid into a wet coat is filled by
// that coat, one pressed into a tack coat by the next coat on the panel: a tack
// film holds a cloth without filling it.
func Fills(steps []Step, i int) []pot.Cloth {
	var named []pot.Cloth
	if steps[i].Cloth != "" {
		named, _ = pot.ParseCloths(steps[i].Cloth) // checked before
	}
	all := slices.Clone(named)
	for k, z := range steps {
		if z.Do != "cloth" || z.Panel != steps[i].Panel || filledBy(steps, k) != i {
			continue
		}
		laid, _ := pot.ParseCloths(z.Cloth)
		for _, l := range laid {
			// The coat may name what a step of its own lays: one cloth, not two.
			same := slices.IndexFunc(named, func(n pot.Cloth) bool { return n.Fibre == l.Fibre && n.GM2 == l.GM2 })
			if same >= 0 {
				named = slices.Delete(slices.Clone(named), same, same+1)
				continue
			}
			all = append(all, l)
		}
	}
	return all
}

// filledBy is the coat that fills the cloth of step k, -1 when none does.
func filledBy(steps []Step, k int) int {
	if steps[k].When != "wet" {
		for i := k + 1; i < len(steps); i++ {
			if n := steps[i]; n.Panel == steps[k].Panel && n.Do == "coat" && n.Coat != coat.Bond {
				return i
			}
		}
	}
	return baseCoat(steps, k)
}

// Need is what step i's coat takes: area, cloths, and the bare core that no
// coat before it on the panel has sealed. ok is false where there is no area to
// reckon from, or the step is no coat.
func Need(steps []Step, i int, p coat.Panel, gcc float64) (n pot.Need, ok bool) {
	s := steps[i]
	area := s.AreaM2
	if area == nil {
		area = p.AreaM2
	}
	if s.Do != "coat" || area == nil || !slices.Contains(Kinds, s.Coat) {
		return n, false
	}
	n = pot.Need{Kind: s.Coat, AreaM2: *area, Cloth: Fills(steps, i), PeelPly: s.Cover == "peel ply", GCC: gcc}
	if s.DepthMM != nil {
		n.DepthMM = *s.DepthMM
	}
	if s.Coat != coat.Bond {
		sealed := 0.0
		for _, b := range steps[:i] {
			if b.Panel == s.Panel && b.Do == "coat" && b.Coat != coat.Bond {
				sealed += *cmp.Or(b.AreaM2, p.AreaM2, area)
			}
		}
		if bare := pot.BareM2(*area, p.AreaM2, sealed); bare > 0 {
			n.Core, n.CoreM2 = p.Core, &bare
		}
	}
	return n, true
}
