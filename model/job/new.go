// SPDX-License-Identifier: Apache-2.0

package job

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"curewright/model/coat"
	"curewright/model/fault"
	"curewright/model/words"
)

// New is the request for a new job: from a template, an earlier job (From), steps, or a
// job file (one of these).
type New struct {
	Schedule
	Template string
	File     *NewFile // nil for none
	Panels   []NewPanel
}

// NewFile is a job file's content.
type NewFile struct {
	Steps  []Step
	Panels []coat.Panel
}

// NewPanel is one side of the piece: an existing panel by its id, or a new one.
type NewPanel struct {
	Side    string   `json:"side,omitempty"`
	ID      string   `json:"id,omitempty"`
	Name    string   `json:"name,omitempty"`
	Probe   string   `json:"probe,omitempty"`
	NoProbe bool     `json:"no_probe,omitempty"`
	Air     string   `json:"air,omitempty"`
	Core    string   `json:"core,omitempty"`
	AreaM2  *float64 `json:"area_m2,omitempty"`
}

// newJob is a job that is being written.
type newJob struct {
	b      *Book
	q      New
	s      Schedule
	file   []coat.Panel      // of a job file
	sides  []string          // of the piece, by the template or the earlier job
	names  map[string]string // panel by side
	w      coat.Work         // with the panels that are to be
	e      *Entry
	faults fault.List
}

// New writes a job, with the piece and the panels that are not there yet.
func (b *Book) New(q New) (*Entry, []Fault) {
	n := &newJob{b: b, q: q, s: q.Schedule, names: map[string]string{}, w: *b.Work, e: &Entry{}}
	n.w.Panels = slices.Clone(b.Work.Panels)
	n.s.Steps, n.s.From = nil, ""
	n.steps()
	n.s.ID = cmp.Or(n.s.ID, b.newJobID(cmp.Or(n.s.Piece, slug(n.s.Name), "job")))
	if slices.ContainsFunc(b.Jobs, func(o Schedule) bool { return o.ID == n.s.ID }) {
		n.faults.Add("id", "there is a job %q already", n.s.ID)
	}
	n.s.Piece = cmp.Or(n.s.Piece, n.s.ID)
	n.panels()
	n.s.Steps = On(n.s.Steps, n.names)
	for _, x := range CheckSchedule(&n.w, n.s) {
		n.faults.Add(x.Field, "%s", x.What)
	}
	if n.faults != nil {
		return nil, n.faults
	}
	if !slices.ContainsFunc(b.Work.Pieces, func(p coat.Piece) bool { return p.ID == n.s.Piece }) {
		n.e.Writes = append([]Write{{Kind: "piece", ID: n.s.Piece, Value: coat.Piece{ID: n.s.Piece, Name: n.s.Name}, Create: true}}, n.e.Writes...)
	}
	n.e.Writes = append(n.e.Writes, Write{Kind: "job", ID: n.s.ID, Value: n.s, Create: true})
	n.e.Say = words.View{Words: b.Words}.Say("entry.job", words.Facts{"job": cmp.Or(n.s.Name, n.s.ID), "n": len(n.s.Steps)})
	return n.e, nil
}

// steps takes the steps, and what belongs to them, from the request's source.
func (n *newJob) steps() {
	given := 0
	for _, x := range []bool{n.q.Template != "", n.q.From != "", len(n.q.Steps) > 0, n.q.File != nil} {
		if x {
			given++
		}
	}
	s := &n.s
	switch {
	case given != 1:
		n.faults.Add("template", "say one of template, from, steps and toml")
	case n.q.Template != "":
		ts := Templates(n.b.Words)
		i := slices.IndexFunc(ts, func(t Template) bool { return t.ID == n.q.Template })
		if i < 0 {
			var ids []string
			for _, t := range ts {
				ids = append(ids, t.ID)
			}
			n.faults.Add("template", "%q is not one of %s", n.q.Template, strings.Join(ids, ", "))
			return
		}
		s.Steps, n.sides, s.From = ts[i].Steps, ts[i].Sides, n.q.Template
		s.Name = cmp.Or(s.Name, ts[i].Name)
	case n.q.From != "":
		i := slices.IndexFunc(n.b.Jobs, func(o Schedule) bool { return o.ID == n.q.From })
		if i < 0 {
			n.faults.Add("from", "unknown job %q", n.q.From)
			return
		}
		o := n.b.Jobs[i]
		s.Steps, n.sides, s.From = o.Steps, o.Panels(), n.q.From
		s.Resin, s.Name = cmp.Or(s.Resin, o.Resin), cmp.Or(s.Name, o.Name)
	case n.q.File != nil:
		s.Steps, n.file = n.q.File.Steps, n.q.File.Panels
	default:
		s.Steps = n.q.Steps
	}
}

// add adds a panel that does not exist yet; an existing one is not changed.
func (n *newJob) add(field string, p coat.Panel) {
	if slices.ContainsFunc(n.w.Panels, func(o coat.Panel) bool { return o.ID == p.ID }) {
		return
	}
	for _, x := range CheckPanel(n.b.Work, p) {
		n.faults.Add(field+"."+x.Field, "%s", x.What)
	}
	n.w.Panels = append(n.w.Panels, p)
	n.e.Writes = append(n.e.Writes, Write{Kind: "panel", ID: p.ID, Value: p, Create: true})
}

// panels are those of the file and those named; a side without a panel gets one like
// the first.
func (n *newJob) panels() {
	for _, p := range n.file {
		if p.Piece == p.ID && n.q.Piece != "" {
			p.Piece = n.q.Piece
		}
		n.add("toml", p)
	}
	panel := func(p NewPanel, side string) coat.Panel {
		return coat.Panel{ID: cmp.Or(p.ID, sideID(n.s.ID, side)), Piece: n.s.Piece, Name: cmp.Or(p.Name, sideName(n.s.Name, side)),
			Probe: p.Probe, NoProbe: p.NoProbe, Air: p.Air, Core: p.Core, AreaM2: p.AreaM2}
	}
	for i, p := range n.q.Panels {
		field := fmt.Sprintf("panels[%d]", i)
		if p.Side != "" && len(n.sides) > 0 && !slices.Contains(n.sides, p.Side) {
			n.faults.Add(field+".side", "%q is not one of %s", p.Side, strings.Join(n.sides, ", "))
		}
		side := p.Side
		if side == "" && i < len(n.sides) {
			side = n.sides[i]
		}
		// Missing values of a further side are taken from the first.
		if first := n.q.Panels[0]; i > 0 {
			if p.Probe == "" && !p.NoProbe {
				p.Probe, p.NoProbe = first.Probe, first.NoProbe
			}
			p.Air, p.Core, p.AreaM2 = cmp.Or(p.Air, first.Air), cmp.Or(p.Core, first.Core), cmp.Or(p.AreaM2, first.AreaM2)
		}
		x := panel(p, side)
		n.names[side] = x.ID
		n.add(field, x)
	}
	for _, side := range n.sides {
		if n.names[side] != "" {
			continue
		}
		field, p := "panels", NewPanel{}
		if len(n.q.Panels) > 0 {
			p = n.q.Panels[0]
			p.ID, p.Name = "", ""
		}
		x := panel(p, side)
		if n.q.From != "" && len(n.q.Panels) == 0 {
			// The earlier job's panels are not used again, since they are that
			// piece's: new panels get the same values.
			if i := slices.IndexFunc(n.w.Panels, func(o coat.Panel) bool { return o.ID == side }); i >= 0 {
				field, x = "from", n.w.Panels[i]
				last := side[strings.LastIndexAny(side, "- ")+1:] // of an id such as lid-outer
				x.ID, x.Piece, x.Name = sideID(n.s.ID, last), n.s.Piece, sideName(n.s.Name, last)
			}
		}
		n.names[side] = x.ID
		n.add(field, x)
	}
}

// slug makes a short id of a name: letters and digits of any script, the rest
// dashes.
func slug(name string) string {
	out := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9', r > 0x7f:
			return r
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		}
		return '-'
	}, strings.TrimSpace(name))
	for strings.Contains(out, "--") {
		out = strings.ReplaceAll(out, "--", "-")
	}
	out = strings.Trim(out, "-")
	for len(out) > 40 {
		k := strings.LastIndexByte(out[:40], '-')
		if k < 8 {
			return ""
		}
		out = out[:k]
	}
	return out
}

func (b *Book) newJobID(base string) string {
	id := base
	for n := 2; slices.ContainsFunc(b.Jobs, func(s Schedule) bool { return s.ID == id }); n++ {
		id = fmt.Sprintf("%s-%d", base, n)
	}
	return id
}

func sideID(jobID, side string) string { return strings.TrimSuffix(jobID+"-"+side, "-") }

func sideName(name, side string) string {
	if name == "" || side == "" {
		return name
	}
	return name + ", " + side
}
