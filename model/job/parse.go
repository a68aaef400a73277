// SPDX-License-Identifier: Apache-2.0

package job

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/fault"
	"curewright/model/tomlfile"
)

// Job is a job file: the record of work that replay reads, and the day that a
// plan is made for.
type Job struct {
	Path     string
	Work     coat.Work
	Settings Settings
	// Planned coats have no time yet; only a file with a day may have them.
	Planned []coat.Coat
	Cloths  []JobCloth
	Day     *Day
	Steps   []Step

	file *tomlfile.File
}

// Place says where in the file a key stands, as PATH:LINE:COLUMN, for faults
// found after parsing: j.Place("step", 2, "coat").
func (j *Job) Place(path ...any) string {
	line, col := j.file.Place(path...)
	if line == 0 {
		return j.Path
	}
	return fmt.Sprintf("%s:%d:%d", j.Path, line, col)
}

// Named is step i as a plan and a schedule have it: where it names a [[coat]] of
// the file by its id, the coat's kind stands there, with what else the step
// leaves to it. c is that coat, nil for none.
func (j *Job) Named(i int) (s Step, c *coat.Coat) {
	s = j.Steps[i]
	for _, x := range slices.Concat(j.Work.Coats, j.Planned) {
		if s.Do == "coat" && x.ID == s.Coat {
			c = &x
		}
	}
	if c != nil {
		s.Coat, s.Resin = c.Kind, cmp.Or(s.Resin, c.Resin)
		if s.Cover == "" {
			s.Cover, s.BagKPa, s.BagMinutes = c.Cover, c.BagKPa, c.BagMinutes
		}
	}
	return s, c
}

// JobCloth is one [[cloth]] table: a cloth laid into, or meant for, a coat.
type JobCloth struct {
	Name string     `toml:"name"`
	GM2  *float64   `toml:"g_m2,omitempty"`
	Coat string     `toml:"coat"`
	Laid *time.Time `toml:"laid,omitempty"`
}

// Day is the [day] that a plan is made for.
type Day struct {
	Start  time.Time `toml:"start"`  // not before this
	Hours  []string  `toml:"hours"`  // when somebody works, "08:00-20:00"
	People int       `toml:"people"` // 0 means not told: one
	LowC   *float64  `toml:"low_c"`  // expected overnight low, °C
	// Grams says what grams are reckoned by: "own" (or nothing), what was learnt
	// from coats that were weighed, where there are any; "tables" without that.
	Grams string `toml:"grams"`
	Lays  string `toml:"lays"` // whose own grams; "": of all who lay here
}

// ByTables reports whether the day is planned without what was learnt.
func (d *Day) ByTables() bool { return d.Grams == GramsTables }

// What a day's grams are reckoned by.
const (
	GramsOwn    = "own"
	GramsTables = "tables"
)

// ResinLoader finds a resin that is not one of the generic sets, by the name
// or file the job gives.
type ResinLoader func(name string) (cure.Resin, error)

type jobFile struct {
	Piece []coat.Piece `toml:"piece"`
	Panel []coat.Panel `toml:"panel"`
	Coat  []coat.Coat  `toml:"coat"`
	Batch []coat.Batch `toml:"batch"`
	Cloth []JobCloth   `toml:"cloth"`
	Feel  []coat.Feel  `toml:"feel"`
	Shop  jobShop      `toml:"shop"`
	Day   *Day         `toml:"day"`
	Step  []Step       `toml:"step"`
}

type jobShop struct {
	Air        string              `toml:"air"`
	Outdoor    string              `toml:"outdoor"`
	LowC       *float64            `toml:"low_c"`
	LowFor     *time.Time          `toml:"low_for"`
	Sleep      string              `toml:"sleep"` // "22:30-06:30"
	SetPointC  *float64            `toml:"set_point_c"`
	FuelHeater bool                `toml:"fuel_heater"`
	ProbeSDK   map[string]*float64 `toml:"probe_sd_k"`
}

// ParseJob reads a job file strictly. now is the time beyond which a record
// lies in the future (zero: not checked). load finds resins that are not
// generic; nil means there are none. The error lists every fault, one line
// each, as FILE:LINE:COLUMN: KEY: WHAT; with an error no job is returned.
func ParseJob(data []byte, path string, now time.Time, load ResinLoader) (*Job, error) {
	var in jobFile
	f, faults := tomlfile.Decode(data, &in)
	if f == nil {
		return nil, located{path, faults}
	}
	p := parser{file: f, now: now, faults: faults, load: load,
		job: &Job{Path: path, file: f, Day: in.Day, Steps: in.Step, Cloths: in.Cloth}}
	p.run(&in)
	if err := p.faults.Err(); err != nil {
		return nil, located{path, p.faults}
	}
	return p.job, nil
}

// located is faults of a named file; each line carries the file's name.
type located struct {
	path   string
	faults tomlfile.Faults
}

// Error is every fault, one a line.
func (l located) Error() string { return strings.Join(l.Lines(), "\n") }

// Lines is every fault as PLACE: WHAT.
func (l located) Lines() []string { return l.faults.Lines(l.path) }

// Lines splits an error of this package into its single faults, for a program
// that prints one line each.
func Lines(err error) []string {
	if err == nil {
		return nil
	}
	if l, ok := err.(interface{ Lines() []string }); ok {
		return l.Lines()
	}
	return []string{err.Error()}
}

type parser struct {
	file   *tomlfile.File
	now    time.Time
	faults tomlfile.Faults
	load   ResinLoader
	job    *Job
}

func (p *parser) add(what string, path ...any) {
	p.faults = append(p.faults, p.file.Fault(what, path...))
}

// at turns faults of a record into faults of the file.
func (p *parser) at(fs []Fault, table string, i int) {
	for _, x := range fs {
		p.faults = append(p.faults, p.file.At(fmt.Sprintf("%s[%d].%s", table, i, x.Field), x.What))
	}
}

// local refuses a time without an offset: which instant it means would depend
// on the machine that reads it.
func (p *parser) local(t time.Time, path ...any) {
	if !t.IsZero() && t.Location() == time.Local {
		p.add("no offset from UTC: write it as 2026-10-10T09:40:00+01:00", path...)
	}
}

func (p *parser) run(in *jobFile) {
	w := &p.job.Work
	w.Resins = map[string]cure.Resin{}
	w.Pieces = in.Piece
	seen := once(p, "panel")
	for i := range in.Panel {
		pn := &in.Panel[i]
		pn.Piece = cmp.Or(pn.Piece, pn.ID)
		p.at(CheckPanel(w, *pn), "panel", i)
		seen(pn.ID, i)
	}
	w.Panels = in.Panel

	seen = once(p, "batch")
	for i := range in.Batch {
		b := &in.Batch[i]
		b.ID = cmp.Or(b.ID, fmt.Sprintf("batch-%d", i+1))
		p.resin(b.Resin, "batch", i, "resin")
		p.local(b.Mixed, "batch", i, "mixed")
		p.at(p.quiet(CheckBatch(w, *b, p.now)), "batch", i)
		seen(b.ID, i)
	}
	w.Batches = in.Batch

	p.coats(in)
	for i := range in.Feel {
		x := &in.Feel[i]
		x.ID = cmp.Or(x.ID, fmt.Sprintf("feel-%d", i+1))
		p.local(x.At, "feel", i, "at")
		p.at(CheckFeel(w, *x, p.now), "feel", i)
	}
	w.Feels = in.Feel
	slices.SortStableFunc(w.Batches, func(a, b coat.Batch) int { return a.Mixed.Compare(b.Mixed) })
	slices.SortStableFunc(w.Coats, func(a, b coat.Coat) int { return a.Applied.Compare(b.Applied) })
	slices.SortStableFunc(w.Feels, func(a, b coat.Feel) int { return a.At.Compare(b.At) })

	p.shop(in.Shop)
	p.day(in)
	if len(in.Panel)+len(in.Coat)+len(in.Step) == 0 && len(p.faults) == 0 {
		p.faults = append(p.faults, tomlfile.Fault{What: "nothing in it: at least one [[panel]] and one [[coat]] belong here"})
	}
}

// once is a check that no id stands twice in the tables of a kind.
func once(p *parser, kind string) func(id string, i int) {
	seen := map[string]bool{}
	return func(id string, i int) {
		if seen[id] && id != "" {
			p.add(fmt.Sprintf("second %s %q", kind, id), kind, i, "id")
		}
		seen[id] = true
	}
}

// coats takes the coats with their cloths; those without a time are planned,
// where the file is of a day.
func (p *parser) coats(in *jobFile) {
	w, seen := &p.job.Work, once(p, "coat")
	for i := range in.Coat {
		c := &in.Coat[i]
		c.ID = cmp.Or(c.ID, fmt.Sprintf("coat-%d", i+1))
		seen(c.ID, i)
		for _, cl := range in.Cloth {
			if cl.Coat == c.ID {
				c.Cloth = append(c.Cloth, coat.Cloth{Name: cl.Name, GM2: cl.GM2, Laid: cl.Laid})
			}
		}
		p.resin(c.Resin, "coat", i, "resin")
		p.local(c.Applied, "coat", i, "applied")
		fs := p.quiet(CheckCoat(w, *c, p.now))
		if c.Applied.IsZero() && (in.Day != nil || len(in.Step) > 0) {
			fs = slices.DeleteFunc(fs, func(x Fault) bool { return x.Field == "applied" })
			p.job.Planned = append(p.job.Planned, *c)
		} else {
			w.Coats = append(w.Coats, *c)
		}
		p.at(fs, "coat", i)
	}
	for i, cl := range in.Cloth {
		if cl.Name == "" {
			p.add("missing", "cloth", i, "name")
		}
		var f fault.List
		f.OptPositive("g_m2", cl.GM2, 10000, "g/m²")
		p.at(f, "cloth", i)
		if cl.Coat != "" && slices.IndexFunc(in.Coat, func(c coat.Coat) bool { return c.ID == cl.Coat }) < 0 {
			p.add(fmt.Sprintf("unknown coat %q", cl.Coat), "cloth", i, "coat")
		}
	}
}

// quiet drops the complaint about an unknown resin: resin said it already, at
// the same place and with the reason.
func (p *parser) quiet(fs []Fault) []Fault {
	return slices.DeleteFunc(fs, func(x Fault) bool { return x.Field == "resin" && x.What != "missing" })
}

func (p *parser) resin(name string, path ...any) {
	w := &p.job.Work
	if name == "" {
		return
	}
	if _, ok := w.Resins[name]; ok {
		return
	}
	if r, ok := cure.Generic(name); ok {
		w.Resins[name] = r
		return
	}
	if p.load == nil {
		p.add(fmt.Sprintf("unknown resin %q: fast, medium, slow, or a resin file", name), path...)
		return
	}
	r, err := p.load(name)
	if err != nil {
		p.add(fmt.Sprintf("unknown resin %q: %v", name, err), path...)
		return
	}
	w.Resins[name] = r
}

func (p *parser) shop(s jobShop) {
	set := &p.job.Settings
	set.Air, set.Outdoor, set.FuelHeater = s.Air, s.Outdoor, s.FuelHeater
	var f fault.List
	f.OptWithin("low_c", s.LowC, -40, 40, "°C")
	f.OptWithin("set_point_c", s.SetPointC, 5, 60, "°C")
	for _, x := range f {
		p.add(x.What, "shop", x.Field)
	}
	set.LowC, set.SetPointC = s.LowC, s.SetPointC
	if s.LowFor != nil {
		set.LowFor = *s.LowFor
	}
	if s.Sleep != "" {
		from, to, err := ParseHours(s.Sleep)
		if err != nil {
			p.add(err.Error(), "shop", "sleep")
		}
		set.SleepFrom, set.SleepTo = from, to
	}
	for probe, sd := range s.ProbeSDK {
		if sd == nil || !(*sd >= 0 && *sd <= 5) {
			p.add("must be 0 to 5 K", "shop", "probe_sd_k", probe)
			continue
		}
		if set.ProbeSDK == nil {
			set.ProbeSDK = map[string]float64{}
		}
		set.ProbeSDK[probe] = *sd
	}
}

func (p *parser) day(in *jobFile) {
	if d := in.Day; d != nil {
		if d.Start.IsZero() {
			p.add("missing", "day", "start")
		}
		p.local(d.Start, "day", "start")
		for i, h := range d.Hours {
			if from, to, err := ParseHours(h); err != nil {
				p.add(err.Error(), "day", "hours", i)
			} else if from == to {
				p.add(fmt.Sprintf("%q never opens; the whole day is 00:00-24:00", h), "day", "hours", i)
			}
		}
		if p.file.Has("day", "people") && (d.People < 1 || d.People > 20) {
			p.add(fmt.Sprintf("%d people must be 1 to 20", d.People), "day", "people")
		}
		if d.Grams != "" && d.Grams != GramsOwn && d.Grams != GramsTables {
			p.add(fmt.Sprintf("%q is not own or tables", d.Grams), "day", "grams")
		}
		if d.LowC != nil && !(*d.LowC >= -40 && *d.LowC <= 40) {
			p.add(fmt.Sprintf("%g °C is outside -40 to 40 °C", *d.LowC), "day", "low_c")
		}
	}
	for _, x := range CheckSteps("step", in.Step, in.Panel) {
		p.faults = append(p.faults, p.file.At(x.Field, x.What))
	}
	for i, s := range in.Step {
		if k := slices.IndexFunc(in.Coat, func(x coat.Coat) bool { return x.ID != "" && x.ID == s.Coat }); k >= 0 {
			var f fault.List
			if on := in.Coat[k].Panel; on != s.Panel && slices.ContainsFunc(in.Panel, func(x coat.Panel) bool { return x.ID == s.Panel }) {
				f.Add("coat", "%q is on panel %q, the step on %q", s.Coat, on, s.Panel)
			}
			if was := slices.IndexFunc(in.Step, func(x Step) bool { return x.Coat == s.Coat }); was < i {
				f.Add("coat", "%q is of step %q already", s.Coat, in.Step[was].ID)
			}
			p.at(f, "step", i)
		} else if s.Do == "coat" && !slices.Contains(Kinds, s.Coat) {
			p.add(fmt.Sprintf("%q is neither a [[coat]] of this file nor one of %s", s.Coat, strings.Join(Kinds, ", ")), "step", i, "coat")
		}
		if s.Resin != "" {
			p.resin(s.Resin, "step", i, "resin")
		}
	}
}

// ParseHours reads a stretch of the day, "22:30-06:30".
func ParseHours(s string) (from, to Clock, err error) {
	a, b, ok := strings.Cut(s, "-")
	if ok {
		if from, err = ParseClock(strings.TrimSpace(a)); err == nil {
			to, err = ParseClock(strings.TrimSpace(b))
		}
	}
	if !ok || err != nil {
		return 0, 0, fmt.Errorf("%q is not a stretch of the day such as 08:00-20:00", s)
	}
	return from, to, nil
}

// ParseClock reads an hour and minute of the day, "06:30" or "6:30"; "24:00" is
// the end of it.
func ParseClock(s string) (Clock, error) {
	if s == "24:00" {
		return 24 * 60, nil
	}
	t, err := time.Parse("15:04", s)
	if err != nil {
		return 0, fmt.Errorf("%q is not a time of day such as 06:30", s)
	}
	return Clock(60*t.Hour() + t.Minute()), nil
}

// String is the clock as people write it, "06:30".
func (c Clock) String() string { return fmt.Sprintf("%02d:%02d", int(c)/60, int(c)%60) }
