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

// clientID names this connection to the broker, which throws out one of two
// that say the same name. Process numbers are no names: boards with the same
// system start the daemon as the same one. 23 letters and digits are what
// every broker must take (MQTT 5.0, section 3.1.3.1).
func clientID() string { return "curewrightheat" + rand.Text()[:9] }

// Open returns an output whose connection to the broker is kept up in the
// background until ctx ends. A broker that is not there is no error here: the
// plug then does not say what it is, and heat stays off.
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
		// What the plug should do when this program is gone: off, at once.
		WillMessage: &paho.WillMessage{Topic: sec.Topic, Payload: []byte(sec.OffMsg), QoS: 1},
		OnConnectionUp: func(cm *autopaho.ConnectionManager, _ *paho.Connack) {
			_, _ = cm.Subscribe(ctx, &paho.Subscribe{Subscriptions: []paho.SubscribeOptions{{Topic: sec.State, QoS: 1}}})
		},
		ClientConfig: paho.ClientConfig{
			ClientID: clientID(),
			OnPublishReceived: []func(paho.PublishReceived) (bool, error){
				func(p paho.PublishReceived) (bool, error) {
					// What the broker kept from before says nothing of now.
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
