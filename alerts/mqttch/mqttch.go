// SPDX-License-Identifier: Apache-2.0

// Package mqttch publishes alerts as JSON on an MQTT topic, over a connection
// that somebody else holds.
//
// The body is the message as [alerts.Message] writes it, without the link that
// acknowledges: everybody who may listen would hold the key. Messages are not
// retained; the list of what lasts is on a topic of its own.
package mqttch

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"curewright/alerts"
)

// Publisher hands one message to the broker and returns once the broker has
// it. An error whose Permanent() is true will come again.
type Publisher interface {
	Publish(ctx context.Context, topic string, body []byte, retain bool, expire time.Duration) error
}

// New returns a channel that publishes messages on one topic, each until the
// broker has it; it does no I/O.
func New(name, topic string, pub Publisher) alerts.Channel {
	return alerts.Channel{Name: name, Machine: true, Send: func(ctx context.Context, m alerts.Message) error {
		return send(ctx, pub, name, topic, m)
	}}
}

func send(ctx context.Context, pub Publisher, name, topic string, m alerts.Message) error {
	m.AckURL, m.Ack = "", ""
	body, err := json.Marshal(m)
	if err != nil {
		return alerts.Permanent(fmt.Errorf("channel %s: %w", name, err))
	}
	err = pub.Publish(ctx, topic, body, false, 0)
	if err == nil {
		return nil
	}
	err = fmt.Errorf("channel %s: %w", name, err)
	var p interface{ Permanent() bool }
	if errors.As(err, &p) && p.Permanent() {
		return alerts.Permanent(err)
	}
	return err
}
