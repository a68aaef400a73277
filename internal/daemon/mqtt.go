// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/history/forward/mqtt"
	"curewright/internal/daemon/learnt"
	"curewright/internal/daemon/mqttlink"
	"curewright/model/coat"
	"curewright/model/tomlfile"
	"curewright/model/words"
	"curewright/sensors"
	"curewright/sensors/mqttin"
)

// mqttSection is [mqtt]. Without a url there is no connection.
type mqttSection struct {
	URL string `toml:"url"` // mqtt://HOST:1883 or mqtts://HOST:8883

	User       string `toml:"user"`
	SecretFile string `toml:"secret_file"` // the password
	SecretEnv  string `toml:"secret_env"`
	CAFile     string `toml:"ca_file"` // PEM; "" for the system's
	CertFile   string `toml:"cert_file"`
	KeyFile    string `toml:"key_file"`

	ClientID string `toml:"client_id"` // default "curewright-" and a number of this board's own
	Base     string `toml:"base"`      // topics begin with base/site; default "curewright"
	Site     string `toml:"site"`      // default the shop's name

	Readings *bool            `toml:"readings"` // publish readings; default true
	State    *bool            `toml:"state"`    // publish coats, panels, cups, alerts; default true
	Expire   sensors.Duration `toml:"expire"`   // of the state; default 10m
	Rate     int              `toml:"rate"`     // readings a second while catching up; default 200

	Discovery   string `toml:"discovery"`    // prefix by which home hubs find what is published; "" for none
	TentControl bool   `toml:"tent_control"` // a hub may ask for heat, with the role control

	Topics []mqttin.Topic `toml:"topic"`

	where []string // place of each topic in the file
}

func (s mqttSection) on() bool { return s.URL != "" }

// defaultBase begins the topics of every board of a yard.
const defaultBase = "curewright"

// base is what every topic of this board begins with.
func (s mqttSection) base(shop string) string {
	return cmp.Or(s.Base, defaultBase) + "/" + mqtt.Level(cmp.Or(s.Site, slug(shop)))
}

// slug makes a level of a topic out of a shop's name: "Boat shed" becomes
// boat-shed.
func slug(name string) string {
	return cmp.Or(strings.Join(strings.FieldsFunc(strings.ToLower(name), func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsDigit(r)
	}), "-"), "shop")
}

// check returns every fault of the section and of what needs it.
func (s mqttSection) check(f *tomlfile.File, probes []sensors.ConfigSection, channels []alerts.ChannelConfig) tomlfile.Faults {
	var out tomlfile.Faults
	bad := func(key, format string, a ...any) {
		out = append(out, f.Fault(fmt.Sprintf(format, a...), "mqtt", key))
	}
	if !s.on() {
		if f.Has("mqtt") {
			bad("url", "required")
		}
		for i, p := range probes {
			if p.Driver == "mqtt" {
				out = append(out, f.Fault("needs [mqtt] with a url", "probe", i, "driver"))
			}
		}
		for i, c := range channels {
			if c.Kind == alerts.KindMQTT {
				out = append(out, f.Fault("needs [mqtt] with a url", "alert", "channel", i, "kind"))
			}
		}
	} else if u, err := s.broker(); err != nil {
		bad("url", "%v", err)
	} else {
		secure := u.Scheme == "mqtts"
		for _, k := range []struct{ key, v string }{{"ca_file", s.CAFile}, {"cert_file", s.CertFile}, {"key_file", s.KeyFile}} {
			if k.v != "" && !secure {
				bad(k.key, "only with mqtts://")
			}
		}
		if !secure && (s.SecretFile != "" || s.SecretEnv != "") && !localHost(u.Hostname()) {
			bad("url", "would send the password in the clear over the internet: use mqtts://")
		}
	}
	if (s.CertFile == "") != (s.KeyFile == "") {
		bad("cert_file", "cert_file and key_file go together")
	}
	if s.SecretFile != "" && s.SecretEnv != "" {
		bad("secret_env", "given beside secret_file: one of them")
	}
	if s.User == "" && (s.SecretFile != "" || s.SecretEnv != "") {
		bad("user", "required with a secret")
	}
	if len(s.ClientID) > 128 || strings.ContainsFunc(s.ClientID, unicode.IsControl) {
		bad("client_id", "%q: at most 128 characters of text", s.ClientID)
	}
	for _, l := range strings.Split(s.Base, "/") {
		if s.Base != "" && (l == "" || mqtt.Level(l) != l) {
			bad("base", "%q: names separated by single /, without + or #", s.Base)
			break
		}
	}
	if strings.ContainsFunc(s.Site, unicode.IsControl) || len(s.Site) > 200 {
		bad("site", "%q: one line of text", s.Site)
	}
	if d := time.Duration(s.Expire); d != 0 && (d < time.Minute || d > 24*time.Hour) {
		bad("expire", "%v is not between 1m and 24h", d)
	}
	if s.Rate < 0 || s.Rate > 10_000 {
		bad("rate", "%d is not between 1 and 10000", s.Rate)
	}
	for _, err := range mqttin.Check(s.Topics) {
		out = append(out, f.FaultAt(err))
	}
	return out
}

func (s mqttSection) broker() (*url.URL, error) {
	u, err := url.Parse(s.URL)
	switch {
	case err != nil || u.Host == "" || u.Hostname() == "":
		return nil, errors.New("not an address such as mqtt://broker.local:1883")
	case u.Scheme != "mqtt" && u.Scheme != "mqtts":
		return nil, fmt.Errorf("%q is neither mqtt nor mqtts", u.Scheme)
	case u.User != nil:
		return nil, errors.New("carries a password: use user and secret_file or secret_env")
	case u.Path != "" && u.Path != "/" || u.RawQuery != "":
		return nil, errors.New("an address has no path")
	}
	if u.Port() == "" {
		port := map[string]string{"mqtt": "1883", "mqtts": "8883"}[u.Scheme] // as registered with IANA
		u.Host = net.JoinHostPort(u.Hostname(), port)
	}
	return u, nil
}

// localHost is a host in the shop or the yard: a bare name, one in .local or
// a private address (RFC 1918, RFC 4193).
func localHost(host string) bool {
	if ip := net.ParseIP(host); ip != nil {
		return ip.IsLoopback() || ip.IsPrivate() || ip.IsLinkLocalUnicast()
	}
	for _, end := range []string{".local", ".lan", ".internal", ".home.arpa"} {
		if strings.HasSuffix(host, end) {
			return true
		}
	}
	return !strings.Contains(host, ".")
}

// places says where each topic stands in the configuration.
func (s *mqttSection) places(f *tomlfile.File) []string {
	out := make([]string, len(s.Topics))
	for i := range s.Topics {
		out[i] = fmt.Sprintf("mqtt.topic[%d]", i)
		if line, col := f.Place("mqtt", "topic", i, "topic"); line > 0 {
			out[i] = fmt.Sprintf("%d:%d: %s", line, col, out[i])
		}
	}
	return out
}

// mqttPart is all that goes through the connection.
type mqttPart struct {
	d        *Daemon
	base     string
	node     string // this board's number, as hubs know it
	link     *mqttlink.Link
	hub      *hubLink
	yard     *learnt.Yard
	in       *mqttin.Intake
	board    *mqtt.Board    // nil where no state is published
	readings *mqtt.Readings // nil where none are
	fresh    chan string    // probes that appeared and are to be remembered
	mu       sync.Mutex
	silent   bool // it was said which topics are silent
}

// clientKey is where the store remembers this board's number on brokers.
const clientKey = "mqtt-client"

// openMQTT makes the connection's parts; nil without [mqtt]. It does no
// network I/O.
func openMQTT(d *Daemon) (*mqttPart, error) {
	s := d.cfg.MQTT
	if !s.on() {
		return nil, nil
	}
	u, err := s.broker()
	if err != nil {
		return nil, fmt.Errorf("mqtt: url: %w", err)
	}
	secret, serr := alerts.Secret(s.SecretFile, s.SecretEnv)
	var sec *tls.Config
	var terr error
	if u.Scheme == "mqtts" {
		sec, terr = mqttlink.TLSConfig(s.CAFile, s.CertFile, s.KeyFile, readSmall)
		if sec != nil {
			sec.ServerName = u.Hostname()
		}
	}
	if err := errors.Join(serr, terr); err != nil {
		return nil, fmt.Errorf("mqtt: %w", err)
	}
	m := &mqttPart{d: d, base: s.base(d.cfg.Shop.Name), fresh: make(chan string, sensors.MaxPushed)}
	id := s.ClientID
	if id == "" {
		if !d.store.ReadSetting(clientKey, &id) {
			b := make([]byte, 4)
			if _, err := rand.Read(b); err != nil {
				return nil, fmt.Errorf("mqtt: client_id: %w", err)
			}
			id = "curewright-" + hex.EncodeToString(b)
			if err := d.store.WriteSetting(context.Background(), clientKey, id); err != nil {
				d.log.Warn("mqtt: this board's number is not kept", "err", err)
			}
		}
	}
	m.in = mqttin.New(s.Topics, mqttin.Options{
		Push:  m.push,
		Count: func(reason string) { d.intakes.word("mqtt", reason) },
		Say: func(place, topic string, err error) {
			d.log.Warn("mqtt message refused", "place", place, "topic", topic, "err", err)
		},
		Places: s.where,
	})
	m.node = strings.Map(func(r rune) rune {
		if discoveryLevel.MatchString(string(r)) {
			return r
		}
		return '_'
	}, id)
	m.hub = &hubLink{m: m, taken: map[string]bool{}}
	m.yard = learnt.NewYard(d.mem, cmp.Or(s.Base, defaultBase),
		func(ctx context.Context, topic string, body []byte) error {
			return m.link.Publish(ctx, topic, body, true, 0)
		},
		func(reason string) { d.intakes.word("mqtt", reason) })
	m.link = mqttlink.New(mqttlink.Options{URL: u, TLS: sec, User: s.User, Password: secret, ClientID: id, Online: m.base + "/status",
		Filters: slices.Concat(m.filters(), m.hub.filters(), m.yard.Filters()), Log: d.log,
		Message: func(topic string, body []byte, retained bool) {
			if !m.yard.Handle(topic, body) && !m.hub.handle(topic, body, retained) {
				m.in.Handle(topic, body, retained)
			}
		}})
	m.link.WhenUp(m.yard.Connected)
	if s.State == nil || *s.State {
		m.board = mqtt.NewBoard(mqtt.BoardOptions{Pub: m.link, Log: d.log, Expire: time.Duration(s.Expire), Lasting: m.lasting})
		m.link.WhenUp(m.board.Renew)
	}
	if s.Readings == nil || *s.Readings {
		m.readings = mqtt.NewReadings(mqtt.ReadingsOptions{Base: m.base, Pub: m.link, Store: d.store, Log: d.log, Rate: s.Rate, Now: d.clk.Now,
			Stale: func(probe string) time.Duration {
				if h, ok := d.set.Get(probe); ok && h.Stale > 0 {
					return h.Stale
				}
				return 10 * time.Minute
			}})
		m.link.WhenUp(m.readings.Wake)
	}
	return m, nil
}

// filters are the topics by which readings come.
func (m *mqttPart) filters() []mqttlink.Filter {
	var out []mqttlink.Filter
	for i, topic := range m.in.Filters() {
		out = append(out, mqttlink.Filter{Topic: topic, Place: m.d.cfg.MQTT.where[i]})
	}
	return out
}

// readSmall reads a certificate or key.
func readSmall(name string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, 1<<20))
}

// parts run until the daemon stops.
func (m *mqttPart) parts() []Part {
	ps := []Part{{"mqtt", m.link.Run}, {"mqtt intake", m.watch}, {"mqtt yard", m.yard.Run}}
	if m.board != nil {
		ps = append(ps, Part{"mqtt state", m.board.Run})
	}
	if m.readings != nil {
		ps = append(ps, Part{"mqtt readings", m.readings.Run})
	}
	return ps
}

// push hands a message's reading to the probes' intake.
func (m *mqttPart) push(p sensors.Pushed, accept bool) error {
	_, known := m.d.set.Get(p.Probe)
	_, refused := m.d.set.Push(sensors.Source{Via: "mqtt", Who: "broker", Accept: accept, ClockTrusted: m.d.clockTrusted.Load()}, []sensors.Pushed{p})
	if !known {
		if _, there := m.d.set.Get(p.Probe); there {
			select {
			case m.fresh <- p.Probe:
			default: // more than there may be pushed probes
			}
		}
	}
	if len(refused) > 0 {
		return refused[0].Err
	}
	return nil
}

// silentAfter is how long a topic may be silent from the start before it is
// said: a radio probe that saves its battery speaks every few minutes.
const silentAfter = 15 * time.Minute

// watch remembers probes that appeared, and says which topics nothing comes
// by.
func (m *mqttPart) watch(ctx context.Context) error {
	tick := time.NewTicker(time.Minute)
	defer tick.Stop()
	defer m.in.Flush()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case id := <-m.fresh:
			h, ok := m.d.set.Get(id)
			if !ok || !h.Accepted {
				continue // nobody wants it yet; it appears again when it speaks
			}
			if err := m.d.saveProbe(ctx, h); err != nil && ctx.Err() == nil {
				m.d.log.Warn("a new probe is not kept", "probe", id, "err", err)
			}
			m.d.RequestEvaluation()
		case <-tick.C:
			m.saySilent(m.link.Status(), time.Now())
		}
	}
}

// saySilent says once which topics no message has matched.
func (m *mqttPart) saySilent(st mqttlink.Status, now time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.silent || !st.Up || now.Sub(st.UpAt) < silentAfter {
		return
	}
	m.silent = true
	topics, places := m.in.Silent()
	for i, t := range topics {
		m.d.log.Warn("nothing has come by this topic: is it spelt as the probe spells it?", "topic", t, "place", places[i], "after_s", silentAfter.Seconds())
		m.d.intakes.word("mqtt", "silent_topic")
	}
}

// word counts one message by the reason it was refused for, "" for none.
func (c *intakeCounts) word(way, reason string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	s := c.of(way)
	if reason == "" {
		s.Taken++
	} else {
		s.Refused[reason]++
	}
}

// mqttProbe, mqttCoat and mqttAlert are what is published of each.
type mqttProbe struct {
	ID     string     `json:"id"`
	Name   string     `json:"name"`
	Role   string     `json:"role"`
	Panel  string     `json:"panel"`
	State  string     `json:"state"`
	LastAt *time.Time `json:"last_at"`
}

type mqttCoat struct {
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
	NextWindow  *mqttWindow         `json:"next_window"`
	Events      coat.Events         `json:"events"`
	Blush       coat.Blush          `json:"blush"`
	Stall       bool                `json:"stall"`
	Degraded    float64             `json:"degraded_minutes"`
}

type mqttWindow struct {
	Kind   string     `json:"kind"`
	Status string     `json:"status"`
	Opens  *time.Time `json:"opens"`
	Closes *time.Time `json:"closes"`
}

type mqttCup struct {
	Batch  string    `json:"batch"`
	Resin  string    `json:"resin"`
	Grams  *float64  `json:"grams"`
	Mixed  time.Time `json:"mixed"`
	EndsAt time.Time `json:"ends_at"`
}

type mqttAlert struct {
	ID       string          `json:"id"`
	Rule     string          `json:"rule"`
	Subject  string          `json:"subject"`
	Severity alerts.Severity `json:"severity"`
	State    string          `json:"state"`
	Say      string          `json:"say"`
	Since    time.Time       `json:"since"`
}

// show shows the newest evaluation to hubs.
func (m *mqttPart) show(s *web.Snapshot) {
	if m != nil && m.board != nil {
		state := m.state(s)
		m.hub.show(s, state)
		m.board.Show(state)
	}
}

// state is what the board shows, by topic.
func (m *mqttPart) state(s *web.Snapshot) map[string][]byte {
	state := map[string][]byte{m.base + "/about": mqtt.About(m.base, m.d.cfg.Shop.Name, m.d.version)}
	put := func(topic string, v any) {
		b, err := json.Marshal(v)
		if err != nil {
			m.d.log.Error("mqtt state", "topic", topic, "err", err)
			return
		}
		state[m.base+"/"+topic] = b
	}
	probes := []mqttProbe{}
	for _, h := range s.Probes {
		if !h.Accepted {
			continue // a stranger's name is not passed on
		}
		p := mqttProbe{ID: h.Probe, Name: h.Name, Role: h.Role, Panel: h.Panel, State: h.State}
		if !h.LastAt.IsZero() {
			p.LastAt = new(h.LastAt.Truncate(time.Minute)) // each reading has its own message: this need not change with every one
		}
		probes = append(probes, p)
	}
	put("probes", probes)
	for _, e := range s.Result.Coats {
		c := mqttCoat{ID: e.ID, Panel: e.Panel, Resin: e.Resin, Kind: e.Kind, AppliedAt: e.AppliedAt, TempC: e.TempC, Alpha: e.Alpha, TgC: e.TgC,
			State: e.State, Probability: e.StateProbability, UnknownWhy: e.UnknownWhy, Advice: e.Advice, Events: e.Events, Blush: e.Blush,
			Stall: e.Stall, Degraded: e.DegradedMinutes}
		c.UnknownWhy = slices.Concat([]string{}, c.UnknownWhy) // never null
		if w := e.NextWindow; w != nil {
			c.NextWindow = &mqttWindow{w.Kind, w.Status, w.Opens, w.Closes}
		}
		put("coat/"+mqtt.Level(e.ID), c)
	}
	put("panels", slices.Concat([]alerts.Surface{}, s.Surfaces))
	cups := []mqttCup{}
	for _, c := range s.Cups {
		cups = append(cups, mqttCup{c.Batch, c.Resin, c.Grams, c.Mixed, c.EndsAt})
	}
	put("cups", cups)
	list := []mqttAlert{}
	for _, a := range s.Alerts {
		list = append(list, mqttAlert{a.ID, a.Rule, a.Subject, a.Severity, a.State, a.Say, a.Since})
	}
	put("alerts", list)
	return state
}

// behindAfter is how long a sender may fail before it is a trouble to tell.
const behindAfter = 10 * time.Minute

// condition is the trouble that the connection is in.
func (m *mqttPart) condition() []alerts.Condition {
	if m == nil {
		return nil
	}
	if st := m.link.Status(); !st.Up && time.Since(st.Since) > behindAfter {
		return senderBehind("MQTT", "broker", st.Since, st.Why)
	}
	if m.readings != nil {
		st := m.readings.Status()
		return senderBehind("MQTT", "refused", st.FailingSince, st.Err)
	}
	return nil
}

// senderBehind says of a sender that has failed for long why it does; since is
// zero where it does not fail.
func senderBehind(to, how string, since time.Time, why string) []alerts.Condition {
	if since.IsZero() || time.Since(since) <= behindAfter {
		return nil
	}
	if why != "" {
		why = " (" + why + ")"
	}
	return []alerts.Condition{{Rule: alerts.SenderBehind, Subject: to, Severity: alerts.Note, Case: how, Facts: words.Facts{"why": why}}}
}

// mqttLines is what check lists of the broker.
func mqttLines(s mqttSection, shop string, v words.View) []string {
	if !s.on() {
		return nil
	}
	u, err := s.broker()
	if err != nil {
		return nil
	}
	out := []string{checkRow(v, "mqtt", "mqtt", words.Facts{"broker": u.Scheme + "://" + u.Host, "base": s.base(shop)})}
	for _, t := range s.Topics {
		out = append(out, checkRow(v, "listens", "listens", words.Facts{"topic": t.Topic, "probe": cmp.Or(t.Probe, "$1")}))
	}
	return out
}
