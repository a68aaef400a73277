// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"curewright/dashboards/client"
	"curewright/dashboards/web"
	"curewright/history"
	"curewright/internal/fault"
	"curewright/model/coat"
	"curewright/model/words"
)

// names says what ids stand for, as people call it: an answer that repeats an id
// alone tells nobody whether the right thing was meant. What the daemon does not
// say keeps its id.
type names struct {
	a  *App
	cl *client.Client
}

func (n names) panel(id string) string {
	ps, _ := n.cl.Panels(n.a.Ctx)
	if i := slices.IndexFunc(ps, func(p coat.Panel) bool { return p.ID == id && p.Name != "" }); i >= 0 {
		return ps[i].Name
	}
	return id
}

func (n names) probe(id string) string {
	ps, _ := n.cl.Probes(n.a.Ctx)
	if i := slices.IndexFunc(ps, func(p web.ProbeView) bool { return p.Probe == id && p.Name != "" }); i >= 0 {
		return ps[i].Name
	}
	return id
}

// is says what a probe is: "Loft (loft), air" or "Lid (panel-1), panel on Lid A".
func (n names) is(id string) string {
	ps, _ := n.cl.Probes(n.a.Ctx)
	i := slices.IndexFunc(ps, func(p web.ProbeView) bool { return p.Probe == id })
	if i < 0 {
		return id
	}
	p, s := ps[i], id
	if p.Name != "" && p.Name != id {
		s = fmt.Sprintf("%s (%s)", p.Name, id)
	}
	if p.Role != "" {
		s += ", " + n.a.role(p.Role)
	}
	if p.Panel != "" {
		s += n.a.say("name.on_panel", facts{"panel": n.panel(p.Panel)})
	}
	return s
}

// coat is such as "the tack coat on Lid A, outer".
func (n names) coat(id string) string {
	v, err := n.cl.Coat(n.a.Ctx, id)
	if err != nil {
		return n.plain("coat", id)
	}
	return n.a.say("name.coat", facts{"kind": n.a.kind(v.Record.Kind), "panel": n.panel(v.Record.Panel)})
}

// cup is such as "the cup of 143 g medium mixed at 14:05".
func (n names) cup(id string) string {
	bs, _ := n.cl.Batches(n.a.Ctx)
	i := slices.IndexFunc(bs, func(b coat.Batch) bool { return b.ID == id })
	if i < 0 {
		return n.plain("cup", id)
	}
	b, g := bs[i], ""
	if b.ResinG != nil && b.HardenerG != nil {
		g = fmt.Sprintf("%.0f g ", *b.ResinG+*b.HardenerG)
	}
	return n.a.say("name.cup", facts{"grams": g, "resin": b.Resin, "at": n.clock(b.Mixed)})
}

// plain is a record whose name nobody knows: "coat a-tack".
func (n names) plain(kind, id string) string {
	return n.a.say("name.plain", facts{"kind": words.Code("cli.name.kind." + kind), "id": id})
}

// clock is a time of day by the daemon's zone.
func (n names) clock(t time.Time) string {
	if now, _, err := n.cl.Coats(n.a.Ctx, false); err == nil {
		t = t.In(now.Location())
	}
	return t.Format("15:04")
}

// role is a probe's role in the reader's language.
func (a *App) role(code string) string {
	if code == "" {
		return ""
	}
	return a.say("role."+code, nil)
}

// inUse says what to do about a store that a running daemon has open.
func inUse(dir string, err error) error {
	if errors.Is(err, history.ErrInUse) {
		return fault.Inputf("--data: %s belongs to the daemon that runs: leave --data out, and it answers itself", dir)
	}
	return err
}
