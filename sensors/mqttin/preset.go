// SPDX-License-Identifier: Apache-2.0

package mqttin

import (
	"maps"
	"slices"
)

// Presets are the forms that open firmware and gateways send by MQTT, by name.
// Each was taken from the document named beside it and is only a start: keys in
// the configuration win over it.
var Presets = map[string]Topic{
	// Zigbee2MQTT, guide "MQTT Topics and Messages": a JSON object a device below
	// the base topic, with temperature in °C, humidity in %, battery in % and
	// linkquality from 0 to 255.
	"zigbee2mqtt": {Topic: "zigbee2mqtt/+", Temp: "temperature", RH: "humidity", CO2: "co2", Battery: "battery", Link: "linkquality"},
	// Tasmota, documentation "MQTT" and its SENSOR message: one object for each
	// chip, with Temperature in the unit that TempUnit names.
	"tasmota": {Topic: "tele/+/SENSOR", Temp: "*.Temperature", RH: "*.Humidity", CO2: "*.CarbonDioxide", TempUnit: "{TempUnit}"},
	// rtl_433, "Data format" and the events topic of its MQTT output: every
	// receiver sends all it hears by one topic; battery_ok is 1 or 0.
	"rtl_433": {Topic: "rtl_433/+/events", Probe: "{model}-{id}", Temp: "temperature_C", RH: "humidity", Battery: "battery_ok", BatteryUnit: "ratio"},
	// OpenMQTTGateway and Theengs gateway, "BT" messages: a topic for each
	// beacon, tempc in °C, hum in %, batt in %, rssi in dBm.
	"bluetooth-gateway": {Topic: "home/+/BTtoMQTT/+", Probe: "$2", Temp: "tempc", RH: "hum", Battery: "batt", Link: "rssi"},
}

// PresetNames are the names of [Presets], sorted.
func PresetNames() []string { return slices.Sorted(maps.Keys(Presets)) }

// filled is the topic with its preset's values for the keys that are not set.
func (t Topic) filled() Topic {
	p, ok := Presets[t.Preset]
	if !ok || t.Plain != "" {
		return t
	}
	for _, f := range []struct{ own, preset *string }{
		{&t.Topic, &p.Topic}, {&t.Probe, &p.Probe}, {&t.Time, &p.Time}, {&t.TempUnit, &p.TempUnit}, {&t.RHUnit, &p.RHUnit},
		{&t.TimeFormat, &p.TimeFormat}, {&t.BatteryUnit, &p.BatteryUnit}, {&t.Battery, &p.Battery}, {&t.Link, &p.Link},
		{&t.Temp, &p.Temp}, {&t.RH, &p.RH}, {&t.CO2, &p.CO2},
	} {
		if *f.own == "" {
			*f.own = *f.preset
		}
	}
	return t
}

// fill fills every topic from its preset.
func fill(topics []Topic) []Topic {
	out := make([]Topic, len(topics))
	for i, t := range topics {
		out[i] = t.filled()
	}
	return out
}
