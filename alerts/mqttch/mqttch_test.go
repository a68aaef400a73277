// SPDX-License-Identifier: Apache-2.0

package mqttch

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"testing"
	"time"

	"curewright/alerts"
)

type publisher struct {
	topic string
	body  []byte
	err   error
}

func (p *publisher) Publish(_ context.Context, topic string, body []byte, retain bool, expire time.Duration) error {
	if retain || expire != 0 {
		return errors.New("an alert's message is news, not state")
	}
	p.topic, p.body = topic, body
	return p.err
}

type refusal struct{ permanent bool }

func (r refusal) Error() string   { return "not allowed" }
func (r refusal) Permanent() bool { return r.permanent }

// The whole message goes out, but not the link that acknowledges: it is a key
// for everybody who may listen.
func TestSend(t *testing.T) {
	p := &publisher{}
	c := New("yard", "curewright/shed/alert", p)
	m := alerts.Message{Key: "k1", What: alerts.WhatFiring, Site: "Shed", Title: "Roll on", Text: "Roll the fill coat on now.", At: time.Unix(1791621600, 0).UTC(),
		AckURL: "http://shed.local/ack/secret", Alert: &alerts.Alert{ID: "a1", Rule: "window_open", Severity: alerts.Act}}
	if err := c.Send(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	var got alerts.Message
	if err := json.Unmarshal(p.body, &got); err != nil {
		t.Fatal(err)
	}
	if p.topic != "curewright/shed/alert" || got.Key != "k1" || got.Text != m.Text || got.Alert.ID != "a1" || got.AckURL != "" {
		t.Errorf("on %s: %s", p.topic, p.body)
	}
	if m.AckURL == "" {
		t.Error("the caller's message was changed")
	}
	if !c.Machine || c.Name != "yard" {
		t.Error("not a machine named yard")
	}
}

// A refusal is permanent; a broker that is away is not.
func TestErrors(t *testing.T) {
	for _, x := range []struct {
		err       error
		permanent bool
	}{
		{errors.New("no connection"), false},
		{fmt.Errorf("publish: %w", refusal{true}), true},
		{refusal{false}, false},
	} {
		err := New("yard", "t", &publisher{err: x.err}).Send(t.Context(), alerts.Message{})
		if !errors.Is(err, x.err) || errors.Is(err, alerts.ErrPermanent) != x.permanent {
			t.Errorf("%v: got %v, permanent %v", x.err, err, !x.permanent)
		}
	}
}

func Example() {
	p := &publisher{}
	c := New("yard", "curewright/shed/alert", p)
	if err := c.Send(context.Background(), alerts.Message{Key: "k1", What: alerts.WhatTest, Title: "Test", Text: "This is a test.", At: time.Unix(1791621600, 0).UTC()}); err != nil {
		panic(err)
	}
	fmt.Println(p.topic, string(p.body))
	// Output: curewright/shed/alert {"key":"k1","what":"test","title":"Test","text":"This is a test.","at":"2026-10-10T08:40:00Z"}
}
