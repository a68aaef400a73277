// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"

	"curewright/dashboards/web"
	"curewright/heat"
	"curewright/history/forward/mqtt"
	"curewright/internal/daemon/mqttlink"
	"curewright/model/tomlfile"
)

// hubLink is what is said to, and heard from, a home hub over the broker.
type hubLink struct {
	m *mqttPart

	mu    sync.Mutex
	heard bool            // a connection lasted long enough to hear what is stored
	taken map[string]bool // discovery topics that somebody else writes: left to them
}

// discoveryLevel is what a level of a discovery prefix may be made of.
var discoveryLevel = regexp.MustCompile(`^[a-zA-Z0-9_-]+$`)

// checkHub returns the faults of discovery and of asking for heat over MQTT.
func (s mqttSection) checkHub(f *tomlfile.File, base string, u *url.URL, tent heat.ConfigSection) tomlfile.Faults {
	var out tomlfile.Faults
	bad := func(key, format string, a ...any) {
		out = append(out, f.Fault(fmt.Sprintf(format, a...), "mqtt", key))
	}
	if s.Discovery != "" {
		levels := strings.Split(s.Discovery, "/")
		for _, l := range levels {
			if !discoveryLevel.MatchString(l) {
				bad("discovery", "%q: names of letters, digits, _ and - separated by single /", s.Discovery)
				break
			}
		}
		if s.Discovery == base || strings.HasPrefix(base+"/", s.Discovery+"/") || strings.HasPrefix(s.Discovery+"/", base+"/") {
			bad("discovery", "%q and this board's own topics, %q, lie in each other: the hub would read ours as its own", s.Discovery, base)
		}
		if s.State != nil && !*s.State {
			bad("discovery", "a hub is told of the state: not with state = false")
		}
		for i, t := range s.Topics {
			if strings.HasPrefix(t.Topic+"/", s.Discovery+"/") {
				bad("discovery", "%q is where mqtt.topic[%d], %q, listens to a probe", s.Discovery, i, t.Topic)
			}
		}
	}
	if s.TentControl {
		switch {
		case tent.Output == "":
			bad("tent_control", "there is no heater: [tent] has no output")
		case s.User == "" && s.CertFile == "" && (u == nil || !localHost(u.Hostname())):
			bad("tent_control", "anybody on the broker could ask for heat: give user and a secret, or a certificate")
		}
	}
	return out
}

// filters are the topics that the hub's part listens to.
func (h *hubLink) filters() (out []mqttlink.Filter) {
	if h.m.d.cfg.MQTT.Discovery != "" {
		out = append(out, mqttlink.Filter{Topic: h.hub(nil).Pattern(), Place: "mqtt.discovery", Stored: true})
	}
	if h.m.d.cfg.MQTT.TentControl {
		for _, topic := range []string{mqtt.TentSetTopic(h.m.base), mqtt.TentModeTopic(h.m.base)} {
			out = append(out, mqttlink.Filter{Topic: topic, Place: "mqtt.tent_control"})
		}
	}
	return out
}

// handle takes a message if it is the hub's matter, and reports whether it was.
func (h *hubLink) handle(topic string, body []byte, retained bool) bool {
	s := h.m.d.cfg.MQTT
	switch {
	case s.TentControl && (topic == mqtt.TentSetTopic(h.m.base) || topic == mqtt.TentModeTopic(h.m.base)):
		if err := h.ask(topic, body, retained); err != nil {
			h.m.d.intakes.word("mqtt", "tent")
			h.m.d.log.Warn("what a hub asked of the tent is refused", "topic", topic, "err", err)
		}
	case s.Discovery != "" && strings.HasPrefix(topic, s.Discovery+"/"):
		if !mqtt.Foreign(body) {
			break
		}
		h.mu.Lock()
		said := h.taken[topic]
		h.taken[topic] = true
		h.mu.Unlock()
		h.m.d.intakes.word("mqtt", "discovery_taken")
		if !said {
			h.m.d.log.Warn("another device writes this discovery topic: it is left to it. Give this board another client_id, or discovery another prefix", "topic", topic, "place", "mqtt.discovery")
		}
	default:
		return false
	}
	return true
}

// ask does what a hub asks of the tent, inside the file's limits and only for a
// heater that was accepted, like every other wish.
func (h *hubLink) ask(topic string, body []byte, retained bool) error {
	if retained {
		return fmt.Errorf("a stored message may be of any age: heat is asked for afresh")
	}
	d := h.m.d
	if d.tent == nil {
		return fmt.Errorf("no heater")
	}
	who := web.Who{Name: "mqtt", Role: web.Control}
	t := d.tent
	text := strings.TrimSpace(string(body))
	if topic == mqtt.TentSetTopic(h.m.base) {
		c, err := strconv.ParseFloat(text, 64)
		if err != nil || len(text) > 16 {
			return fmt.Errorf("%.32q is no temperature in °C", text)
		}
		return t.SetTentPoint(context.Background(), who, c)
	}
	switch text {
	case "off":
		return t.TentOff(context.Background(), who, d.lang.Text("heat.by_hub"))
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

// mqttTent is what is published of the tent.
type mqttTent struct {
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

// hub is what a hub is told of this board; s may be nil.
func (h *hubLink) hub(s *web.Snapshot) mqtt.Hub {
	d := h.m.d
	out := mqtt.Hub{Prefix: d.cfg.MQTT.Discovery, Base: h.m.base, Node: h.m.node, Site: d.cfg.Shop.Name, Version: d.version, Page: d.cfg.Alert.LinkBase}
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
	if w, err := d.store.Work(context.Background()); err == nil {
		for _, p := range w.Panels {
			names[p.ID] = p.Name
		}
	}
	for _, c := range s.Result.Coats {
		out.Coats = append(out.Coats, mqtt.HubCoat{ID: c.ID, Name: c.Kind + " on " + cmp.Or(names[c.Panel], c.Panel)})
	}
	if sec := d.cfg.Tent; d.tent != nil && sec.MinSetC != nil && sec.MaxSetC != nil {
		out.Tent = &mqtt.HubTent{MinC: *sec.MinSetC, MaxC: *sec.MaxSetC, Control: d.cfg.MQTT.TentControl}
	}
	return out
}

// show adds the discovery messages and the tent's state to what the board
// shows.
func (h *hubLink) show(s *web.Snapshot, state map[string][]byte) {
	d := h.m.d
	if d.tent != nil {
		if v, err := d.tent.Tent(context.Background()); err == nil {
			if b, err := json.Marshal(mqttTent{v.PanelC, v.AirC, v.SetPointC, v.Heater, v.Latched, v.Why}); err == nil {
				state[h.m.base+"/tent"] = b
			}
		}
	}
	if d.cfg.MQTT.Discovery == "" {
		return
	}
	// What others stored there comes first: it is left to them.
	h.mu.Lock()
	defer h.mu.Unlock()
	if st := h.m.link.Status(); !h.heard {
		if !st.Up {
			return
		}
		if time.Since(st.UpAt) < discoveryGrace {
			time.AfterFunc(discoveryGrace, d.RequestEvaluation)
			return
		}
		h.heard = true
	}
	for topic, b := range h.hub(s).Messages() {
		if !h.taken[topic] {
			state[topic] = b
		}
	}
}

// lasting reports whether a topic's message stays at the broker while this board
// is away: a hub keeps its entities, and shows them as not available.
func (m *mqttPart) lasting(topic string) bool {
	p := m.d.cfg.MQTT.Discovery
	return topic == m.base+"/about" || p != "" && strings.HasPrefix(topic, p+"/")
}
