// SPDX-License-Identifier: Apache-2.0

package plug

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"regexp"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/eclipse/paho.golang/autopaho"
	"github.com/eclipse/paho.golang/paho"

	"curewright/heat"

	"curewright/internal/testkit"
)

var sec = heat.PlugSection{
	Broker: "mqtt://127.0.0.1:1", Topic: "tent/heater/set", State: "tent/heater/state",
	OnMsg: `{"on":true,"off_after":{seconds}}`, OffMsg: `{"on":false}`, StateKey: "sw.on", TimerKey: "sw.timer",
}

// fakePlug is a plug with an off-timer, at the other end of a connection.
type fakePlug struct {
	mu    sync.Mutex
	on    bool
	until time.Time

	deaf   bool // commands do not arrive
	mute   bool // says nothing
	lies   float64
	noTime bool
	sticks bool // never off
	timer  float64
	out    *Output
	err    error
}

func (p *fakePlug) Publish(_ context.Context, topic string, b []byte) error {
	p.mu.Lock()
	if p.err != nil || p.deaf {
		defer p.mu.Unlock()
		return p.err
	}
	if topic != sec.Topic {
		panic(topic)
	}
	say := p.take(b)
	mute := p.mute
	p.mu.Unlock()
	if !mute && p.out != nil {
		p.out.Handle(say)
	}
	return nil
}

// take does what a command says and answers with the state.
func (p *fakePlug) take(b []byte) []byte {
	var m struct {
		On  bool    `json:"on"`
		Off float64 `json:"off_after"`
	}
	if err := json.Unmarshal(b, &m); err != nil {
		panic(err)
	}
	p.on = m.On || p.sticks
	p.timer = m.Off
	p.until = time.Now().Add(time.Duration(m.Off) * time.Second)
	t := m.Off
	if p.lies != 0 {
		t = p.lies
	}
	if p.noTime {
		return fmt.Appendf(nil, `{"sw":{"on":%v}}`, p.on)
	}
	return fmt.Appendf(nil, `{"sw":{"on":%v,"timer":%g},"w":3}`, p.on, t)
}

func (p *fakePlug) Close(context.Context) error { return nil }

func (p *fakePlug) isOn() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.on && (p.sticks || time.Now().Before(p.until))
}

// TestPlug: every way in which a plug does not do what it should is an error
// within half a lease, and a plug that lost its daemon is off within the lease.
func TestPlug(t *testing.T) {
	const ttl = 30 * time.Second
	for name, tt := range map[string]struct {
		is  func(*fakePlug)
		bad bool
	}{
		"good":                    {func(*fakePlug) {}, false},
		"says nothing":            {func(p *fakePlug) { p.mute = true }, true},
		"commands do not arrive":  {func(p *fakePlug) { p.deaf = true }, true},
		"no timer in its answer":  {func(p *fakePlug) { p.noTime = true }, true},
		"timer left at an hour":   {func(p *fakePlug) { p.lies = 3600 }, true},
		"timer just within twice": {func(p *fakePlug) { p.lies = 60 }, false},
		"timer over twice":        {func(p *fakePlug) { p.lies = 61 }, true},
		"timer not armed anew":    {func(p *fakePlug) { p.lies = 4 }, true},
		"broker gone":             {func(p *fakePlug) { p.err = errors.New("no broker") }, true},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := &fakePlug{}
				tt.is(p)
				o := New(sec, ttl, p)
				p.out = o
				var err error
				for range 12 {
					if err = o.Renew(t.Context(), true); err != nil {
						break
					}
					if !tt.bad && p.timer != 30 {
						t.Fatalf("timer set to %g s, want the lease", p.timer)
					}
					time.Sleep(5 * time.Second)
				}
				if (err != nil) != tt.bad {
					t.Fatalf("err = %v, want one: %v", err, tt.bad)
				}
				time.Sleep(ttl + time.Second) // the daemon is gone
				if p.isOn() {
					t.Error("on a lease after the last renewal")
				}
			})
		})
	}
}

// TestPlugSticks: one that stays on though told off is an error.
func TestPlugSticks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &fakePlug{sticks: true}
		o := New(sec, 30*time.Second, p)
		p.out = o
		var err error
		for range 10 {
			err = errors.Join(err, o.Renew(t.Context(), false))
			time.Sleep(5 * time.Second)
		}
		if err == nil {
			t.Error("no error")
		}
		o.Handle([]byte("not json"))
		o.Handle([]byte(`{"sw":{"on":"perhaps"}}`))
		o.Handle([]byte(`[1]`))
	})
}

// TestMosquitto runs the plug's protocol over a real broker.
func TestMosquitto(t *testing.T) {
	s := sec
	s.Broker = "mqtt://127.0.0.1:" + testkit.NewMosquitto(t, "").Port
	s.User, s.PassFile = "shed", filepath.Join(t.TempDir(), "password")
	testkit.Write(t, s.PassFile, "tack coat\n")
	u, err := url.Parse(s.Broker)
	testkit.OK(t, err)
	p := &fakePlug{}
	var ready atomic.Bool
	_, err = autopaho.NewConnection(t.Context(), autopaho.ClientConfig{
		ServerUrls: []*url.URL{u}, ConnectUsername: s.User, ConnectPassword: []byte("tack coat"), KeepAlive: 20, ConnectTimeout: 2 * time.Second, ReconnectBackoff: func(int) time.Duration { return 50 * time.Millisecond },
		OnConnectionUp: func(cm *autopaho.ConnectionManager, _ *paho.Connack) {
			if _, err := cm.Subscribe(t.Context(), &paho.Subscribe{Subscriptions: []paho.SubscribeOptions{{Topic: s.Topic, QoS: 1}}}); err == nil {
				ready.Store(true)
			}
		},
		ClientConfig: paho.ClientConfig{ClientID: "plug", OnPublishReceived: []func(paho.PublishReceived) (bool, error){
			func(r paho.PublishReceived) (bool, error) {
				p.mu.Lock()
				say := p.take(r.Packet.Payload)
				p.mu.Unlock()
				go r.Client.Publish(t.Context(), &paho.Publish{Topic: s.State, Payload: say, QoS: 1})
				return true, nil
			},
		}},
	})
	testkit.OK(t, err)
	testkit.Until(t, "the broker answers", ready.Load)

	o, err := Open(t.Context(), s, 30*time.Second)
	testkit.OK(t, err)
	good := func() bool { o.mu.Lock(); defer o.mu.Unlock(); return !o.goodAt.IsZero() }
	// Renewals before the connection stands are lost, not queued.
	testkit.Until(t, "the plug on and read back", func() bool {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		o.Renew(ctx, true)
		time.Sleep(50 * time.Millisecond)
		return p.isOn() && good()
	})
	p.mu.Lock()
	if p.timer != 30 {
		t.Errorf("off-timer = %g s, want the lease", p.timer)
	}
	p.mu.Unlock()
	testkit.OK(t, o.Renew(t.Context(), false))
	testkit.Until(t, "the plug off", func() bool { return !p.isOn() && good() })
	testkit.OK(t, o.Renew(t.Context(), true))
	testkit.Until(t, "on", p.isOn)
	testkit.OK(t, o.Close())
	testkit.Until(t, "off after Close", func() bool { return !p.isOn() })
}

func Example() {
	p := &fakePlug{}
	o := New(sec, 30*time.Second, p)
	p.out = o
	fmt.Println(o.Renew(context.Background(), true), p.on, p.timer)
	// Output: <nil> true 30
}

// Two boards on one broker do not throw each other out, and any broker takes
// the name: MQTT 5.0, section 3.1.3.1, "between 1 and 23 UTF-8 encoded bytes",
// digits and letters.
func TestClientID(t *testing.T) {
	a, b := clientID(), clientID()
	if a == b {
		t.Errorf("twice %s", a)
	}
	if !regexp.MustCompile(`^[0-9a-zA-Z]{1,23}$`).MatchString(a) {
		t.Errorf("%q is not what every broker must take", a)
	}
}
