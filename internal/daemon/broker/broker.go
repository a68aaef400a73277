// SPDX-License-Identifier: Apache-2.0

// Package broker is what this board says and hears at an MQTT broker: the state
// of the shop, every reading, what home hubs find it by, and in return readings of
// other probes, wishes of a hub for the tent, and what a yard's boards learnt. How
// the connection is kept is mqttlink's matter. No estimate and no alert is made
// here, and no probe is opened: what is shown comes with each evaluation, what is
// heard goes to those of [Options].
package broker

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/history"
	"curewright/history/forward/mqtt"
	"curewright/internal/daemon/learnt"
	"curewright/internal/daemon/mqttlink"
	"curewright/internal/file"
	"curewright/model/words"
	"curewright/sensors"
	"curewright/sensors/mqttin"
)

// Options are what a [Client] goes by; all are needed but Words.
type Options struct {
	Section Section
	Shop    string // what people call it
	Version string // the program's
	Page    string // its address, "" for none that is known

	Store  *history.Store
	Memory *learnt.Memory // told to the yard
	Words  *words.Catalogue
	Log    *slog.Logger
	Now    func() time.Time

	Tent  func() web.Tent                           // nil without a heater
	Push  func(p sensors.Pushed, accept bool) error // takes the reading of a message; must not block
	Stale func(probe string) time.Duration          // how old a probe's reading may be; 0 where it is not known
	Count func(reason string)                       // a message, by why it was refused; "" for one that was taken
	News  func()                                    // something else is to be shown: evaluate anew
}

// Client is this board at its broker.
type Client struct {
	o    Options
	Base string // of this board's topics
	Link *mqttlink.Link

	node     string // this board's number, as hubs know it
	hub      hub
	yard     *learnt.Yard
	in       *mqttin.Intake
	board    *mqtt.Board    // nil where no state is published
	readings *mqtt.Readings // nil where none are
	silent   bool           // it was said which topics are silent; watch's alone
}

// clientKey is where the store remembers this board's number on brokers.
const clientKey = "mqtt-client"

// New makes the connection's parts. It does no network I/O.
func New(o Options) (*Client, error) {
	s := o.Section
	u, err := s.Broker()
	if err != nil {
		return nil, fmt.Errorf("mqtt: url: %w", err)
	}
	secret, serr := alerts.Secret(s.SecretFile, s.SecretEnv)
	var sec *tls.Config
	var terr error
	if u.Scheme == "mqtts" {
		sec, terr = mqttlink.TLSConfig(s.CAFile, s.CertFile, s.KeyFile, file.Read)
		if sec != nil {
			sec.ServerName = u.Hostname()
		}
	}
	id, ierr := clientID(o)
	if err := errors.Join(serr, terr, ierr); err != nil {
		return nil, fmt.Errorf("mqtt: %w", err)
	}
	c := &Client{o: o, Base: s.BaseOf(o.Shop), node: node(id)}
	c.in = mqttin.New(s.Topics, mqttin.Options{
		Push:  o.Push,
		Count: o.Count,
		Say: func(place, topic string, err error) {
			o.Log.Warn("mqtt message refused", "place", place, "topic", topic, "err", err)
		},
		Places: s.where,
	})
	c.hub.taken = map[string]bool{}
	c.yard = learnt.NewYard(o.Memory, cmp.Or(s.Base, defaultBase), func(ctx context.Context, topic string, body []byte) error {
		return c.Link.Publish(ctx, topic, body, true, 0)
	}, o.Count)
	c.Link = mqttlink.New(mqttlink.Options{URL: u, TLS: sec, User: s.User, Password: secret, ClientID: id, Online: c.Base + "/status",
		Filters: slices.Concat(c.filters(), c.hubFilters(), c.yard.Filters()), Log: o.Log,
		Message: func(topic string, body []byte, retained bool) {
			if !c.yard.Handle(topic, body) && !c.handleHub(topic, body, retained) {
				c.in.Handle(topic, body, retained)
			}
		}})
	c.Link.WhenUp(c.yard.Connected)
	if s.sendsState() {
		c.board = mqtt.NewBoard(mqtt.BoardOptions{Pub: c.Link, Log: o.Log, Expire: time.Duration(s.Expire), Lasting: c.lasting})
		c.Link.WhenUp(c.board.Renew)
	}
	if s.SendsReadings() {
		c.readings = mqtt.NewReadings(mqtt.ReadingsOptions{Base: c.Base, Pub: c.Link, Store: o.Store, Log: o.Log, Rate: s.Rate, Now: o.Now,
			Stale: func(probe string) time.Duration { return cmp.Or(o.Stale(probe), 10*time.Minute) }})
		c.Link.WhenUp(c.readings.Wake)
	}
	return c, nil
}

// clientID is the board's name at the broker: the section's, or a number that is
// made once and kept.
func clientID(o Options) (id string, err error) {
	if o.Section.ClientID != "" {
		return o.Section.ClientID, nil
	}
	if o.Store.ReadSetting(clientKey, &id) {
		return id, nil
	}
	b := make([]byte, 4)
	if _, err := rand.Read(b); err != nil {
		return "", fmt.Errorf("client_id: %w", err)
	}
	id = "curewright-" + hex.EncodeToString(b)
	if err := o.Store.WriteSetting(context.Background(), clientKey, id); err != nil {
		o.Log.Warn("mqtt: this board's number is not kept", "err", err)
	}
	return id, nil
}

// node is a client's name as a level of a discovery topic.
func node(id string) string {
	return strings.Map(func(r rune) rune {
		if discoveryLevel.MatchString(string(r)) {
			return r
		}
		return '_'
	}, id)
}

// filters are the topics by which readings come.
func (c *Client) filters() []mqttlink.Filter {
	var out []mqttlink.Filter
	for i, topic := range c.in.Filters() {
		out = append(out, mqttlink.Filter{Topic: topic, Place: c.o.Section.where[i]})
	}
	return out
}

// Parts are what runs side by side until the daemon stops, by name; none for nil.
func (c *Client) Parts() map[string]func(context.Context) error {
	if c == nil {
		return nil
	}
	ps := map[string]func(context.Context) error{"mqtt": c.Link.Run, "mqtt intake": c.watch, "mqtt yard": c.yard.Run}
	if c.board != nil {
		ps["mqtt state"] = c.board.Run
	}
	if c.readings != nil {
		ps["mqtt readings"] = c.readings.Run
	}
	return ps
}

// silentAfter is how long a topic may be silent from the start before it is
// said: a radio probe that saves its battery speaks every few minutes.
const silentAfter = 15 * time.Minute

// watch says which topics nothing comes by.
func (c *Client) watch(ctx context.Context) error {
	tick := time.NewTicker(time.Minute)
	defer tick.Stop()
	defer c.in.Flush()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
			c.saySilent(c.Link.Status(), time.Now())
		}
	}
}

// saySilent says once which topics no message has matched.
func (c *Client) saySilent(st mqttlink.Status, now time.Time) {
	if c.silent || !st.Up || now.Sub(st.UpAt) < silentAfter {
		return
	}
	c.silent = true
	topics, places := c.in.Silent()
	for i, t := range topics {
		c.o.Log.Warn("nothing has come by this topic: is it spelt as the probe spells it?", "topic", t, "place", places[i], "after_s", silentAfter.Seconds())
		c.o.Count("silent_topic")
	}
}

// Failing says since when, and why, the connection is down for longer than so
// much, or else the broker refuses readings; since is zero where neither is so.
func (c *Client) Failing(longer time.Duration) (how string, since time.Time, why string) {
	if st := c.Link.Status(); !st.Up && time.Since(st.Since) > longer {
		return "broker", st.Since, st.Why
	}
	if c.readings == nil {
		return "", time.Time{}, ""
	}
	st := c.readings.Status()
	return "refused", st.FailingSince, st.Err
}

// Stats is how publishing goes, for the metrics.
func (c *Client) Stats() web.ForwardStats {
	l := c.Link.Status()
	out := web.ForwardStats{To: "mqtt", Up: l.Up, Failures: l.Failures}
	if c.readings != nil {
		s := c.readings.Status()
		out.Sent, out.Refused = s.Sent, s.Refused
		if !s.Newest.IsZero() {
			out.Newest = &s.Newest
		}
	}
	if c.board != nil {
		sent, _ := c.board.Stats()
		out.Sent += sent
	}
	return out
}
