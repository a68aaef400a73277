// SPDX-License-Identifier: Apache-2.0

package plug

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/url"
	"os"
	"strings"
	"time"

	"github.com/eclipse/paho.golang/autopaho"
	"github.com/eclipse/paho.golang/paho"

	"curewright/heat"
)

// clientID is a random id for this connection. A broker drops the older of two
// connections with the same id, and process numbers may be equal on boards with the
// same system. Every broker must take 23 letters and digits (MQTT 5.0, section
// 3.1.3.1).
func clientID() string { return "curewrightheat" + rand.Text()[:9] }

// Open returns an output whose connection to the broker is kept up in the
// background until ctx ends. A broker that can't be reached is no error here: the
// plug's state is then unknown, and heat stays off.
func Open(ctx context.Context, sec heat.PlugSection, ttl time.Duration) (*Output, error) {
	u, err := url.Parse(sec.Broker)
	if err != nil {
		return nil, fmt.Errorf("plug: broker: %w", err)
	}
	var pass []byte
	if sec.PassFile != "" {
		b, err := os.ReadFile(sec.PassFile)
		if err != nil {
			return nil, fmt.Errorf("plug: password: %w", err)
		}
		pass = []byte(strings.TrimRight(string(b), "\r\n"))
	}
	c := new(conn)
	o := New(sec, ttl, c)
	cfg := autopaho.ClientConfig{
		ServerUrls:                    []*url.URL{u},
		KeepAlive:                     20,
		CleanStartOnInitialConnection: true,
		ConnectTimeout:                5 * time.Second,
		ConnectUsername:               sec.User,
		ConnectPassword:               pass,
		// The will: the broker sends off when this program's connection is lost.
		WillMessage: &paho.WillMessage{Topic: sec.Topic, Payload: []byte(sec.OffMsg), QoS: 1},
		OnConnectionUp: func(cm *autopaho.ConnectionManager, _ *paho.Connack) {
			_, _ = cm.Subscribe(ctx, &paho.Subscribe{Subscriptions: []paho.SubscribeOptions{{Topic: sec.State, QoS: 1}}})
		},
		ClientConfig: paho.ClientConfig{
			ClientID: clientID(),
			OnPublishReceived: []func(paho.PublishReceived) (bool, error){
				func(p paho.PublishReceived) (bool, error) {
					// A retained message tells an earlier state, not the present one.
					if !p.Packet.Retain {
						o.Handle(p.Packet.Payload)
					}
					return true, nil
				},
			},
		},
	}
	cm, err := autopaho.NewConnection(ctx, cfg)
	if err != nil {
		return nil, fmt.Errorf("plug: %w", err)
	}
	c.cm = cm
	return o, nil
}

type conn struct{ cm *autopaho.ConnectionManager }

func (c *conn) Publish(ctx context.Context, topic string, payload []byte) error {
	// Not queued: an old "on" that arrives late must not switch anything.
	_, err := c.cm.Publish(ctx, &paho.Publish{Topic: topic, Payload: payload, QoS: 1})
	return err
}

func (c *conn) Close(ctx context.Context) error {
	if err := c.cm.Disconnect(ctx); err != nil && !errors.Is(err, context.Canceled) {
		return err
	}
	return nil
}
