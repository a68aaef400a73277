// SPDX-License-Identifier: Apache-2.0

package broker

import (
	"encoding/json"
	"slices"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/history/forward/mqtt"
	"curewright/model/coat"
)

// probeState, coatState and alertState are what is published of each.
type probeState struct {
	ID     string     `json:"id"`
	Name   string     `json:"name"`
	Role   string     `json:"role"`
	Panel  string     `json:"panel"`
	State  string     `json:"state"`
	LastAt *time.Time `json:"last_at"`
}

type coatState struct {
	ID          string              `json:"id"`
	Panel       string              `json:"panel"`
	Resin       string              `json:"resin"`
	Kind        string              `json:"kind"`
	AppliedAt   time.Time           `json:"applied_at"`
	TempC       *float64            `json:"temp_c"`
	Alpha       *coat.Band          `json:"alpha"`
	TgC         *coat.Band          `json:"tg_c"`
	State       coat.State          `json:"state"`
	Probability *coat.Probabilities `json:"state_probability"`
	UnknownWhy  []string            `json:"unknown_why"`
	Advice      string              `json:"advice"`
	NextWindow  *windowState        `json:"next_window"`
	Events      coat.Events         `json:"events"`
	Blush       coat.Blush          `json:"blush"`
	Stall       bool                `json:"stall"`
	Degraded    float64             `json:"degraded_minutes"`
}

type windowState struct {
	Kind   string     `json:"kind"`
	Status string     `json:"status"`
	Opens  *time.Time `json:"opens"`
	Closes *time.Time `json:"closes"`
}

type cupState struct {
	Batch  string    `json:"batch"`
	Resin  string    `json:"resin"`
	Grams  *float64  `json:"grams"`
	Mixed  time.Time `json:"mixed"`
	EndsAt time.Time `json:"ends_at"`
}

type alertState struct {
	ID       string          `json:"id"`
	Rule     string          `json:"rule"`
	Subject  string          `json:"subject"`
	Severity alerts.Severity `json:"severity"`
	State    string          `json:"state"`
	Say      string          `json:"say"`
	Since    time.Time       `json:"since"`
}

// Show shows the newest evaluation to whoever listens; nothing for nil.
func (c *Client) Show(s *web.Snapshot) {
	if c != nil && c.board != nil {
		state := c.state(s)
		c.addHub(s, state)
		c.board.Show(state)
	}
}

// state is what the board shows, by topic.
func (c *Client) state(s *web.Snapshot) map[string][]byte {
	state := map[string][]byte{c.Base + "/about": mqtt.About(c.Base, c.o.Shop, c.o.Version)}
	put := func(topic string, v any) {
		b, err := json.Marshal(v)
		if err != nil {
			c.o.Log.Error("mqtt state", "topic", topic, "err", err)
			return
		}
		state[c.Base+"/"+topic] = b
	}
	probes := []probeState{}
	for _, h := range s.Probes {
		if !h.Accepted {
			continue // a stranger's name is not passed on
		}
		p := probeState{ID: h.Probe, Name: h.Name, Role: h.Role, Panel: h.Panel, State: h.State}
		if !h.LastAt.IsZero() {
			p.LastAt = new(h.LastAt.Truncate(time.Minute)) // each reading has its own message: this need not change with every one
		}
		probes = append(probes, p)
	}
	put("probes", probes)
	for _, e := range s.Result.Coats {
		x := coatState{ID: e.ID, Panel: e.Panel, Resin: e.Resin, Kind: e.Kind, AppliedAt: e.AppliedAt, TempC: e.TempC, Alpha: e.Alpha, TgC: e.TgC,
			State: e.State, Probability: e.StateProbability, UnknownWhy: e.UnknownWhy, Advice: e.Advice, Events: e.Events, Blush: e.Blush,
			Stall: e.Stall, Degraded: e.DegradedMinutes}
		x.UnknownWhy = slices.Concat([]string{}, x.UnknownWhy) // never null
		if w := e.NextWindow; w != nil {
			x.NextWindow = &windowState{w.Kind, w.Status, w.Opens, w.Closes}
		}
		put("coat/"+mqtt.Level(e.ID), x)
	}
	put("panels", slices.Concat([]alerts.Surface{}, s.Surfaces))
	cups := []cupState{}
	for _, x := range s.Cups {
		cups = append(cups, cupState{x.Batch, x.Resin, x.Grams, x.Mixed, x.EndsAt})
	}
	put("cups", cups)
	list := []alertState{}
	for _, a := range s.Alerts {
		list = append(list, alertState{a.ID, a.Rule, a.Subject, a.Severity, a.State, a.Say, a.Since})
	}
	put("alerts", list)
	return state
}
