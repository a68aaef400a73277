// SPDX-License-Identifier: Apache-2.0

package broker

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"time"

	"curewright/dashboards/web"
	"curewright/history/forward/mqtt"
	"curewright/internal/daemon/mqttlink"
)

// hub is what was heard from home hubs at the broker.
type hub struct {
	mu    sync.Mutex
	heard bool            // a connection lasted long enough to hear what is stored
	taken map[string]bool // discovery topics that somebody else writes: left to them
}

// hubFilters are the topics by which hubs speak.
func (c *Client) hubFilters() (out []mqttlink.Filter) {
	if c.o.Section.Discovery != "" {
		out = append(out, mqttlink.Filter{Topic: c.told(nil, nil).Pattern(), Place: "mqtt.discovery", Stored: true})
	}
	if c.o.Section.TentControl {
		for _, topic := range []string{mqtt.TentSetTopic(c.Base), mqtt.TentModeTopic(c.Base)} {
			out = append(out, mqttlink.Filter{Topic: topic, Place: "mqtt.tent_control"})
		}
	}
	return out
}

// handleHub takes a message if it is a hub's matter, and reports whether it was.
func (c *Client) handleHub(topic string, body []byte, retained bool) bool {
	s := c.o.Section
	switch {
	case s.TentControl && (topic == mqtt.TentSetTopic(c.Base) || topic == mqtt.TentModeTopic(c.Base)):
		if err := c.ask(topic, body, retained); err != nil {
			c.o.Count("tent")
			c.o.Log.Warn("what a hub asked of the tent is refused", "topic", topic, "err", err)
		}
	case s.Discovery != "" && strings.HasPrefix(topic, s.Discovery+"/"):
		if !mqtt.Foreign(body) {
			break
		}
		c.hub.mu.Lock()
		said := c.hub.taken[topic]
		c.hub.taken[topic] = true
		c.hub.mu.Unlock()
		c.o.Count("discovery_taken")
		if !said {
			c.o.Log.Warn("another device writes this discovery topic: it is left to it. Give this board another client_id, or discovery another prefix", "topic", topic, "place", "mqtt.discovery")
		}
	default:
		return false
	}
	return true
}

// ask does what a hub asks of the tent, inside the file's limits and only for a
// heater that was accepted, like every other wish.
func (c *Client) ask(topic string, body []byte, retained bool) error {
	if retained {
		return fmt.Errorf("a stored message may be of any age: heat is asked for afresh")
	}
	t := c.o.Tent()
	if t == nil {
		return fmt.Errorf("no heater")
	}
	who := web.Who{Name: "mqtt", Role: web.Control}
	text := strings.TrimSpace(string(body))
	if topic == mqtt.TentSetTopic(c.Base) {
		x, err := strconv.ParseFloat(text, 64)
		if err != nil || len(text) > 16 {
			return fmt.Errorf("%.32q is no temperature in °C", text)
		}
		return t.SetTentPoint(context.Background(), who, x)
	}
	switch text {
	case "off":
		return t.TentOff(context.Background(), who, c.o.Words.Text("heat.by_hub"))
	case "heat":
		v, err := t.Tent(context.Background())
		if err != nil {
			return err
		}
		if v.SetPointC != nil {
			return nil // it is held already
		}
		if v.MinC == nil {
			return fmt.Errorf("no lowest set point")
		}
		// A switch says no temperature: the least that may be asked for.
		return t.SetTentPoint(context.Background(), who, *v.MinC)
	}
	return fmt.Errorf("%.32q is neither off nor heat", text)
}

// tentState is what is published of the tent.
type tentState struct {
	PanelC    *float64 `json:"panel_c"`
	AirC      *float64 `json:"air_c"`
	SetPointC *float64 `json:"set_point_c"`
	Heater    string   `json:"heater"`
	Latched   bool     `json:"latched"`
	Why       string   `json:"why"`
}

// discoveryGrace is how long stored messages are waited for after the connection
// came up.
const discoveryGrace = time.Second

// told is what a hub is told of this board; s and tent may be nil.
func (c *Client) told(s *web.Snapshot, tent *web.TentView) mqtt.Hub {
	o := c.o
	out := mqtt.Hub{Prefix: o.Section.Discovery, Base: c.Base, Node: c.node, Site: o.Shop, Version: o.Version, Page: o.Page}
	if s == nil {
		return out
	}
	for _, p := range s.Probes {
		if !p.Accepted {
			continue
		}
		out.Probes = append(out.Probes, mqtt.HubProbe{ID: p.Probe, Name: cmp.Or(p.Name, p.Probe), Temp: p.Last.Temp.OK(), RH: p.Last.RH.OK(), CO2: p.Last.CO2.OK(),
			Stale: p.Stale.Round(time.Minute)}) // a pace that is learnt must not change the message each time
	}
	names := map[string]string{}
	if w, err := o.Store.Work(context.Background()); err == nil {
		for _, p := range w.Panels {
			names[p.ID] = p.Name
		}
	}
	for _, e := range s.Result.Coats {
		out.Coats = append(out.Coats, mqtt.HubCoat{ID: e.ID, Name: e.Kind + " on " + cmp.Or(names[e.Panel], e.Panel)})
	}
	if tent != nil && tent.MinC != nil && tent.MaxC != nil {
		out.Tent = &mqtt.HubTent{MinC: *tent.MinC, MaxC: *tent.MaxC, Control: o.Section.TentControl}
	}
	return out
}

// addHub adds the discovery messages and the tent's state to what the board
// shows.
func (c *Client) addHub(s *web.Snapshot, state map[string][]byte) {
	var tent *web.TentView
	if t := c.o.Tent(); t != nil {
		if v, err := t.Tent(context.Background()); err == nil {
			tent = &v
			if b, err := json.Marshal(tentState{v.PanelC, v.AirC, v.SetPointC, v.Heater, v.Latched, v.Why}); err == nil {
				state[c.Base+"/tent"] = b
			}
		}
	}
	if c.o.Section.Discovery == "" {
		return
	}
	// What others stored there comes first: it is left to them.
	c.hub.mu.Lock()
	defer c.hub.mu.Unlock()
	if st := c.Link.Status(); !c.hub.heard {
		if !st.Up {
			return
		}
		if time.Since(st.UpAt) < discoveryGrace {
			time.AfterFunc(discoveryGrace, c.o.News)
			return
		}
		c.hub.heard = true
	}
	for topic, b := range c.told(s, tent).Messages() {
		if !c.hub.taken[topic] {
			state[topic] = b
		}
	}
}

// lasting reports whether a topic's message stays at the broker while this board
// is away: a hub keeps its entities, and shows them as not available.
func (c *Client) lasting(topic string) bool {
	p := c.o.Section.Discovery
	return topic == c.Base+"/about" || p != "" && strings.HasPrefix(topic, p+"/")
}
