// SPDX-License-Identifier: Apache-2.0

// Package plug drives a heater through a smart plug over MQTT. The plug needs its own
// off-timer, which every command sets anew and which it reports.
//
// Every renewal sends the command for on with the timer's seconds. Within half a
// lease the plug must report that it is on and that its timer stands at one to two
// leases. Without that report a renewal is an error, whatever the plug does.
package plug

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"time"

	"curewright/heat"
)

// Conn is the way to the plug.
type Conn interface {
	Publish(ctx context.Context, topic string, payload []byte) error
	Close(ctx context.Context) error
}

// Output is a plug. Its state messages go to [Output.Handle].
type Output struct {
	sec  heat.PlugSection
	ttl  time.Duration
	conn Conn

	mu      sync.Mutex
	want    bool
	wantAt  time.Time // since when want has its value
	goodAt  time.Time // when the plug last reported the wanted state
	lastErr error     // of the last command
	said    string    // the plug's last report that differs from the wanted state, "" for none
}

var _ heat.Output = (*Output)(nil)

// New returns an output over an open connection that is subscribed to the
// state topic and hands its messages to [Output.Handle].
func New(sec heat.PlugSection, ttl time.Duration, conn Conn) *Output {
	return &Output{sec: sec, ttl: ttl, conn: conn}
}

// Lease is the plug's off-timer.
func (o *Output) Lease() time.Duration { return o.ttl }

// Renew sends the command. It returns an error once the plug has not reported the
// wanted state for half a lease.
func (o *Output) Renew(ctx context.Context, on bool) error {
	msg := o.sec.OffMsg
	if on {
		msg = strings.ReplaceAll(o.sec.OnMsg, "{seconds}", strconv.Itoa(int(o.ttl/time.Second)))
	}
	o.mu.Lock()
	now := time.Now()
	if o.want != on || o.wantAt.IsZero() {
		o.want, o.wantAt, o.goodAt, o.said = on, now, time.Time{}, ""
	}
	o.mu.Unlock()
	err := o.conn.Publish(ctx, o.sec.Topic, []byte(msg))

	o.mu.Lock()
	defer o.mu.Unlock()
	o.lastErr = err
	since := o.goodAt
	if since.IsZero() {
		since = o.wantAt
	}
	if silent := time.Since(since); silent > o.ttl/2 {
		switch {
		case o.said != "":
			return fmt.Errorf("plug: %s", o.said)
		case o.lastErr != nil:
			return fmt.Errorf("plug: %w", o.lastErr)
		}
		return fmt.Errorf("plug: it has not said for %.0f s that it is %s", silent.Seconds(), heat.OnOff(on))
	}
	return nil
}

// Handle takes one message of the state topic. Messages without the on-off key
// are about something else and are ignored.
func (o *Output) Handle(payload []byte) {
	var v any
	if json.Unmarshal(payload, &v) != nil {
		return
	}
	is, ok := truth(at(v, o.sec.StateKey))
	if !ok {
		return
	}
	timer, hasTimer := number(at(v, o.sec.TimerKey))
	o.mu.Lock()
	defer o.mu.Unlock()
	switch {
	case is != o.want:
		// Right after a command an older state may still be on its way.
		o.said = fmt.Sprintf("it says that it is %s and should be %s", heat.OnOff(is), heat.OnOff(o.want))
	case !is:
		o.good()
	case !hasTimer:
		o.said = "it is on and does not say its off-timer"
	case timer < o.ttl.Seconds()/2 || timer > 2*o.ttl.Seconds():
		o.said = fmt.Sprintf("its off-timer says %g s, not the %g s it was given", timer, o.ttl.Seconds())
	default:
		o.good()
	}
}

func (o *Output) good() { o.goodAt, o.said = time.Now(), "" }

// at follows a path of keys, "a.b".
func at(v any, path string) any {
	for k := range strings.SplitSeq(path, ".") {
		m, ok := v.(map[string]any)
		if !ok {
			return nil
		}
		v = m[k]
	}
	return v
}

func truth(v any) (is, ok bool) {
	switch x := v.(type) {
	case bool:
		return x, true
	case float64:
		return x != 0, true
	case string:
		switch strings.ToLower(x) {
		case "on", "true", "1":
			return true, true
		case "off", "false", "0":
			return false, true
		}
	}
	return false, false
}

func number(v any) (float64, bool) {
	switch x := v.(type) {
	case float64:
		return x, true
	case string:
		f, err := strconv.ParseFloat(x, 64)
		return f, err == nil
	}
	return 0, false
}

// Close sends off and closes the connection. If the command does not arrive, the
// plug's own timer switches off.
func (o *Output) Close() error {
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Second)
	defer cancel()
	err := o.conn.Publish(ctx, o.sec.Topic, []byte(o.sec.OffMsg))
	return errors.Join(err, o.conn.Close(ctx))
}
