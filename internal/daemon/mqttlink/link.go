// SPDX-License-Identifier: Apache-2.0

// Package mqttlink is the board's one connection to an MQTT broker: it comes up by
// itself whenever the broker can be reached, says what went wrong once, and is
// handed on as small interfaces. What is published and what is listened to is
// internal/daemon/broker's matter: nothing of a shop, a probe or a coat comes in here.
package mqttlink

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/url"
	"strings"
	"sync"
	"time"

	"github.com/eclipse/paho.golang/autopaho"
	"github.com/eclipse/paho.golang/packets"
	"github.com/eclipse/paho.golang/paho"
)

// Link is the daemon's one connection to a broker. It comes up by itself
// whenever the broker can be reached, and is handed on as small interfaces.
type Link struct {
	o Options

	mu       sync.Mutex
	cm       *autopaho.ConnectionManager
	conn     context.Context // ends with the connection that is up
	hangUp   context.CancelFunc
	up       bool
	upAt     time.Time
	short    int       // connections in a row that ended soon after they began
	since    time.Time // down since; zero while up
	said     string
	why      string // the last thing that went wrong
	failures uint64
	retain   bool
	qos      byte
	onUp     []func()
}

// Options are what a link needs to know.
type Options struct {
	URL      *url.URL
	TLS      *tls.Config
	User     string
	Password string
	ClientID string
	Online   string   // topic that says online or offline
	Filters  []Filter // what to listen to
	Message  func(topic string, body []byte, retained bool)
	Log      *slog.Logger
	Backoff  time.Duration // first pause after a failure; 0 for one second
}

// Filter is what topics to listen to.
type Filter struct {
	Topic  string
	Place  string // where it stands in the configuration
	Stored bool   // the messages that the broker has stored are wanted too
}

// What the broker says, in MQTT 5.0's numbers (table 2-6).
const (
	codeBadUser      = 0x86
	codeNotAllowed   = 0x87
	codeTakenOver    = 0x8E
	codeTopicInvalid = 0x90
	codeTooLarge     = 0x95
	codeBadPayload   = 0x99
	// codeWithWill is a parting that has the broker publish the last will.
	codeWithWill = 0x04
)

const (
	keepAlive = 30 // s
	timeout   = 10 * time.Second
	maxPause  = time.Minute
	short     = 10 * time.Second
	maxPacket = 256 << 10 // bytes that a broker may send us at once
)

// Error is a publication that did not get through. It satisfies what the
// channel and the senders ask of an error.
type Error struct {
	text      string
	permanent bool
}

func (e *Error) Error() string   { return e.text }
func (e *Error) Permanent() bool { return e.permanent }

var ErrDown = &Error{text: "no connection to the MQTT broker"}

func New(o Options) *Link {
	if o.Backoff == 0 {
		o.Backoff = time.Second
	}
	return &Link{o: o, since: time.Now(), retain: true, qos: 1}
}

// WhenUp has f called each time the connection comes up, after the
// subscriptions; f must not block. Call it before [Link.Run].
func (l *Link) WhenUp(f func()) { l.onUp = append(l.onUp, f) }

// Run keeps the connection until ctx ends; then the broker publishes the last
// will, since a board that is switched off says nothing more.
func (l *Link) Run(ctx context.Context) error {
	will := &paho.WillMessage{Topic: l.o.Online, Payload: []byte("offline"), QoS: 1, Retain: true}
	cfg := autopaho.ClientConfig{
		ServerUrls:                    []*url.URL{l.o.URL},
		TlsCfg:                        l.o.TLS,
		KeepAlive:                     keepAlive,
		CleanStartOnInitialConnection: true,
		ConnectTimeout:                timeout,
		ReconnectBackoff:              l.pause,
		AttemptConnection:             l.dial,
		OnConnectionUp:                func(cm *autopaho.ConnectionManager, ack *paho.Connack) { l.cameUp(ctx, cm, ack) },
		OnConnectionDown:              l.wentDown,
		OnConnectError:                l.connectFailed,
		WillMessage:                   will,
		ConnectUsername:               l.o.User,
		ConnectPassword:               []byte(l.o.Password),
		ConnectPacketBuilder: func(c *paho.Connect, _ *url.URL) (*paho.Connect, error) {
			size := uint32(maxPacket)
			c.CleanStart = true
			c.Properties = &paho.ConnectProperties{MaximumPacketSize: &size, RequestProblemInfo: true}
			return c, nil
		},
		DisconnectPacketBuilder: func() *paho.Disconnect { return &paho.Disconnect{ReasonCode: codeWithWill} },
		ClientConfig: paho.ClientConfig{
			ClientID:      l.o.ClientID,
			PacketTimeout: timeout,
			OnPublishReceived: []func(paho.PublishReceived) (bool, error){func(p paho.PublishReceived) (bool, error) {
				l.o.Message(p.Packet.Topic, p.Packet.Payload, p.Packet.Retain)
				return true, nil
			}},
			OnClientError: func(err error) { l.trouble(err.Error()) },
			OnServerDisconnect: func(d *paho.Disconnect) {
				if d.ReasonCode == codeTakenOver {
					l.trouble(l.nameTaken())
					return
				}
				l.trouble(fmt.Sprintf("the broker ended the connection, reason %#x", d.ReasonCode))
			},
		},
	}
	cm, err := autopaho.NewConnection(ctx, cfg)
	if err != nil {
		return fmt.Errorf("mqtt: %w", err)
	}
	<-cm.Done()
	if ctx.Err() == nil {
		return errors.New("mqtt: the connection was given up")
	}
	return ctx.Err()
}

// pause is how long to wait before the next try. A connection that ends as
// soon as it is made is tried less and less often too.
func (l *Link) pause(attempt int) time.Duration {
	l.mu.Lock()
	n := attempt + l.short
	l.mu.Unlock()
	if n == 0 {
		return 0
	}
	d := min(l.o.Backoff<<min(n-1, 10), maxPause)
	return d + time.Duration(rand.Int64N(int64(d)/4+1))
}

// dial connects without looking at proxy settings in the environment.
func (l *Link) dial(ctx context.Context, _ autopaho.ClientConfig, u *url.URL) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	if l.o.TLS == nil {
		return new(net.Dialer).DialContext(ctx, "tcp", u.Host)
	}
	c, err := (&tls.Dialer{Config: l.o.TLS}).DialContext(ctx, "tcp", u.Host)
	if err != nil {
		return nil, err
	}
	return packets.NewThreadSafeConn(c), nil
}

func (l *Link) cameUp(ctx context.Context, cm *autopaho.ConnectionManager, ack *paho.Connack) {
	l.mu.Lock()
	l.cm, l.up, l.upAt = cm, true, time.Now()
	l.conn, l.hangUp = context.WithCancel(ctx)
	l.retain, l.qos = true, 1
	if p := ack.Properties; p != nil {
		l.retain = p.RetainAvailable
		if p.MaximumQoS != nil {
			l.qos = min(1, *p.MaximumQoS)
		}
	}
	upAt, down := l.upAt, l.since
	l.since = time.Time{}
	l.mu.Unlock()
	// One that ends at once is no news, however often.
	time.AfterFunc(short, func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		if !l.up || !l.upAt.Equal(upAt) {
			return
		}
		if l.said != "" {
			l.o.Log.Info("mqtt connected again", "after_s", upAt.Sub(down).Round(time.Second).Seconds())
		}
		l.said, l.why, l.short = "", "", 0
	})
	go func() { // the library does not go on until this callback returns
		l.subscribe(ctx, cm)
		if err := l.Publish(ctx, l.o.Online, []byte("online"), true, 0); err != nil && ctx.Err() == nil && !errors.Is(err, ErrDown) {
			// A connection that ended meanwhile is told where it ends.
			l.trouble("publish " + l.o.Online + ": " + err.Error())
		}
		for _, f := range l.onUp {
			f()
		}
	}()
}

func (l *Link) subscribe(ctx context.Context, cm *autopaho.ConnectionManager) {
	for _, f := range l.o.Filters {
		// One at a time: a broker may refuse one and grant the others. Stored
		// messages are not wanted, nor what we published ourselves.
		o := paho.SubscribeOptions{Topic: f.Topic, QoS: 1, RetainHandling: 2, NoLocal: true}
		if f.Stored {
			o.RetainHandling = 0
		}
		_, err := cm.Subscribe(ctx, &paho.Subscribe{Subscriptions: []paho.SubscribeOptions{o}})
		if err == nil || ctx.Err() != nil {
			continue
		}
		l.mu.Lock()
		l.failures++
		l.mu.Unlock()
		l.o.Log.Warn("mqtt: not listening", "topic", f.Topic, "place", f.Place, "err", err)
	}
}

func (l *Link) wentDown() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if time.Since(l.upAt) < short {
		l.short = min(l.short+1, 10)
	}
	l.up, l.since = false, time.Now()
	l.hangUp()
	return true
}

func (l *Link) connectFailed(err error) {
	refused, ok := errors.AsType[*autopaho.ConnackError](err)
	switch {
	case ok && (refused.ReasonCode == codeBadUser || refused.ReasonCode == codeNotAllowed):
		l.trouble("the broker refuses the user name or the password")
	case ok:
		l.trouble(fmt.Sprintf("the broker refuses the connection, reason %#x %s", refused.ReasonCode, refused.Reason))
	default:
		text := err.Error()
		if in := errors.Unwrap(err); in != nil {
			text = in.Error() // without the library's preamble
		}
		l.trouble(text)
	}
}

// nameTaken words what happens where two clients share a name: each newcomer
// ends the other's connection. Not every broker says so in parting.
func (l *Link) nameTaken() string {
	return fmt.Sprintf("the broker ends each connection at once: another client may have the name %q too; give each board a client_id of its own", l.o.ClientID)
}

// trouble counts what went wrong and says it when it is news.
func (l *Link) trouble(text string) {
	text = strings.Join(strings.Fields(text), " ")
	l.mu.Lock()
	l.failures++
	if l.short >= 3 {
		text = l.nameTaken()
	}
	l.why = text
	say := l.said != text
	l.said = text
	l.mu.Unlock()
	if say {
		l.o.Log.Warn("mqtt", "broker", l.o.URL.Host, "err", text)
	}
}

// Publish hands one message to the broker and waits until it has it. A message
// with an expiry is dropped by the broker after that time.
func (l *Link) Publish(ctx context.Context, topic string, body []byte, retain bool, expire time.Duration) error {
	l.mu.Lock()
	cm, up, conn := l.cm, l.up, l.conn
	p := &paho.Publish{Topic: topic, Payload: body, QoS: l.qos, Retain: retain && l.retain, Properties: &paho.PublishProperties{}}
	l.mu.Unlock()
	if !up {
		return ErrDown
	}
	if expire > 0 {
		s := uint32(max(expire/time.Second, 1))
		p.Properties.MessageExpiry = &s
	}
	if len(body) > 0 {
		text := byte(1)
		p.Properties.PayloadFormat = &text
		if body[0] == '{' || body[0] == '[' {
			p.Properties.ContentType = "application/json"
		}
	}
	// The library would go on waiting for the answer of a broker that is gone.
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(conn, cancel)()
	res, err := cm.Publish(ctx, p)
	switch {
	case err == nil:
		return nil
	case res != nil && res.ReasonCode == codeNotAllowed:
		return &Error{fmt.Sprintf("the broker does not allow %s to publish on %s", l.o.ClientID, topic), true}
	case res != nil && (res.ReasonCode == codeTopicInvalid || res.ReasonCode == codeTooLarge || res.ReasonCode == codeBadPayload):
		return &Error{fmt.Sprintf("the broker refuses the message on %s, reason %#x", topic, res.ReasonCode), true}
	case errors.Is(err, autopaho.ConnectionDownError), conn.Err() != nil:
		return ErrDown
	}
	return fmt.Errorf("publish %s: %w", topic, err)
}

// Up reports whether the broker is there.
func (l *Link) Up() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.up
}

// Status is how the connection is doing.
type Status struct {
	Up       bool
	UpAt     time.Time
	Since    time.Time // down since; zero while up
	Why      string    // the last thing that went wrong, "" for nothing
	Failures uint64
	Short    int // connections in a row that ended soon after they began
}

// Status is how it is doing now.
func (l *Link) Status() Status {
	l.mu.Lock()
	defer l.mu.Unlock()
	return Status{l.up, l.upAt, l.since, l.why, l.failures, l.short}
}

// TLSConfig reads the files that a connection needs; all faults come at once.
func TLSConfig(ca, cert, key string, read func(string) ([]byte, error)) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	var errs []error
	if ca != "" {
		b, err := read(ca)
		if err != nil {
			errs = append(errs, err)
		} else if c.RootCAs = x509.NewCertPool(); !c.RootCAs.AppendCertsFromPEM(b) {
			errs = append(errs, fmt.Errorf("%s: no certificate in it", ca))
		}
	}
	if cert != "" {
		pem, err := read(cert)
		k, kerr := read(key)
		errs = append(errs, err, kerr)
		if err == nil && kerr == nil {
			pair, err := tls.X509KeyPair(pem, k)
			if err != nil {
				errs = append(errs, fmt.Errorf("%s, %s: %w", cert, key, err))
			}
			c.Certificates = []tls.Certificate{pair}
		}
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return c, nil
}
