// SPDX-License-Identifier: Apache-2.0

// Package alertmanager hands alerts to an Alertmanager over its v2 API, for a
// yard that already runs one: it then groups, silences and routes them.
package alertmanager

import (
	"context"
	"net/http"
	"strings"
	"time"

	"curewright/alerts"
)

// Options are where it is and what every alert carries.
type Options struct {
	URL            string // e.g. "http://yard.local:9093"
	User, Password string // basic authentication; "" for none
	Site           string // label "site", "" for none
	Labels         map[string]string
	Client         *http.Client
	Now            func() time.Time // time.Now by default
}

// channel posts to /api/v2/alerts.
type channel struct {
	name string
	o    Options
	url  string
}

// New returns a channel; it does no I/O.
func New(name string, o Options) (alerts.Channel, error) {
	if err := alerts.CheckURL(name, o.URL); err != nil {
		return alerts.Channel{}, err
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	c := &channel{name: name, o: o, url: strings.TrimRight(o.URL, "/") + "/api/v2/alerts"}
	return alerts.Channel{Name: name, Send: c.send, Machine: true, Refresh: c.refresh}, nil
}

// keep is how long Alertmanager holds an alert that is not repeated: a few of
// the refreshes may be lost, but a dead board's alerts do not stay for ever.
const keep = 5 * time.Minute

// posted is a postableAlert of the v2 API.
type posted struct {
	StartsAt    time.Time         `json:"startsAt"`
	EndsAt      time.Time         `json:"endsAt"`
	Labels      map[string]string `json:"labels"`
	Annotations map[string]string `json:"annotations"`
}

func (c *channel) posted(a alerts.Alert) posted {
	p := posted{StartsAt: a.Since, EndsAt: c.o.Now().Add(keep),
		Labels:      map[string]string{"alertname": name(a.Rule), "rule": a.Rule, "severity": string(a.Severity), "service": "curewright"},
		Annotations: map[string]string{"summary": a.Say, "id": a.ID}}
	for k, v := range c.o.Labels {
		p.Labels[k] = v
	}
	for k, v := range map[string]string{"subject": a.Subject, "panel": a.Panel, "site": c.o.Site} {
		if v != "" { // an empty label is no label there
			p.Labels[k] = v
		}
	}
	if a.FiredAt != nil {
		p.StartsAt = *a.FiredAt
	}
	if a.AckedBy != "" {
		p.Annotations["acknowledged_by"] = a.AckedBy
	}
	if a.EndedAt != nil {
		p.EndsAt = *a.EndedAt
		if !p.EndsAt.After(p.StartsAt) { // Alertmanager refuses an end that is not after the start
			p.EndsAt = p.StartsAt.Add(time.Second)
		}
	}
	return p
}

// name makes "Curewright" + CamelCase of a rule, as alert names are written
// there.
func name(rule string) string {
	var b strings.Builder
	b.WriteString("Curewright")
	for _, w := range strings.FieldsFunc(rule, func(r rune) bool { return r == '_' || r == '-' || r == ' ' }) {
		b.WriteString(strings.ToUpper(w[:1]) + w[1:])
	}
	return b.String()
}

// send posts one alert. A test posts an alert of its own that ends after five
// minutes. It ignores a digest: Alertmanager has had every change already.
func (c *channel) send(ctx context.Context, m alerts.Message) error {
	a := m.Alert
	switch {
	case a != nil:
	case m.What == alerts.WhatTest:
		a = &alerts.Alert{ID: m.Key, Rule: "test", Severity: alerts.Note, Say: m.Text, Since: m.At}
	default:
		return nil
	}
	return c.post(ctx, []posted{c.posted(*a)})
}

// refresh posts every alert that lasts again, so that Alertmanager keeps it.
func (c *channel) refresh(ctx context.Context, active []alerts.Alert) error {
	list := make([]posted, 0, len(active))
	for _, a := range active {
		list = append(list, c.posted(a))
	}
	return c.post(ctx, list)
}

func (c *channel) post(ctx context.Context, list []posted) error {
	return alerts.Post(ctx, c.o.Client, c.name, c.url, list, func(req *http.Request, _ []byte) {
		if c.o.User != "" {
			req.SetBasicAuth(c.o.User, c.o.Password)
		}
	})
}
