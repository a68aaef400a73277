// SPDX-License-Identifier: Apache-2.0

package broker

import (
	"encoding/json"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/history/forward/mqtt"
	"curewright/internal/daemon/learnt"
	"curewright/internal/daemon/mqttlink"
	"curewright/internal/testkit"
	"curewright/model/coat"
	"curewright/model/job"
	"curewright/model/tomlfile"
	"curewright/sensors"
)

// What is published has exactly the fields that the description names.
func TestFieldsAsDescribed(t *testing.T) {
	base := Section{}.BaseOf("Boat shed")
	c := &Client{o: Options{Shop: "Boat shed", Log: testkit.NoLog()}, Base: base}
	at, x := time.Now(), 1.0
	snap := &web.Snapshot{
		Probes:   []sensors.Health{{Probe: "a", Accepted: true, LastAt: at}, {Probe: "stranger"}},
		Surfaces: []alerts.Surface{{Panel: "lid", TempC: &x}},
		Cups:     []alerts.Cup{{Batch: "b1"}},
		Alerts:   []alerts.Alert{{ID: "a1"}},
		Result:   job.Result{Coats: []coat.Estimate{{ID: "tack", NextWindow: &coat.Window{Kind: coat.WindowCoat}}}},
	}
	sent := c.state(snap)
	sent[base+"/probe/+/reading"], _ = json.Marshal(mqtt.Reading{})
	sent[base+"/alert"], _ = json.Marshal(alerts.Message{Site: "Shed", Lines: []string{"one"}, Alert: &alerts.Alert{}})
	sent[base+"/tent"], _ = json.Marshal(tentState{})
	sent[base+"/coat/+"] = sent[base+"/coat/tack"]
	for _, topic := range mqtt.Topics {
		if topic.Fields == nil {
			continue
		}
		b, ok := sent[base+"/"+topic.Topic]
		if !ok {
			t.Errorf("%s is described and never sent", topic.Topic)
			continue
		}
		var obj map[string]any
		if topic.List {
			var list []map[string]any
			if err := json.Unmarshal(b, &list); err != nil || len(list) != 1 {
				t.Errorf("%s: %s: %v", topic.Topic, b, err)
				continue
			}
			obj = list[0]
		} else if err := json.Unmarshal(b, &obj); err != nil {
			t.Errorf("%s: %v", topic.Topic, err)
			continue
		}
		var want []string
		for _, f := range topic.Fields {
			want = append(want, f.Name)
		}
		slices.Sort(want)
		if got := slices.Sorted(maps.Keys(obj)); !slices.Equal(got, want) {
			t.Errorf("%s has the fields %q, described are %q", topic.Topic, got, want)
		}
	}
}

// A misspelt topic is said once, with its place, after it was silent long
// enough.
func TestSilentTopic(t *testing.T) {
	var cfg struct {
		MQTT Section `toml:"mqtt"`
	}
	f, faults := tomlfile.Decode([]byte("[mqtt]\nurl = \"mqtt://127.0.0.1:1\"\nclient_id = \"b\"\nstate = false\nreadings = false\n[[mqtt.topic]]\ntopic = \"raido/+\"\nplain = \"temp\"\n"), &cfg)
	testkit.OK(t, append(faults, cfg.MQTT.Check(f, "Shop", false)...).Err())
	log := &testkit.Buffer{}
	counted := map[string]int{}
	c, err := New(Options{Section: cfg.MQTT, Memory: &learnt.Memory{}, Log: slog.New(slog.NewTextHandler(log, nil)), Count: func(reason string) { counted[reason]++ }})
	testkit.OK(t, err)
	at := time.Now()
	c.saySilent(c.Link.Status(), at.Add(time.Hour))
	if strings.Contains(log.String(), "raido") {
		t.Errorf("said without a connection:\n%s", log.String())
	}
	up := mqttlink.Status{Up: true, UpAt: at}
	c.saySilent(up, at.Add(silentAfter-time.Second))
	if strings.Contains(log.String(), "raido") {
		t.Errorf("said too early:\n%s", log.String())
	}
	c.saySilent(up, at.Add(silentAfter))
	c.saySilent(up, at.Add(2*silentAfter))
	if text := log.String(); strings.Count(text, "raido/+") != 1 || !strings.Contains(text, "7:1: mqtt.topic[0]") {
		t.Errorf("said\n%s\nwant one line with its place", text)
	}
	if counted["silent_topic"] != 1 {
		t.Errorf("counted %v", counted)
	}
}

// A stored command is somebody's wish of any age: heat never starts by it.
func TestStoredWish(t *testing.T) {
	if err := (&Client{Base: "b"}).ask("b/tent/set", []byte("30"), true); err == nil || !strings.Contains(err.Error(), "stored") {
		t.Errorf("a stored wish: %v", err)
	}
}
