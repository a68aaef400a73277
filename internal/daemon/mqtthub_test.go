// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"testing"

	"curewright/heat"
	"curewright/internal/testkit"
	"curewright/sensors"
)

// lockedHeater is heldBy for more than one goroutine.
type lockedHeater struct {
	mu sync.Mutex
	h  heldBy
}

func (h *lockedHeater) Hold(w string, c float64) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.h.Hold(w, c)
}
func (h *lockedHeater) Off(a, b string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.h.Off(a, b)
}
func (h *lockedHeater) UseSolvent(string)      {}
func (h *lockedHeater) Release(string) error   { return nil }
func (h *lockedHeater) SetResume(string, bool) {}
func (h *lockedHeater) Status() heat.Status {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.h.st
}
func (*lockedHeater) Limits() (lines []string, hash, why string) { return nil, "", "" }
func (*lockedHeater) Accept(string, string) error                { return heat.ErrOtherLimits }

const hubTent = `
[[probe]]
id = "panel-1"
driver = "ds18b20"
bus = "w1:28-0316a2795d1f"
[[probe]]
id = "tent-air"
driver = "ds18b20"
bus = "w1:28-0316a2795e40"
[tent]
output = "command"
control_probe = "panel-1"
limit_probe = "tent-air"
max_air_c = 45
max_panel_c = 40
thermal_cutoff_c = 60
[tent.command]
argv = ["/bin/cat"]
`

// A hub on a real broker finds the probes, the alerts and the tent by
// themselves, and every topic that it is told of carries what it is told; it
// holds the tent inside the file's limits; another device's topic is left to
// it.
func TestMQTTDiscovery(t *testing.T) {
	m := testkit.NewMosquitto(t, "")
	// Somebody else's device was there first.
	const taken = "homeassistant/binary_sensor/board_7/alerts/config"
	m.Pub(taken, `{"name":"kettle","unique_id":"kettle"}`, "-r")
	heater := &lockedHeater{}
	d, log, _ := runDaemonIn(t, t.TempDir(), fmt.Sprintf(`
[shop]
name = "Boat shed"
[mqtt]
url = "mqtt://127.0.0.1:%s"
user = "shed"
secret_file = %q
client_id = "board 7"
discovery = "homeassistant"
tent_control = true
[[mqtt.topic]]
preset = "zigbee2mqtt"
accept = true
%s`, m.Port, secretFile(t, "tack coat\n"), hubTent), func(d *Daemon) {
		d.AttachTent(d.cfg.Tent, func(func(heat.Event), func() (heat.Profile, bool)) TentHolder { return heater })
	})
	testkit.Until(t, "the other device is said", func() bool { return strings.Contains(log.String(), "another device writes") })
	testkit.Until(t, "online", func() bool { return d.mqtt.Link.Status().Up })
	m.Pub("zigbee2mqtt/loft", `{"temperature":17.5,"humidity":62,"battery":80,"linkquality":90}`)
	testkit.Until(t, "the probe is known", func() bool { _, ok := d.set.Get("loft"); return ok })
	d.RequestEvaluation()
	found := map[string]map[string]any{}
	testkit.Until(t, "the hub finds them", func() bool {
		found = map[string]map[string]any{}
		for topic, body := range m.Stored("homeassistant/#") {
			var e map[string]any
			if err := json.Unmarshal([]byte(body), &e); err != nil {
				t.Fatalf("%s: %v: %s", topic, err, body)
			}
			found[topic] = e
		}
		return len(found) >= 4
	})
	if got := found[taken]["name"]; got != "kettle" {
		t.Errorf("the other device's topic now says %v", got)
	}
	if n := d.intakeOf("mqtt").Refused["discovery_taken"]; n == 0 {
		t.Error("not counted")
	}
	ids := map[string]bool{}
	for topic, e := range found {
		if topic == taken {
			continue
		}
		// What the documents of MQTT discovery require of an entity with a device.
		for _, key := range []string{"name", "unique_id", "availability_topic", "device", "origin"} {
			if e[key] == nil {
				t.Errorf("%s has no %s", topic, key)
			}
		}
		id := fmt.Sprint(e["unique_id"])
		if ids[id] {
			t.Errorf("%s: %s is there twice", topic, id)
		}
		ids[id] = true
		for key, v := range e {
			if !strings.HasSuffix(key, "_topic") || strings.HasSuffix(key, "command_topic") {
				continue
			}
			if m.Stored(fmt.Sprint(v))[fmt.Sprint(v)] == "" {
				t.Errorf("%s: nothing is at its %s, %v", topic, key, v)
			}
		}
	}
	temp := found["homeassistant/sensor/board_7/probe_loft_temp/config"]
	if temp["unit_of_measurement"] != "°C" || temp["device_class"] != "temperature" || temp["state_class"] != "measurement" {
		t.Errorf("temperature: %v", temp)
	}
	if found["homeassistant/sensor/board_7/probe_loft_co2/config"] != nil {
		t.Error("a probe without carbon dioxide has a sensor of it")
	}
	tent := found["homeassistant/climate/board_7/tent/config"]
	if tent["max_temp"] != 35. || tent["min_temp"] != 5. {
		t.Errorf("tent: %v", tent)
	}

	// The hub's thermostat.
	set, mode := fmt.Sprint(tent["temperature_command_topic"]), fmt.Sprint(tent["mode_command_topic"])
	aim := func() sensors.Value { return heater.Status().AimC }
	m.Pub(set, "22.5")
	testkit.Until(t, "held", func() bool { x, ok := aim().Get(); return ok && x == 22.5 })
	m.Pub(set, "80") // refused by the heater's limits
	m.Pub(set, "warm")
	m.Pub(mode, "cool")
	testkit.Until(t, "refused and counted", func() bool { return d.intakeOf("mqtt").Refused["tent"] == 3 })
	if x, _ := aim().Get(); x != 22.5 {
		t.Errorf("held at %v after what was refused", aim())
	}
	m.Pub(mode, "off")
	testkit.Until(t, "off", func() bool { return !aim().OK() })
	m.Pub(mode, "heat")
	testkit.Until(t, "on again, at the least", func() bool { x, ok := aim().Get(); return ok && x == 5 })
}

func TestDiscoveryFaults(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"discovery = \"home assistant\"", "mqtt.discovery: \"home assistant\": names"},
		{"discovery = \"curewright\"", "mqtt.discovery: \"curewright\" and this board's own topics"},
		{"discovery = \"radio\"\n[[mqtt.topic]]\ntopic = \"radio/+\"\nplain = \"temp\"", "mqtt.discovery: \"radio\" is where mqtt.topic[0]"},
		{"discovery = \"ha\"\nstate = false", "mqtt.discovery: a hub is told of the state"},
		{"tent_control = true", "mqtt.tent_control: there is no heater"},
		{"tent_control = true\n" + hubTent, "mqtt.tent_control: anybody on the broker"},
	} {
		_, err := ParseConfig("f.toml", []byte("[mqtt]\nurl = \"mqtt://broker.example\"\n"+c.text+"\n"))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s\ngives %v, want %q", c.text, err, c.want)
		}
	}
}
