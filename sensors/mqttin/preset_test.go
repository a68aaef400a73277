// SPDX-License-Identifier: Apache-2.0

package mqttin

import (
	"math"
	"slices"
	"strings"
	"testing"

	"curewright/sensors"
)

// Payloads as the documents of each firmware show them.
func TestPresets(t *testing.T) {
	type want struct {
		probe                           string
		temp, rh, co2, battery, quality float64 // NaN: missing
	}
	no := math.NaN()
	for _, c := range []struct {
		preset, topic, body string
		want                want
	}{
		// Zigbee2MQTT, guide "MQTT Topics and Messages", its example of a
		// temperature and humidity sensor; the second as a device with a battery
		// publishes, from a log in a public issue.
		{"zigbee2mqtt", "zigbee2mqtt/loft", `{"temperature": 27.34, "humidity": 44.72}`, want{"loft", 27.34, 44.72, no, no, no}},
		{"zigbee2mqtt", "zigbee2mqtt/0x00158d00036c1821", `{"temperature":22.75,"linkquality":97,"humidity":55.43,"pressure":1000.6,"battery":86}`, want{"0x00158d00036c1821", 22.75, 55.43, no, 86, 97}},
		// Tasmota, a SENSOR message from a public issue of 2018, and the same in °F.
		{"tasmota", "tele/TH16/SENSOR", `{"Time":"2018-03-02T18:25:03","AM2301":{"Temperature":22.6,"Humidity":32.4},"TempUnit":"C"}`, want{"TH16", 22.6, 32.4, no, no, no}},
		{"tasmota", "tele/TH16/SENSOR", `{"Time":"2018-03-02T18:25:03","DS18B20":{"Temperature":68.0},"TempUnit":"F"}`, want{"TH16", 20, no, no, no, no}},
		// rtl_433, the fields of its "Data format"; the values from memory.
		{"rtl_433", "rtl_433/attic/events", `{"time":"2026-10-10 09:12:30","model":"Nexus TH","id":147,"channel":1,"battery_ok":1,"temperature_C":11.2,"humidity":71}`, want{"Nexus-TH-147", 11.2, 71, no, 100, no}},
		{"rtl_433", "rtl_433/attic/events", `{"model":"Nexus TH","id":147,"battery_ok":0,"temperature_C":11.2}`, want{"Nexus-TH-147", 11.2, no, no, 0, no}},
		// OpenMQTTGateway, a BT message; the fields from its documentation, the
		// values from memory.
		{"bluetooth-gateway", "home/gate/BTtoMQTT/A4C138AABBCC", `{"id":"A4:C1:38:AA:BB:CC","rssi":-71,"tempc":19.4,"hum":48.2,"batt":55}`, want{"A4C138AABBCC", 19.4, 48.2, no, 55, -71}},
	} {
		var got []sensors.Pushed
		in := New([]Topic{{Preset: c.preset}}, Options{
			Push: func(p sensors.Pushed, _ bool) error { got = append(got, p); return nil },
			Say:  func(_, topic string, err error) { t.Errorf("%s: %v", topic, err) },
		})
		in.Handle(c.topic, []byte(c.body), false)
		if len(got) != 1 {
			t.Errorf("%s %s: %d readings", c.preset, c.body, len(got))
			continue
		}
		g := got[0]
		for _, v := range []struct {
			what      string
			got, want float64
		}{{"°C", g.Temp.OrNaN(), c.want.temp}, {"%", g.RH.OrNaN(), c.want.rh}, {"ppm", g.CO2.OrNaN(), c.want.co2}, {"% battery", g.Battery.OrNaN(), c.want.battery}, {"link", g.Link.OrNaN(), c.want.quality}} {
			if math.IsNaN(v.want) != math.IsNaN(v.got) || math.Abs(v.got-v.want) > 1e-9 {
				t.Errorf("%s %s: %v %s, want %v", c.preset, c.body, v.got, v.what, v.want)
			}
		}
		if g.Probe != c.want.probe {
			t.Errorf("%s %s: probe %q, want %q", c.preset, c.body, g.Probe, c.want.probe)
		}
	}
}

// A gateway sends what is not ours as well: counted, never said. What is ours
// and wrong is said once.
func TestPresetStrangers(t *testing.T) {
	said, took := 0, 0
	in := New([]Topic{{Preset: "zigbee2mqtt"}}, Options{
		Push: func(sensors.Pushed, bool) error { took++; return nil },
		Say:  func(string, string, error) { said++ },
	})
	in.Handle("zigbee2mqtt/lamp", []byte(`{"state":"ON","brightness":215}`), false)
	if said != 0 || took != 0 || in.Stats().Refused["no_field"] != 1 {
		t.Errorf("a lamp: said %d, took %d, %v", said, took, in.Stats().Refused)
	}
	for range 2 {
		in.Handle("zigbee2mqtt/loft", []byte(`{"temperature":"warm"}`), false)
	}
	if said != 1 || took != 0 || in.Stats().Refused["not_number"] != 2 {
		t.Errorf("nonsense: said %d, took %d, %v", said, took, in.Stats().Refused)
	}
	// Two chips on one board: which is meant is a guess.
	two := New([]Topic{{Preset: "tasmota"}}, Options{Push: func(sensors.Pushed, bool) error { took++; return nil }})
	two.Handle("tele/x/SENSOR", []byte(`{"BME280":{"Temperature":20},"DS18B20":{"Temperature":21}}`), false)
	if took != 0 {
		t.Error("one of two chips was taken by chance")
	}
	// Named, it is none.
	two = New([]Topic{{Preset: "tasmota", Temp: "DS18B20.Temperature"}}, Options{Push: func(p sensors.Pushed, _ bool) error {
		if x, _ := p.Temp.Get(); x == 21 {
			took++
		}
		return nil
	}})
	two.Handle("tele/x/SENSOR", []byte(`{"BME280":{"Temperature":20},"DS18B20":{"Temperature":21}}`), false)
	if took != 1 {
		t.Error("the chip that was named was not taken")
	}
}

func TestPresetFaults(t *testing.T) {
	for _, c := range []struct {
		topic Topic
		want  string
	}{
		{Topic{Preset: "unknown", Topic: "a/+", Temp: "t"}, "preset"},
		{Topic{Preset: "tasmota", Plain: "temp", Topic: "a/+"}, "plain"},
		{Topic{Topic: "a/+", Plain: "temp", Probe: "{id}"}, "probe"},
		{Topic{Topic: "a/b", Temp: "t", Probe: "{}"}, "probe"},
		{Topic{Topic: "a/+", Temp: "t", BatteryUnit: "V", Battery: "b"}, "battery_unit"},
		{Topic{Topic: "a/+", Temp: "t", BatteryUnit: "ratio"}, "battery_unit"},
	} {
		errs := Check([]Topic{c.topic})
		if !slices.ContainsFunc(errs, func(e error) bool { return strings.HasPrefix(e.Error(), "mqtt.topic[0]."+c.want+":") }) {
			t.Errorf("%+v: %v, want a fault of %s", c.topic, errs, c.want)
		}
	}
	for _, name := range PresetNames() {
		if errs := Check([]Topic{{Preset: name}}); len(errs) != 0 {
			t.Errorf("preset %s by itself: %v", name, errs)
		}
	}
}
