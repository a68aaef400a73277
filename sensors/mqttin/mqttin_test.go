// SPDX-License-Identifier: Apache-2.0

package mqttin

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"curewright/sensors"
)

// take is what an intake handed on and said.
type take struct {
	mu     sync.Mutex
	got    []sensors.Pushed
	accept []bool
	said   []string
	err    error
}

func (k *take) options() Options {
	return Options{
		Push: func(p sensors.Pushed, accept bool) error {
			k.mu.Lock()
			defer k.mu.Unlock()
			if k.err != nil {
				return k.err
			}
			k.got, k.accept = append(k.got, p), append(k.accept, accept)
			return nil
		},
		Say: func(place, topic string, err error) {
			k.said = append(k.said, place+" "+topic+": "+err.Error())
		},
		Places: []string{"mqtt.topic[0]"},
	}
}

// all is what was handed on so far.
func (k *take) all() []sensors.Pushed {
	k.mu.Lock()
	defer k.mu.Unlock()
	return slices.Clone(k.got)
}

func (k *take) accepted() []bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	return slices.Clone(k.accept)
}

func near(v sensors.Value, want float64) bool {
	x, ok := v.Get()
	return ok && math.Abs(x-want) < 1e-9
}

// Units: 68 °F is 20 °C and 0 °C is 273.15 K by definition of the scales
// (NIST SP 811, B.8); a ratio of 0.55 is 55 %.
func TestRead(t *testing.T) {
	at := time.Date(2026, 10, 10, 8, 40, 0, 0, time.UTC)
	for _, c := range []struct {
		topic           Topic
		body            string
		temp, rh, co2   float64 // NaN: missing
		when            time.Time
		reason, because string
	}{
		{topic: Topic{Plain: "temp"}, body: "21.5", temp: 21.5, rh: nan, co2: nan},
		{topic: Topic{Plain: "temp"}, body: " -3.25\n", temp: -3.25, rh: nan, co2: nan},
		{topic: Topic{Plain: "temp", TempUnit: "F"}, body: "68", temp: 20, rh: nan, co2: nan},
		{topic: Topic{Plain: "temp", TempUnit: "K"}, body: "273.15", temp: 0, rh: nan, co2: nan},
		{topic: Topic{Plain: "rh", RHUnit: "ratio"}, body: "0.55", temp: nan, rh: 55, co2: nan},
		{topic: Topic{Plain: "co2"}, body: "4.2e2", temp: nan, rh: nan, co2: 420},
		{topic: Topic{Temp: "t", RH: "h"}, body: `{"t":18.5,"h":61}`, temp: 18.5, rh: 61, co2: nan},
		{topic: Topic{Temp: "t", RH: "h"}, body: `{"t":18.5,"h":null}`, temp: 18.5, rh: nan, co2: nan},
		{topic: Topic{Temp: "t", RH: "h"}, body: `{"h":"61.5"}`, temp: nan, rh: 61.5, co2: nan},
		{topic: Topic{Temp: "air.t"}, body: `{"air":{"t":7,"x":[1,{"y":2}]}}`, temp: 7, rh: nan, co2: nan},
		{topic: Topic{Temp: "air.t"}, body: `{"air":{"t":7},"air.t":8}`, temp: 8, rh: nan, co2: nan},
		{topic: Topic{Temp: "t", Time: "at"}, body: `{"t":1,"at":"2026-10-10T09:40:00+01:00"}`, temp: 1, rh: nan, co2: nan, when: at},
		{topic: Topic{Temp: "t", Time: "at", TimeFormat: "unix"}, body: fmt.Sprintf(`{"t":1,"at":%d}`, at.Unix()), temp: 1, rh: nan, co2: nan, when: at},
		{topic: Topic{Temp: "t", Time: "at", TimeFormat: "unix_ms"}, body: fmt.Sprintf(`{"t":1,"at":%d}`, at.UnixMilli()), temp: 1, rh: nan, co2: nan, when: at},
		{topic: Topic{Temp: "t", Time: "at"}, body: `{"t":1}`, temp: 1, rh: nan, co2: nan},

		{topic: Topic{Plain: "temp"}, body: "warm", reason: "not_number", because: `"warm" is not a number`},
		{topic: Topic{Plain: "temp"}, body: "", reason: "not_number", because: `"" is not a number`},
		{topic: Topic{Plain: "temp"}, body: "NaN", reason: "not_number", because: "not a number"},
		{topic: Topic{Plain: "temp"}, body: "inf", reason: "not_number", because: "not a number"},
		{topic: Topic{Plain: "temp"}, body: "0x1p4", reason: "not_number", because: "not a number"},
		{topic: Topic{Plain: "temp"}, body: "1e999", reason: "not_number", because: "too large"},
		{topic: Topic{Plain: "temp"}, body: "\xff\xfe", reason: "not_text", because: "UTF-8"},
		{topic: Topic{Plain: "temp"}, body: strings.Repeat("1", MaxBody+1), reason: "too_long", because: "16385 bytes"},
		{topic: Topic{Temp: "t"}, body: `{"t":true}`, reason: "not_number", because: `field "t" is true or false`},
		{topic: Topic{Temp: "t"}, body: `{"t":"warm"}`, reason: "not_number", because: `field "t": "warm"`},
		{topic: Topic{Temp: "t", RH: "h"}, body: `{"x":1}`, reason: "no_field", because: `"t", "h"`},
		{topic: Topic{Temp: "t"}, body: `{"t":null}`, reason: "no_field", because: `"t"`},
		{topic: Topic{Temp: "t"}, body: `21.5`, reason: "not_json", because: "give plain"},
		{topic: Topic{Temp: "t"}, body: `{"t":1`, reason: "not_json", because: "not JSON"},
		{topic: Topic{Temp: "t"}, body: `{"t":1} {"t":2}`, reason: "not_json", because: "text after"},
		{topic: Topic{Temp: "t"}, body: `{"t":1,"t":2}`, reason: "not_json", because: "twice"},
		{topic: Topic{Temp: "t"}, body: strings.Repeat(`{"t":`, 40), reason: "not_json", because: "deeper"},
		{topic: Topic{Temp: "t", Time: "at"}, body: `{"t":1,"at":"yesterday"}`, reason: "time", because: "RFC 3339"},
		{topic: Topic{Temp: "t", Time: "at"}, body: `{"t":1,"at":1791621600}`, reason: "time", because: "time_format"},
		{topic: Topic{Temp: "t", Time: "at", TimeFormat: "unix"}, body: `{"t":1,"at":1791621600000}`, reason: "time", because: "time_format"},
		{topic: Topic{Temp: "t", Time: "at", TimeFormat: "unix"}, body: `{"t":1,"at":12.5}`, reason: "time", because: "no time of today"},
	} {
		p, err := c.topic.read([]byte(c.body), []string{"x"})
		if c.reason != "" {
			if got := Reason(err); got != c.reason || !strings.Contains(fmt.Sprint(err), c.because) {
				t.Errorf("%s: got %s, %v; want %s, ...%s...", c.body[:min(len(c.body), 40)], got, err, c.reason, c.because)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", c.body, err)
			continue
		}
		for _, v := range []struct {
			name string
			got  sensors.Value
			want float64
		}{{"temp", p.Temp, c.temp}, {"rh", p.RH, c.rh}, {"co2", p.CO2, c.co2}} {
			if math.IsNaN(v.want) == v.got.OK() || v.got.OK() && !near(v.got, v.want) {
				t.Errorf("%s: %s = %v, want %v", c.body, v.name, v.got, v.want)
			}
		}
		if (p.Time == nil) != c.when.IsZero() || p.Time != nil && !p.Time.Equal(c.when) {
			t.Errorf("%s: time %v, want %v", c.body, p.Time, c.when)
		}
	}
}

var nan = math.NaN()

func TestCheck(t *testing.T) {
	for _, c := range []struct {
		topics []Topic
		want   []string // beginnings of the faults; none: good
	}{
		{[]Topic{{Topic: "shed/+/t", Plain: "temp"}, {Topic: "shed/+/h", Plain: "rh"}, {Topic: "a/+/b/+", Probe: "$1-$2", Temp: "t"}}, nil},
		{[]Topic{{}}, []string{"mqtt.topic[0].topic: required", "mqtt.topic[0].plain: nothing is read"}},
		{[]Topic{{Topic: "shed/#", Probe: "x", Plain: "temp"}}, []string{"mqtt.topic[0].topic: \"shed/#\""}},
		{[]Topic{{Topic: "$SYS/x", Probe: "x", Plain: "temp"}}, []string{"mqtt.topic[0].topic: \"$SYS/x\""}},
		{[]Topic{{Topic: "shed/p+/t", Plain: "temp", Probe: "x"}}, []string{"mqtt.topic[0].topic: \"shed/p+/t\""}},
		{[]Topic{{Topic: "shed/t", Plain: "temp"}}, []string{"mqtt.topic[0].probe: required"}},
		{[]Topic{{Topic: "+/+/t", Plain: "temp"}}, []string{"mqtt.topic[0].probe: required: the topic has 2 +"}},
		{[]Topic{{Topic: "+/t", Probe: "$2", Plain: "temp"}}, []string{"mqtt.topic[0].probe: \"$2\": $2, but"}},
		{[]Topic{{Topic: "+/t", Probe: "a b", Plain: "temp"}}, []string{"mqtt.topic[0].probe: not a probe name"}},
		{[]Topic{{Topic: "+/t", Probe: "a$", Plain: "temp"}}, []string{"mqtt.topic[0].probe: \"a$\""}},
		{[]Topic{{Topic: "+/t", Plain: "temp", Temp: "t"}}, []string{"mqtt.topic[0].plain: a plain number has no fields"}},
		{[]Topic{{Topic: "+/t", Plain: "temperature"}}, []string{"mqtt.topic[0].plain: \"temperature\" is none"}},
		{[]Topic{{Topic: "+/t", Plain: "temp", TempUnit: "R", RHUnit: "%", TimeFormat: "unix"}},
			[]string{"mqtt.topic[0].temp_unit: \"R\"", "mqtt.topic[0].rh_unit: nothing", "mqtt.topic[0].time_format: nothing"}},
		{[]Topic{{Topic: "a/+", Plain: "temp"}, {Topic: "+/b", Plain: "temp"}}, []string{"mqtt.topic[1].topic: \"+/b\" and topic[0]"}},
	} {
		errs := Check(c.topics)
		if len(errs) != len(c.want) {
			t.Errorf("%+v: %v, want %d faults", c.topics, errs, len(c.want))
			continue
		}
		for i, e := range errs {
			if !strings.HasPrefix(e.Error(), c.want[i]) {
				t.Errorf("got %q, want it to begin with %q", e, c.want[i])
			}
		}
	}
}

// Each trouble is said once, with its place, until a good message comes by
// the same topic; all of them are counted.
func TestSaidOnce(t *testing.T) {
	k := &take{}
	in := New([]Topic{{Topic: "shed/+/t", Plain: "temp"}}, k.options())
	for range 5 {
		in.Handle("shed/panel-1/t", []byte("warm"), false)
	}
	in.Handle("shed/panel-2/t", []byte("n/a"), false)
	in.Handle("shed/panel-1/t", []byte("20"), true)
	in.Handle("attic/panel-1/t", []byte("20"), false)
	in.Handle("shed/panel 3/t", []byte("20"), false)
	want := []string{
		`mqtt.topic[0] shed/panel-1/t: "warm" is not a number`,
		`mqtt.topic[0] shed/panel-2/t: "n/a" is not a number`,
		`mqtt.topic[0] shed/panel-1/t: a stored message may be of any age`,
		` attic/panel-1/t: no [[mqtt.topic]] matches it`,
		`mqtt.topic[0] shed/panel 3/t: not a probe name: "panel 3": letters, digits, dot, dash and underscore only`,
	}
	if !slices.Equal(k.said, want) {
		t.Errorf("said\n%s\nwant\n%s", strings.Join(k.said, "\n"), strings.Join(want, "\n"))
	}
	s := in.Stats()
	if s.Taken != 0 || s.Refused["not_number"] != 6 || s.Refused["retained"] != 1 || s.Refused["topic"] != 1 || s.Refused["name"] != 1 {
		t.Errorf("counted %+v", s)
	}
	in.Handle("shed/panel-1/t", []byte("20"), false)
	in.Handle("shed/panel-1/t", []byte("warm"), false)
	if len(k.got) != 1 || len(k.said) != len(want)+1 {
		t.Errorf("after a good one: %d readings, %d said, want 1 and %d", len(k.got), len(k.said), len(want)+1)
	}
	k.err = fmt.Errorf("%w: far away", sensors.ErrRange)
	in.Handle("shed/panel-1/t", []byte("900"), false)
	if in.Stats().Refused["range"] != 1 || !strings.HasSuffix(k.said[len(k.said)-1], "probe panel-1: outside rated range: far away") {
		t.Errorf("a refused reading: %+v, %q", in.Stats(), k.said[len(k.said)-1])
	}
}

// A stranger on the broker can't make us remember or log without end.
func TestFlood(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := &take{}
		in := New([]Topic{{Topic: "shed/+/t", Plain: "temp"}}, k.options())
		for i := range 5000 {
			in.Handle(fmt.Sprintf("shed/p%d/t", i), []byte("x"), false)
			if i%10 == 0 {
				time.Sleep(100 * time.Millisecond)
			}
		}
		if n := len(k.said); n != maxSaid+1 {
			t.Errorf("said %d lines, want %d and one that says that there are more", n, maxSaid)
		}
		if in.Stats().Refused["not_number"] != 5000 {
			t.Errorf("counted %+v", in.Stats())
		}
		time.Sleep(5 * time.Second)
		for range burst + 50 {
			in.Handle("shed/p/t", []byte("20"), false)
		}
		if got := in.Stats().Refused["too_fast"]; got != 50 {
			t.Errorf("%d messages were too fast, want 50", got)
		}
		time.Sleep(time.Second)
		in.Handle("shed/p/t", []byte("20"), false)
		if got := in.Stats().Taken; got != burst+1 {
			t.Errorf("took %d, want %d: the limit is per second", got, burst+1)
		}
	})
}

// Temperature and humidity under topics of their own are one reading, if they
// come close together; neither is repeated to fill the other's gap.
func TestJoin(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := &take{}
		in := New([]Topic{{Topic: "shed/+/t", Plain: "temp", Accept: true}, {Topic: "shed/+/h", Plain: "rh"}}, k.options())
		in.Handle("shed/a/t", []byte("20"), false)
		in.Handle("shed/b/t", []byte("10"), false)
		in.Handle("shed/a/h", []byte("55"), false)
		if len(k.all()) != 1 || !near(k.all()[0].Temp, 20) || !near(k.all()[0].RH, 55) || k.all()[0].Probe != "a" || k.accepted()[0] {
			t.Fatalf("got %+v, want one reading of a with both", k.all())
		}
		time.Sleep(JoinAfter + time.Millisecond)
		synctest.Wait()
		if len(k.all()) != 2 || k.all()[1].Probe != "b" || !near(k.all()[1].Temp, 10) || k.all()[1].RH.OK() || !k.accepted()[1] {
			t.Fatalf("got %+v, want b's temperature alone", k.all())
		}
		in.Handle("shed/a/t", []byte("21"), false)
		in.Handle("shed/a/t", []byte("22"), false)
		if len(k.all()) != 3 || !near(k.all()[2].Temp, 21) {
			t.Fatalf("got %+v, want the first of two temperatures at once", k.all())
		}
		in.Flush()
		time.Sleep(2 * JoinAfter)
		synctest.Wait()
		if len(k.all()) != 4 || !near(k.all()[3].Temp, 22) {
			t.Errorf("got %+v, want the second once", k.all())
		}
	})
}

func TestSilent(t *testing.T) {
	k := &take{}
	in := New([]Topic{{Topic: "shed/+/t", Plain: "temp"}, {Topic: "shde/+/h", Plain: "rh"}}, k.options())
	in.Handle("shed/a/t", []byte("bad"), false)
	topics, _ := in.Silent()
	if !slices.Equal(topics, []string{"shde/+/h"}) {
		t.Errorf("silent %q, want the misspelt one", topics)
	}
	if got := in.Filters(); !slices.Equal(got, []string{"shed/+/t", "shde/+/h"}) {
		t.Errorf("filters %q", got)
	}
}

// Whatever a broker sends, what is handed on has a proper name and a value.
func FuzzHandle(f *testing.F) {
	f.Add("shed/a/t", []byte("20"))
	f.Add("shed/a/j", []byte(`{"air":{"t":1},"h":"2","at":"2026-10-10T09:40:00+01:00"}`))
	f.Add("shed//j", []byte(`{"air.t":1e400}`))
	f.Fuzz(func(t *testing.T, topic string, body []byte) {
		in := New([]Topic{{Topic: "shed/+/t", Plain: "temp"}, {Topic: "shed/+/j", Temp: "air.t", RH: "h", Time: "at"}}, Options{
			Push: func(p sensors.Pushed, _ bool) error {
				if err := sensors.CheckID(p.Probe); err != nil {
					t.Errorf("%q, %q: %v", topic, body, err)
				}
				if !p.Temp.OK() && !p.RH.OK() && !p.CO2.OK() {
					t.Errorf("%q, %q: a reading of nothing", topic, body)
				}
				return nil
			},
		})
		in.Handle(topic, body, false)
		in.Flush()
		s := in.Stats()
		n := s.Taken
		for _, m := range s.Refused {
			n += m
		}
		if n != 1 {
			t.Errorf("%q, %q: counted %+v, want exactly one", topic, body, s)
		}
	})
}

func TestReason(t *testing.T) {
	if got := Reason(fmt.Errorf("wrapped: %w", sensors.ErrNotAccepted)); got != "not_accepted" {
		t.Errorf("got %q", got)
	}
	if got := Reason(errors.New("x")); got != "other" {
		t.Errorf("got %q", got)
	}
}

func ExampleIntake() {
	in := New([]Topic{{Topic: "shed/+/climate", Temp: "temperature", RH: "humidity"}}, Options{
		Push: func(p sensors.Pushed, _ bool) error {
			fmt.Println(p.Probe, p.Temp, p.RH, p.CO2)
			return nil
		},
		Say: func(_, topic string, err error) { fmt.Printf("%s: %v\n", topic, err) },
	})
	in.Handle("shed/air/climate", []byte(`{"temperature": 17.5, "humidity": 64}`), false)
	in.Handle("shed/air/climate", []byte(`{"temperature": "out of order"}`), false)
	// Output:
	// air 17.5 64 missing
	// shed/air/climate: field "temperature": "out of order" is not a number
}
