// SPDX-License-Identifier: Apache-2.0

package job

import (
	"cmp"
	"embed"
	"fmt"
	"path"
	"slices"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"

	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/fault"
	"curewright/model/tomlfile"
	"curewright/model/words"
)

// Schedule is a job, written once: the ordered steps of a piece. It is what is
// stored, what the bench goes by, what a plan is made of and what a job file
// holds.
type Schedule struct {
	ID    string    `json:"id"`
	Name  string    `json:"name,omitempty"`
	Piece string    `json:"piece,omitempty"`
	Resin string    `json:"resin,omitempty"` // of steps that name none
	Lot   string    `json:"lot,omitempty"`   // of cups that name none
	From  string    `json:"from,omitempty"`  // template or job that it was made from
	At    time.Time `json:"at"`              // when it was written
	Steps []Step    `json:"steps"`
}

// Step returns the index of a step by its id, -1 when there is none.
func (s *Schedule) Step(id string) int {
	return slices.IndexFunc(s.Steps, func(x Step) bool { return x.ID == id })
}

// Panels are the ids of the panels that the steps name, in order, each once.
func (s *Schedule) Panels() []string {
	var out []string
	add := func(id string) {
		if id != "" && !slices.Contains(out, id) {
			out = append(out, id)
		}
	}
	for _, x := range s.Steps {
		add(x.Panel)
		add(x.To)
	}
	return out
}

// ResinOf is the resin of step i: its own, else the job's.
func (s *Schedule) ResinOf(i int) string { return cmp.Or(s.Steps[i].Resin, s.Resin) }

// CheckSchedule checks a job against the work it belongs to and returns every
// fault.
func CheckSchedule(w *coat.Work, s Schedule) []Fault {
	var f fault.List
	f.ID("id", s.ID)
	f.Text("name", s.Name, maxNote)
	if s.Piece != "" {
		f.ID("piece", s.Piece)
	}
	if s.Resin != "" {
		if _, ok := w.Resins[s.Resin]; !ok {
			f.Add("resin", "unknown resin %q", s.Resin)
		}
	}
	if len(s.Steps) == 0 {
		f.Add("steps", "none: a job has at least one step")
	}
	f = append(f, CheckSteps("steps", s.Steps, w.Panels)...)
	for i, x := range s.Steps {
		field := fmt.Sprintf("steps[%d].", i)
		if x.Do == "coat" {
			if x.Coat != "" {
				f.OneOf(field+"coat", x.Coat, Kinds, true)
			}
			if s.ResinOf(i) == "" {
				f.Add(field+"resin", "missing: neither the step nor the job names one")
			}
		}
		if x.Resin != "" {
			if _, ok := w.Resins[x.Resin]; !ok {
				f.Add(field+"resin", "unknown resin %q", x.Resin)
			}
		}
	}
	return f
}

// Template is a shipped job: its steps name sides, not panels.
type Template struct {
	ID    string   `json:"id" toml:"-"`
	Name  string   `json:"name" toml:"-"`
	Say   string   `json:"say" toml:"-"`
	Sides []string `json:"sides" toml:"sides"`
	Steps []Step   `json:"steps" toml:"step"`
}

//go:embed templates/*.toml
var templateFiles embed.FS

// Templates are the shipped jobs, in the order in which they are offered, with
// their names and notes in the catalogue's language; nil is English.
func Templates(c *words.Catalogue) []Template {
	var out []Template
	for _, id := range []string{"foam-aramid-glass", "glass-skin", "other-side", "joints", "glass-bag-soak"} {
		b, err := templateFiles.ReadFile(path.Join("templates", id+".toml"))
		if err != nil {
			panic(err) // it is embedded
		}
		t := Template{ID: id}
		if _, faults := tomlfile.Decode(b, &t); faults.Err() != nil {
			panic(faults)
		}
		code := "template." + id
		t.Name, t.Say = c.Text(code+".name"), c.Text(code+".say")
		for i := range t.Steps {
			if note := code + ".note." + t.Steps[i].ID; c.Has(note) {
				t.Steps[i].Note = c.Text(note)
			}
		}
		out = append(out, t)
	}
	return out
}

// On returns steps with their panels renamed: sides of a template, or panels of
// an earlier piece. A panel that names does not hold stays as it is.
func On(steps []Step, names map[string]string) []Step {
	out := slices.Clone(steps)
	for i := range out {
		if n := names[out[i].Panel]; n != "" && out[i].Panel != "" {
			out[i].Panel = n
		}
		if n := names[out[i].To]; n != "" && out[i].To != "" {
			out[i].To = n
		}
	}
	return out
}

// ParseSchedule reads the steps of a job file, and its panels. Coats that the
// steps name by id become their kinds. The error lists every fault with its
// place.
func ParseSchedule(data []byte, name string, load ResinLoader) (steps []Step, panels []coat.Panel, err error) {
	j, err := ParseJob(data, name, time.Time{}, load)
	if err != nil {
		return nil, nil, err
	}
	if len(j.Steps) == 0 {
		return nil, nil, located{name, tomlfile.Faults{{What: "no [[step]] in it"}}}
	}
	for i := range j.Steps {
		s, _ := j.Named(i)
		steps = append(steps, s)
	}
	return steps, j.Work.Panels, nil
}

// File writes the job as a job file, which plan and replay read: its panels
// and steps, and what has been done of it as the record has it, with out from
// [Schedule.Progress]. A step that a coat has done names that coat.
func (s *Schedule) File(w *coat.Work, out []StepState) ([]byte, error) {
	var f struct {
		Panel []coat.Panel `toml:"panel,omitempty"`
		Batch []coat.Batch `toml:"batch,omitempty"`
		Coat  []coat.Coat  `toml:"coat,omitempty"`
		Cloth []JobCloth   `toml:"cloth,omitempty"`
		Feel  []coat.Feel  `toml:"feel,omitempty"`
		Step  []Step       `toml:"step,omitempty"`
	}
	for _, id := range s.Panels() {
		if p, ok := find(w.Panels, func(p coat.Panel) bool { return p.ID == id }); ok {
			f.Panel = append(f.Panel, p)
		}
	}
	done := map[string]bool{}
	for i, x := range s.Steps {
		if x.Do == "coat" {
			x.Resin = s.ResinOf(i)
			if i < len(out) && out[i].Coat != "" && !done[out[i].Coat] {
				x.Coat = out[i].Coat
				done[out[i].Coat] = true
			}
		}
		f.Step = append(f.Step, x)
	}
	cups := map[string]bool{}
	for _, c := range w.Coats {
		if !done[c.ID] {
			continue
		}
		for _, cl := range c.Cloth {
			f.Cloth = append(f.Cloth, JobCloth{cl.Name, cl.GM2, c.ID, cl.Laid})
		}
		c.Cloth = nil // in tables of their own
		f.Coat = append(f.Coat, c)
		for _, id := range c.Batches {
			cups[id] = true
		}
	}
	for _, b := range w.Batches {
		if cups[b.ID] {
			f.Batch = append(f.Batch, b)
		}
	}
	for _, x := range w.Feels {
		if done[x.Coat] {
			f.Feel = append(f.Feel, x)
		}
	}
	b, err := toml.Marshal(f)
	if err != nil {
		return nil, err
	}
	head := "# The job " + strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, s.title()) + ". Add a [day] with a start to plan it.\n\n"
	return append([]byte(head), b...), nil
}

func (s *Schedule) title() string { return cmp.Or(s.Name, s.ID) }

// density of a resin by name, g/cm³; 0 when not known.
func density(w *coat.Work, name string) float64 {
	if r, ok := w.Resins[name]; ok {
		return r.DensityGCC
	}
	if r, ok := cure.Generic(name); ok {
		return r.DensityGCC
	}
	return 0
}
