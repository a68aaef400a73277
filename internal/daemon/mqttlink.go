// SPDX-License-Identifier: Apache-2.0

package daemon

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

// mqttLink is the daemon's one connection to a broker. It comes up by itself
// whenever the broker can be reached, and is handed on as small interfaces.
type mqttLink struct {
	o linkOptions

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

// linkOptions are what a link needs to know.
type linkOptions struct {
	url      *url.URL
	tls      *tls.Config
	user     string
	password string
	clientID string
	status   string   // topic that says online or offline
	filters  []string // what to listen to
	places   []string // where each filter stands in the configuration
	stored   string   // the filter whose stored messages are wanted; "" for none
	message  func(topic string, body []byte, retained bool)
	log      *slog.Logger
	backoff  time.Duration // first pause after a failure; 0 for one second
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
	linkKeepAlive = 30 // s
	linkTimeout   = 10 * time.Second
	linkMaxPause  = time.Minute
	linkShort     = 10 * time.Second
	linkMaxPacket = 256 << 10 // bytes that a broker may send us at once
)

// linkError is a publication that did not get through. It satisfies what the
// channel and the senders ask of an error.
type linkError struct {
	text      string
	permanent bool
}

func (e *linkError) Error() string   { return e.text }
func (e *linkError) Permanent() bool { return e.permanent }

var errLinkDown = &linkError{text: "no connection to the MQTT broker"}

func newMQTTLink(o linkOptions) *mqttLink {
	if o.backoff == 0 {
		o.backoff = time.Second
	}
	return &mqttLink{o: o, since: time.Now(), retain: true, qos: 1}
}

// whenUp has f called each time the connection comes up, after the
// subscriptions; f must not block. Call it before run.
func (l *mqttLink) whenUp(f func()) { l.onUp = append(l.onUp, f) }

// run keeps the connection until ctx ends; then the broker publishes the last
// will, since a board that is switched off says nothing more.
func (l *mqttLink) run(ctx context.Context) error {
	will := &paho.WillMessage{Topic: l.o.status, Payload: []byte("offline"), QoS: 1, Retain: true}
	cfg := autopaho.ClientConfig{
		ServerUrls:                    []*url.URL{l.o.url},
		TlsCfg:                        l.o.tls,
		KeepAlive:                     linkKeepAlive,
		CleanStartOnInitialConnection: true,
		ConnectTimeout:                linkTimeout,
		ReconnectBackoff:              l.pause,
		AttemptConnection:             l.dial,
		OnConnectionUp:                func(cm *autopaho.ConnectionManager, ack *paho.Connack) { l.cameUp(ctx, cm, ack) },
		OnConnectionDown:              l.wentDown,
		OnConnectError:                l.connectFailed,
		WillMessage:                   will,
		ConnectUsername:               l.o.user,
		ConnectPassword:               []byte(l.o.password),
		ConnectPacketBuilder: func(c *paho.Connect, _ *url.URL) (*paho.Connect, error) {
			size := uint32(linkMaxPacket)
			c.CleanStart = true
			c.Properties = &paho.ConnectProperties{MaximumPacketSize: &size, RequestProblemInfo: true}
			return c, nil
		},
		DisconnectPacketBuilder: func() *paho.Disconnect { return &paho.Disconnect{ReasonCode: codeWithWill} },
		ClientConfig: paho.ClientConfig{
			ClientID:      l.o.clientID,
			PacketTimeout: linkTimeout,
			OnPublishReceived: []func(paho.PublishReceived) (bool, error){func(p paho.PublishReceived) (bool, error) {
				l.o.message(p.Packet.Topic, p.Packet.Payload, p.Packet.Retain)
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
func (l *mqttLink) pause(attempt int) time.Duration {
	l.mu.Lock()
	n := attempt + l.short
	l.mu.Unlock()
	if n == 0 {
		return 0
	}
	d := min(l.o.backoff<<min(n-1, 10), linkMaxPause)
	return d + time.Duration(rand.Int64N(int64(d)/4+1))
}

// dial connects without looking at proxy settings in the environment.
func (l *mqttLink) dial(ctx context.Context, _ autopaho.ClientConfig, u *url.URL) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, linkTimeout)
	defer cancel()
	if l.o.tls == nil {
		return new(net.Dialer).DialContext(ctx, "tcp", u.Host)
	}
	c, err := (&tls.Dialer{Config: l.o.tls}).DialContext(ctx, "tcp", u.Host)
	if err != nil {
		return nil, err
	}
	return packets.NewThreadSafeConn(c), nil
}

func (l *mqttLink) cameUp(ctx context.Context, cm *autopaho.ConnectionManager, ack *paho.Connack) {
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
	time.AfterFunc(linkShort, func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		if !l.up || !l.upAt.Equal(upAt) {
			return
		}
		if l.said != "" {
			l.o.log.Info("mqtt connected again", "after_s", upAt.Sub(down).Round(time.Second).Seconds())
		}
		l.said, l.why, l.short = "", "", 0
	})
	go func() { // the library does not go on until this callback returns
		l.subscribe(ctx, cm)
		if err := l.Publish(ctx, l.o.status, []byte("online"), true, 0); err != nil && ctx.Err() == nil && !errors.Is(err, errLinkDown) {
			// A connection that ended meanwhile is told where it ends.
			l.trouble("publish " + l.o.status + ": " + err.Error())
		}
		for _, f := range l.onUp {
			f()
		}
	}()
}

func (l *mqttLink) subscribe(ctx context.Context, cm *autopaho.ConnectionManager) {
	for i, f := range l.o.filters {
		// One at a time: a broker may refuse one and grant the others. Stored
		// messages are not wanted, nor what we published ourselves.
		o := paho.SubscribeOptions{Topic: f, QoS: 1, RetainHandling: 2, NoLocal: true}
		if f == l.o.stored {
			o.RetainHandling = 0
		}
		_, err := cm.Subscribe(ctx, &paho.Subscribe{Subscriptions: []paho.SubscribeOptions{o}})
		if err == nil || ctx.Err() != nil {
			continue
		}
		place := ""
		if i < len(l.o.places) {
			place = l.o.places[i]
		}
		l.mu.Lock()
		l.failures++
		l.mu.Unlock()
		l.o.log.Warn("mqtt: not listening", "topic", f, "place", place, "err", err)
	}
}

func (l *mqttLink) wentDown() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if time.Since(l.upAt) < linkShort {
		l.short = min(l.short+1, 10)
	}
	l.up, l.since = false, time.Now()
	l.hangUp()
	return true
}

func (l *mqttLink) connectFailed(err error) {
	var refused *autopaho.ConnackError
	switch {
	case errors.As(err, &refused) && (refused.ReasonCode == codeBadUser || refused.ReasonCode == codeNotAllowed):
		l.trouble("the broker refuses the user name or the password")
	case errors.As(err, &refused):
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
func (l *mqttLink) nameTaken() string {
	return fmt.Sprintf("the broker ends each connection at once: another client may have the name %q too; give each board a client_id of its own", l.o.clientID)
}

// trouble counts what went wrong and says it when it is news.
func (l *mqttLink) trouble(text string) {
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
		l.o.log.Warn("mqtt", "broker", l.o.url.Host, "err", text)
	}
}

// Publish hands one message to the broker and waits until it has it. A message
// with an expiry is dropped by the broker after that time.
func (l *mqttLink) Publish(ctx context.Context, topic string, body []byte, retain bool, expire time.Duration) error {
	l.mu.Lock()
	cm, up, conn := l.cm, l.up, l.conn
	p := &paho.Publish{Topic: topic, Payload: body, QoS: l.qos, Retain: retain && l.retain, Properties: &paho.PublishProperties{}}
	l.mu.Unlock()
	if !up {
		return errLinkDown
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
		return &linkError{fmt.Sprintf("the broker does not allow %s to publish on %s", l.o.clientID, topic), true}
	case res != nil && (res.ReasonCode == codeTopicInvalid || res.ReasonCode == codeTooLarge || res.ReasonCode == codeBadPayload):
		return &linkError{fmt.Sprintf("the broker refuses the message on %s, reason %#x", topic, res.ReasonCode), true}
	case errors.Is(err, autopaho.ConnectionDownError), conn.Err() != nil:
		return errLinkDown
	}
	return fmt.Errorf("publish %s: %w", topic, err)
}

// Up reports whether the broker is there.
func (l *mqttLink) Up() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.up
}

// linkStatus is how the connection is doing.
type linkStatus struct {
	up       bool
	upAt     time.Time
	since    time.Time // down since
	why      string
	failures uint64
}

func (l *mqttLink) status() linkStatus {
	l.mu.Lock()
	defer l.mu.Unlock()
	return linkStatus{l.up, l.upAt, l.since, l.why, l.failures}
}

// tlsConfig reads the files that a connection needs; all faults come at once.
func tlsConfig(ca, cert, key string, read func(string) ([]byte, error)) (*tls.Config, error) {
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
