// SPDX-License-Identifier: Apache-2.0

package mqtt

import (
	"encoding/json"
	"time"

	"curewright/model/coat"
)

// Hub is the description of this board for home hubs, so that nobody has to configure it
// there by hand.
type Hub struct {
	Prefix  string // of the hub's discovery topics, such as "homeassistant"
	Base    string // of this board's own topics
	Node    string // this board's number on brokers: part of every id
	Site    string // what people call the shop
	Version string // of the program
	Page    string // address of the page, "" for none that is known

	Probes []HubProbe
	Coats  []HubCoat
	Tent   *HubTent // nil without a heater
}

// HubProbe is one probe with the quantities that it delivers.
type HubProbe struct {
	ID, Name      string
	Temp, RH, CO2 bool
	Stale         time.Duration // a reading older than this is none
}

// HubCoat is one open coat.
type HubCoat struct{ ID, Name string }

// HubTent is a tent whose heat is shown, and asked for where Control.
type HubTent struct {
	MinC, MaxC float64 // of the set point, °C
	Control    bool
}

// device groups the entities of one shop.
type device struct {
	Identifiers  []string `json:"identifiers"`
	Name         string   `json:"name"`
	Manufacturer string   `json:"manufacturer"`
	Model        string   `json:"model"`
	SWVersion    string   `json:"sw_version"`
	URL          string   `json:"configuration_url,omitempty"`
}

// origin names the writer of a message, to tell our messages from others'.
type origin struct {
	Name string `json:"name"`
	SW   string `json:"sw"`
}

// entity is one discovery message: the keys of the MQTT discovery that Home
// Assistant documents (integrations/mqtt, sensor.mqtt, binary_sensor.mqtt,
// climate.mqtt) and other hubs read.
type entity struct {
	Name         string   `json:"name"`
	UniqueID     string   `json:"unique_id"`
	StateTopic   string   `json:"state_topic,omitempty"`
	Value        string   `json:"value_template,omitempty"`
	Unit         string   `json:"unit_of_measurement,omitempty"`
	DeviceClass  string   `json:"device_class,omitempty"`
	StateClass   string   `json:"state_class,omitempty"`
	Options      []string `json:"options,omitempty"`
	ExpireAfter  int      `json:"expire_after,omitempty"` // s
	Attributes   string   `json:"json_attributes_topic,omitempty"`
	Availability string   `json:"availability_topic"`
	Device       device   `json:"device"`
	Origin       origin   `json:"origin"`

	// Of a climate entity.
	Modes        []string `json:"modes,omitempty"`
	ModeState    string   `json:"mode_state_topic,omitempty"`
	ModeValue    string   `json:"mode_state_template,omitempty"`
	ModeCommand  string   `json:"mode_command_topic,omitempty"`
	TempState    string   `json:"temperature_state_topic,omitempty"`
	TempValue    string   `json:"temperature_state_template,omitempty"`
	TempCommand  string   `json:"temperature_command_topic,omitempty"`
	CurrentState string   `json:"current_temperature_topic,omitempty"`
	CurrentValue string   `json:"current_temperature_template,omitempty"`
	Action       string   `json:"action_topic,omitempty"`
	ActionValue  string   `json:"action_template,omitempty"`
	MinTemp      *float64 `json:"min_temp,omitempty"`
	MaxTemp      *float64 `json:"max_temp,omitempty"`
	TempUnit     string   `json:"temperature_unit,omitempty"`
	Precision    float64  `json:"precision,omitempty"`
}

// Messages are the discovery messages by topic, all retained. A topic that is no longer
// among them must be removed.
func (h Hub) Messages() map[string][]byte {
	out := map[string][]byte{}
	dev := device{Identifiers: []string{h.Node}, Name: h.Site, Manufacturer: "curewright", Model: "curewright", SWVersion: h.Version, URL: h.Page}
	put := func(component, object string, e entity) {
		e.UniqueID = h.Node + "_" + object
		e.Availability = h.Base + "/status"
		e.Device = dev
		e.Origin = origin{"curewright", h.Version}
		b, err := json.Marshal(e)
		if err != nil {
			return // only texts and numbers: cannot happen
		}
		out[h.Prefix+"/"+component+"/"+h.Node+"/"+object+"/config"] = b
	}
	for _, p := range h.Probes {
		for _, q := range []struct {
			has                              bool
			field, name, unit, class, suffix string
		}{
			{p.Temp, "temp_c", "temperature", "°C", "temperature", "temp"},
			{p.RH, "rh_pct", "humidity", "%", "humidity", "rh"},
			{p.CO2, "co2_ppm", "carbon dioxide", "ppm", "carbon_dioxide", "co2"},
		} {
			if !q.has {
				continue
			}
			put("sensor", "probe_"+object(p.ID)+"_"+q.suffix, entity{
				Name: p.Name + " " + q.name, StateTopic: ReadingTopic(h.Base, p.ID), Value: "{{ value_json." + q.field + " }}",
				Unit: q.unit, DeviceClass: q.class, StateClass: "measurement", ExpireAfter: int(p.Stale / time.Second)})
		}
	}
	for _, c := range h.Coats {
		topic := h.Base + "/coat/" + Level(c.ID)
		put("sensor", "coat_"+object(c.ID), entity{Name: c.Name, StateTopic: topic, Attributes: topic,
			Value: "{{ value_json.state if value_json.state != 'unknown' else None }}", DeviceClass: "enum", Options: coat.StateNames()})
	}
	put("binary_sensor", "alerts", entity{Name: "Wants somebody", StateTopic: h.Base + "/alerts", DeviceClass: "problem",
		Value: "{{ 'ON' if value_json | selectattr('state', 'eq', 'firing') | list else 'OFF' }}"})
	if t := h.Tent; t != nil {
		topic := h.Base + "/tent"
		e := entity{Name: "Tent", Modes: []string{"off", "heat"}, MinTemp: &t.MinC, MaxTemp: &t.MaxC, TempUnit: "C", Precision: .5,
			ModeState: topic, ModeValue: "{{ 'off' if value_json.set_point_c is none else 'heat' }}",
			TempState: topic, TempValue: "{{ value_json.set_point_c }}",
			CurrentState: topic, CurrentValue: "{{ value_json.panel_c }}",
			Action: topic, ActionValue: "{{ 'heating' if value_json.heater == 'on' else ('off' if value_json.set_point_c is none else 'idle') }}"}
		if t.Control {
			e.ModeCommand, e.TempCommand = TentModeTopic(h.Base), TentSetTopic(h.Base)
		}
		put("climate", "tent", e)
	}
	return out
}

// TentSetTopic and TentModeTopic are where a hub asks for heat: a temperature in
// °C, and "off" or "heat".
func TentSetTopic(base string) string { return base + "/tent/set" }

// TentModeTopic: see [TentSetTopic].
func TentModeTopic(base string) string { return base + "/tent/mode" }

// Pattern matches the topics of all messages of a board below a prefix.
func (h Hub) Pattern() string { return h.Prefix + "/+/" + h.Node + "/+/config" }

// Foreign reports whether a message at one of our discovery topics was written
// by somebody else.
func Foreign(body []byte) bool {
	if len(body) == 0 {
		return false // taken away
	}
	var e struct{ Origin origin }
	return json.Unmarshal(body, &e) != nil || e.Origin.Name != "curewright"
}

// object makes an object id of a name: letters, digits, _ and - are what
// discovery topics may hold; anything else is its number in hex.
func object(id string) string {
	return escape(id, '_', "0123456789abcdef", func(_ int, c byte) bool {
		return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-'
	})
}
