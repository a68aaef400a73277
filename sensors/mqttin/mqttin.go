// SPDX-License-Identifier: Apache-2.0

// Package mqttin turns MQTT messages of radio probes into readings.
//
// It has no connection to a broker: [New] takes the topics of the configuration, and
// [Intake.Handle] each message, from whatever client. A pattern's "+"
// stands for one level of the topic and can name the probe; the body is one
// plain number or a JSON object whose fields are mapped.
//
// A body that does not fit the configuration is refused, counted by reason, and
// logged once with its topic until a good one comes. A quantity that a message does
// not carry is missing, never a number. Stored (retained) messages are
// refused: they may be of any age and would look like present readings.
package mqttin

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"curewright/sensors"
)

// Topic is one [[mqtt.topic]]: a pattern and what its messages carry.
type Topic struct {
	// Topic may hold "+" for a level that differs; "#" is refused, since a
	// probe's topic has a known number of levels.
	Topic string `toml:"topic"`
	// Probe names the probe; $1 is what the first "+" matched, $2 the second.
	// Default "$1" where there is exactly one. {FIELD} is a field of the JSON
	// body, for gateways that send all probes by one topic.
	Probe string `toml:"probe"`

	// Preset names the form that a widely used open firmware or gateway sends;
	// see [Presets]. Keys that are given besides win over it.
	Preset string `toml:"preset"`

	Plain string `toml:"plain"` // the body is one number: "temp", "rh" or "co2"

	// Temp is the field of the temperature in a JSON body; "a.b" is b inside a,
	// "*.b" the b of the one object that has it.
	Temp string `toml:"temp"`
	RH   string `toml:"rh"`
	CO2  string `toml:"co2"`
	Time string `toml:"time"` // field with the time of measurement; "" for the time of receipt

	Battery string `toml:"battery"` // field of the battery's charge
	Link    string `toml:"link"`    // field of the radio link's quality

	TempUnit   string `toml:"temp_unit"`   // "C" (default), "F", "K"; "{FIELD}" where the body says it
	RHUnit     string `toml:"rh_unit"`     // "%" (default), "ratio"
	TimeFormat string `toml:"time_format"` // "rfc3339" (default), "unix" (s), "unix_ms"

	BatteryUnit string `toml:"battery_unit"` // "%" (default), "ratio"

	// Accept accepts new probes without asking a person, for a broker that only
	// the shop's own probes can reach.
	Accept bool `toml:"accept"`
}

// Quantities of a reading, as the configuration names them.
const (
	QTemp = "temp"
	QRH   = "rh"
	QCO2  = "co2"
)

// Bounds on the work that a broker can cause.
const (
	MaxBody   = 16 << 10 // bytes; longer bodies are refused
	maxDepth  = 16       // of nested JSON
	perSecond = 200      // messages; more are refused and counted
	burst     = 400
	maxSaid   = 256             // different faults remembered, so that each is logged once
	JoinAfter = 2 * time.Second // longest wait for the further parts of one reading
)

// Fault is a message that was refused.
type Fault struct {
	Reason string // one word for a counter
	What   string
}

func (f *Fault) Error() string { return f.What }

func fault(reason, format string, a ...any) error {
	return &Fault{reason, fmt.Sprintf(format, a...)}
}

// Reason returns the one-word reason of a refusal.
func Reason(err error) string {
	var f *Fault
	if errors.As(err, &f) {
		return f.Reason
	}
	return sensors.Reason(err)
}

// pattern is a checked [Topic].
type pattern struct {
	Topic
	levels []string
	place  string
	alone  bool     // no other pattern adds to this one's readings
	expect []string // quantities that one reading of this probe may have
}

// Check returns every fault of the topics, each beginning with its key.
func Check(topics []Topic) []error {
	var errs []error
	for i, t := range topics {
		if _, ok := Presets[t.Preset]; t.Preset != "" && !ok {
			errs = append(errs, fmt.Errorf("mqtt.topic[%d].preset: %q is none of %s", i, t.Preset, strings.Join(PresetNames(), ", ")))
		} else if t.Preset != "" && t.Plain != "" {
			errs = append(errs, fmt.Errorf("mqtt.topic[%d].plain: a preset has fields: give one of the two", i))
		}
	}
	topics = fill(topics)
	for i, t := range topics {
		bad := func(key, format string, a ...any) {
			errs = append(errs, fmt.Errorf("mqtt.topic[%d].%s: %s", i, key, fmt.Sprintf(format, a...)))
		}
		plus := 0
		switch {
		case t.Topic == "":
			bad("topic", "required")
		case len(t.Topic) > 1024 || !utf8.ValidString(t.Topic) || strings.ContainsRune(t.Topic, 0):
			bad("topic", "not a topic: text of at most 1024 bytes")
		case strings.Contains(t.Topic, "#"):
			bad("topic", "%q: # matches any number of levels; write one + for each level that differs", t.Topic)
		case strings.HasPrefix(t.Topic, "$"):
			bad("topic", "%q: topics that begin with $ are the broker's own", t.Topic)
		default:
			for _, l := range strings.Split(t.Topic, "/") {
				if l == "+" {
					plus++
				} else if strings.Contains(l, "+") {
					bad("topic", "%q: + stands for a whole level, not for a part of one", t.Topic)
				}
			}
			for j, o := range topics[:i] {
				if overlap(strings.Split(t.Topic, "/"), strings.Split(o.Topic, "/")) {
					bad("topic", "%q and topic[%d], %q, both match the same messages: each would count twice", t.Topic, j, o.Topic)
				}
			}
			errs = append(errs, checkProbe(i, t, plus)...)
		}
		json := t.Temp != "" || t.RH != "" || t.CO2 != ""
		switch {
		case t.Plain == "" && !json:
			bad("plain", "nothing is read from these messages: give plain, or the JSON fields temp, rh, co2")
		case t.Plain != "" && (json || t.Time != "" || t.Battery != "" || t.Link != ""):
			bad("plain", "a plain number has no fields: give plain, or temp, rh, co2 and time")
		case t.Plain != "" && !slices.Contains([]string{QTemp, QRH, QCO2}, t.Plain):
			bad("plain", "%q is none of temp, rh, co2", t.Plain)
		}
		for _, u := range []struct {
			key, v string
			used   bool
			may    []string
		}{
			{"temp_unit", t.TempUnit, t.Temp != "" || t.Plain == QTemp, []string{"C", "F", "K"}},
			{"battery_unit", t.BatteryUnit, t.Battery != "", []string{"%", "ratio"}},
			{"rh_unit", t.RHUnit, t.RH != "" || t.Plain == QRH, []string{"%", "ratio"}},
			{"time_format", t.TimeFormat, t.Time != "", []string{"rfc3339", "unix", "unix_ms"}},
		} {
			if u.v == "" || u.key == "temp_unit" && t.Plain == "" && isField(u.v) {
				continue
			}
			if !slices.Contains(u.may, u.v) {
				bad(u.key, "%q is none of %s", u.v, strings.Join(u.may, ", "))
			} else if !u.used {
				bad(u.key, "nothing of this kind is read here")
			}
		}
	}
	return errs
}

func checkProbe(i int, t Topic, plus int) []error {
	bad := func(format string, a ...any) []error {
		return []error{fmt.Errorf("mqtt.topic[%d].probe: %s", i, fmt.Sprintf(format, a...))}
	}
	if t.Probe == "" {
		switch plus {
		case 0:
			return bad("required: the topic has no + to take the probe's name from")
		case 1:
			return nil
		}
		return bad("required: the topic has %d +: write for example \"$1-$2\"", plus)
	}
	sample := make([]string, plus)
	for k := range sample {
		sample[k] = "x"
	}
	if t.Plain != "" && strings.Contains(t.Probe, "{") {
		return bad("%q: a plain number has no fields", t.Probe)
	}
	name, err := expand(t.Probe, sample, func(string) (string, bool) { return "x", true })
	if err != nil {
		return bad("%v", err)
	}
	if err := sensors.CheckID(name); err != nil {
		return bad("%v", err)
	}
	return nil
}

// isField reports whether a unit is written as {FIELD}: the body says it.
func isField(s string) bool { return len(s) > 2 && s[0] == '{' && s[len(s)-1] == '}' }

// expand puts what each + matched into a name, and what field finds for each
// {FIELD}.
func expand(name string, got []string, field func(string) (string, bool)) (string, error) {
	var b strings.Builder
	for k := 0; k < len(name); k++ {
		if name[k] == '{' {
			end := strings.IndexByte(name[k:], '}')
			if end < 2 {
				return "", fmt.Errorf("%q: a { wants the name of a field and a }", name)
			}
			v, ok := field(name[k+1 : k+end])
			if !ok {
				return "", fmt.Errorf("%q: the message has no field %q", name, name[k+1:k+end])
			}
			b.WriteString(v)
			k += end
			continue
		}
		if name[k] != '$' {
			b.WriteByte(name[k])
			continue
		}
		end := k + 1
		for end < len(name) && name[end] >= '0' && name[end] <= '9' {
			end++
		}
		n, err := strconv.Atoi(name[k+1 : end])
		if err != nil || n < 1 {
			return "", fmt.Errorf("%q: a $ wants the number of a +, as in $1", name)
		}
		if n > len(got) {
			return "", fmt.Errorf("%q: $%d, but the topic has %d +", name, n, len(got))
		}
		b.WriteString(got[n-1])
		k = end - 1
	}
	return b.String(), nil
}

// overlap reports whether one topic can match both patterns.
func overlap(a, b []string) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] && a[i] != "+" && b[i] != "+" {
			return false
		}
	}
	return true
}

// match returns what each + of the pattern stands for in a topic.
func (p *pattern) match(topic string) ([]string, bool) {
	var got []string
	levels := strings.Split(topic, "/")
	if len(levels) != len(p.levels) {
		return nil, false
	}
	for i, l := range p.levels {
		switch {
		case l == "+":
			got = append(got, levels[i])
		case l != levels[i]:
			return nil, false
		}
	}
	return got, true
}

func (t Topic) quantities() []string {
	if t.Plain != "" {
		return []string{t.Plain}
	}
	var qs []string
	for _, f := range []struct{ q, field string }{{QTemp, t.Temp}, {QRH, t.RH}, {QCO2, t.CO2}} {
		if f.field != "" {
			qs = append(qs, f.q)
		}
	}
	return qs
}

// Options are what an [Intake] hands its readings to.
type Options struct {
	// Push takes one reading; an error is its refusal. accept is the topic's.
	// It may be called from several goroutines.
	Push func(p sensors.Pushed, accept bool) error
	// Say is called once for each fault, until a good message comes by the same
	// topic. place is the pattern's place in the configuration.
	Say func(place, topic string, err error)
	// Count, if not nil, is called once for each message or joined reading
	// with the reason of its refusal, "" for one that was taken.
	Count func(reason string)
	// Places names the place of each topic, by index; may be short.
	Places []string
	// Now is the clock of the rate limit; nil for time.Now.
	Now func() time.Time
}

// Intake judges messages. Safe for concurrent use.
type Intake struct {
	o        Options
	patterns []*pattern

	mu      sync.Mutex
	tokens  float64
	at      time.Time
	said    map[saidKey]bool
	full    bool
	seen    []uint64 // messages by pattern
	taken   uint64
	refused map[string]uint64
	waiting map[string]*part // by probe: a reading whose other parts may follow
}

type saidKey struct{ topic, reason string }

// part is a reading that is being put together from several topics.
type part struct {
	p      sensors.Pushed
	accept bool
	topics []string
	places []string
	timer  *time.Timer
}

// New returns an intake for topics that passed [Check].
func New(topics []Topic, o Options) *Intake {
	if o.Now == nil {
		o.Now = time.Now
	}
	in := &Intake{o: o, said: map[saidKey]bool{}, refused: map[string]uint64{}, seen: make([]uint64, len(topics)),
		waiting: map[string]*part{}, tokens: burst, at: o.Now()}
	for i, t := range fill(topics) {
		if t.Probe == "" {
			t.Probe = "$1"
		}
		p := &pattern{Topic: t, levels: strings.Split(t.Topic, "/"), alone: true, expect: t.quantities()}
		if i < len(o.Places) {
			p.place = o.Places[i]
		}
		in.patterns = append(in.patterns, p)
	}
	for _, p := range in.patterns {
		own := p.quantities()
		for _, q := range in.patterns {
			if p == q || p.Time != "" || q.Time != "" || !mayShare(p.Probe, q.Probe) {
				continue
			}
			other := q.quantities()
			if slices.ContainsFunc(other, func(x string) bool { return slices.Contains(own, x) }) {
				continue
			}
			p.alone = false
			for _, x := range other {
				if !slices.Contains(p.expect, x) {
					p.expect = append(p.expect, x)
				}
			}
		}
	}
	return in
}

// mayShare reports whether two name templates can give the same probe.
func mayShare(a, b string) bool {
	return a == b || strings.ContainsAny(a, "${") || strings.ContainsAny(b, "${")
}

// Filters are the topic filters to subscribe to.
func (in *Intake) Filters() []string {
	var out []string
	for _, p := range in.patterns {
		out = append(out, p.Topic.Topic)
	}
	return out
}

// Handle takes one message. It does not block for long and returns no error: faults
// are counted and passed to Options.Say.
func (in *Intake) Handle(topic string, body []byte, retained bool) {
	p, got, err := in.find(topic)
	if err != nil {
		in.refuse("", topic, err)
		return
	}
	if !in.allow() {
		in.refuse(p.place, topic, fault("too_fast", "more than %d messages a second: the rest is dropped", perSecond))
		return
	}
	if retained {
		in.refuse(p.place, topic, fault("retained", "a stored message may be of any age"))
		return
	}
	r, err := p.read(body, got)
	if p.Preset != "" && Reason(err) == "no_field" {
		in.count("no_field") // a device of the same gateway that is no probe, such as a lamp
		return
	}
	if err == nil {
		err = sensors.CheckID(r.Probe)
	}
	if err != nil {
		in.refuse(p.place, topic, err)
		return
	}
	if p.alone {
		in.push(r, p.Accept, []string{topic}, []string{p.place})
		return
	}
	in.join(p, r, topic)
}

// find returns the pattern that a topic belongs to, and what its + stand for.
func (in *Intake) find(topic string) (*pattern, []string, error) {
	for i, p := range in.patterns {
		got, ok := p.match(topic)
		if !ok {
			continue
		}
		in.mu.Lock()
		in.seen[i]++
		in.mu.Unlock()
		return p, got, nil
	}
	return nil, nil, fault("topic", "no [[mqtt.topic]] matches it")
}

func (in *Intake) allow() bool {
	in.mu.Lock()
	defer in.mu.Unlock()
	now := in.o.Now()
	if d := now.Sub(in.at).Seconds(); d > 0 {
		in.tokens = math.Min(burst, in.tokens+d*perSecond)
	}
	in.at = now
	if in.tokens < 1 {
		return false
	}
	in.tokens--
	return true
}

// join puts the parts of one reading together: many radio probes send each
// quantity under a topic of its own, a moment apart. When a part
// comes again, or nothing follows within [JoinAfter], the reading is passed on as it
// is.
func (in *Intake) join(p *pattern, r sensors.Pushed, topic string) {
	in.mu.Lock()
	w := in.waiting[r.Probe]
	var ready []*part
	if w != nil && (r.Temp.OK() && w.p.Temp.OK() || r.RH.OK() && w.p.RH.OK() || r.CO2.OK() && w.p.CO2.OK()) {
		ready = append(ready, in.release(w))
		w = nil
	}
	if w == nil {
		if len(in.waiting) >= sensors.MaxPushed {
			for _, o := range in.waiting { // there can't be more pushed probes than that
				ready = append(ready, in.release(o))
				break
			}
		}
		w = &part{p: sensors.Pushed{Probe: r.Probe}, accept: p.Accept}
		in.waiting[r.Probe] = w
		w.timer = time.AfterFunc(JoinAfter, func() {
			in.mu.Lock()
			mine := in.waiting[w.p.Probe] == w
			if mine {
				delete(in.waiting, w.p.Probe)
			}
			in.mu.Unlock()
			if mine {
				in.push(w.p, w.accept, w.topics, w.places)
			}
		})
	}
	for _, v := range []struct{ to, from *sensors.Value }{{&w.p.Temp, &r.Temp}, {&w.p.RH, &r.RH}, {&w.p.CO2, &r.CO2}} {
		if v.from.OK() {
			*v.to = *v.from
		}
	}
	if r.Battery.OK() {
		w.p.Battery = r.Battery
	}
	if r.Link.OK() {
		w.p.Link = r.Link
	}
	w.accept = w.accept && p.Accept
	w.topics = append(w.topics, topic)
	w.places = append(w.places, p.place)
	if !slices.ContainsFunc(p.expect, func(q string) bool { return !has(w.p, q) }) {
		ready = append(ready, in.release(w))
	}
	in.mu.Unlock()
	for _, w := range ready {
		in.push(w.p, w.accept, w.topics, w.places)
	}
}

// release takes a reading out of the waiting ones; mu is held.
func (in *Intake) release(w *part) *part {
	w.timer.Stop()
	delete(in.waiting, w.p.Probe)
	return w
}

func has(p sensors.Pushed, q string) bool {
	switch q {
	case QTemp:
		return p.Temp.OK()
	case QRH:
		return p.RH.OK()
	}
	return p.CO2.OK()
}

// Flush hands on what still waits for its other parts.
func (in *Intake) Flush() {
	in.mu.Lock()
	var ready []*part
	for _, w := range in.waiting {
		ready = append(ready, in.release(w))
	}
	in.mu.Unlock()
	for _, w := range ready {
		in.push(w.p, w.accept, w.topics, w.places)
	}
}

func (in *Intake) push(r sensors.Pushed, accept bool, topics, places []string) {
	if err := in.o.Push(r, accept); err != nil {
		in.refuse(places[0], topics[0], fmt.Errorf("probe %s: %w", r.Probe, err))
		return
	}
	if in.o.Count != nil {
		in.o.Count("")
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	in.taken++
	if len(in.said) > 0 {
		for k := range in.said {
			if slices.Contains(topics, k.topic) {
				delete(in.said, k) // a good message: the next fault is logged again
			}
		}
		in.full = in.full && len(in.said) >= maxSaid
	}
}

// count counts a refusal.
func (in *Intake) count(reason string) {
	if in.o.Count != nil {
		in.o.Count(reason)
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	in.refused[reason]++
}

func (in *Intake) refuse(place, topic string, err error) {
	reason := Reason(err)
	in.count(reason)
	in.mu.Lock()
	k := saidKey{topic, reason}
	say := !in.said[k]
	if say && len(in.said) >= maxSaid {
		say, in.full = !in.full, true
		if say {
			err = fmt.Errorf("%w; more troubles than are listed: they are only counted from here", err)
		}
	} else {
		in.said[k] = true
	}
	in.mu.Unlock()
	if say && in.o.Say != nil {
		in.o.Say(place, topic, err)
	}
}

// Stats is what came in since the start.
type Stats struct {
	Taken   uint64
	Refused map[string]uint64 // by one-word reason
}

// Stats returns the counts.
func (in *Intake) Stats() Stats {
	in.mu.Lock()
	defer in.mu.Unlock()
	s := Stats{Taken: in.taken, Refused: make(map[string]uint64, len(in.refused))}
	for k, n := range in.refused {
		s.Refused[k] = n
	}
	return s
}

// Silent returns the patterns that no message has matched yet, with their
// places: a misspelt topic looks like a probe without power.
func (in *Intake) Silent() (topics, places []string) {
	in.mu.Lock()
	defer in.mu.Unlock()
	for i, p := range in.patterns {
		if in.seen[i] == 0 {
			topics = append(topics, p.Topic.Topic)
			places = append(places, p.place)
		}
	}
	return topics, places
}
