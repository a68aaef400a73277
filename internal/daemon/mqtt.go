// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"cmp"
	"context"
	"time"

	"curewright/alerts"
	"curewright/internal/daemon/broker"
	"curewright/model/words"
	"curewright/sensors"
)

// openMQTT is the board at its broker; nil without [mqtt].
func (d *Daemon) openMQTT() (*broker.Client, error) {
	if !d.cfg.MQTT.On() {
		return nil, nil
	}
	return broker.New(broker.Options{
		Section: d.cfg.MQTT, Shop: d.cfg.Shop.Name, Version: d.version, Page: d.cfg.Alert.LinkBase,
		Store: d.store, Memory: d.mem, Words: d.lang, Log: d.log, Now: d.clk.Now,
		Tent: d.HeatedTent, Push: d.takeMessage, News: d.RequestEvaluation,
		Stale: func(probe string) time.Duration { h, _ := d.set.Get(probe); return h.Stale },
		Count: func(reason string) { d.intakes.word("mqtt", reason) },
	})
}

// takeMessage hands a message's reading to the probes' intake. It does not wait
// for the card: upkeep writes down a probe that is new.
func (d *Daemon) takeMessage(p sensors.Pushed, accept bool) error {
	_, known := d.set.Get(p.Probe)
	_, refused := d.set.Push(sensors.Source{Via: "mqtt", Who: "broker", Accept: accept, ClockTrusted: d.clockTrusted.Load()}, []sensors.Pushed{p})
	if h, _ := d.set.Get(p.Probe); h.Accepted && !known {
		select {
		case d.appeared <- p.Probe:
		default: // more than there may be pushed probes
		}
	}
	if len(refused) > 0 {
		return refused[0].Err
	}
	return nil
}

// keepAppeared writes down a probe that a message brought.
func (d *Daemon) keepAppeared(ctx context.Context, id string) {
	d.probeMu.Lock()
	d.probesDue[id] = true
	d.probeMu.Unlock()
	d.keepDueProbes(ctx)
	d.RequestEvaluation()
}

// behindAfter is how long a sender may fail before it is a trouble to tell.
const behindAfter = 10 * time.Minute

// mqttCondition is the trouble that the connection to the broker is in.
func (d *Daemon) mqttCondition() []alerts.Condition {
	if d.mqtt == nil {
		return nil
	}
	how, since, why := d.mqtt.Failing(behindAfter)
	return senderBehind("MQTT", how, since, why)
}

// senderBehind says of a sender that has failed for long why it does; since is
// zero where it does not fail.
func senderBehind(to, how string, since time.Time, why string) []alerts.Condition {
	if since.IsZero() || time.Since(since) <= behindAfter {
		return nil
	}
	if why != "" {
		why = " (" + why + ")"
	}
	return []alerts.Condition{{Rule: alerts.SenderBehind, Subject: to, Severity: alerts.Note, Case: how, Facts: words.Facts{"why": why}}}
}

// mqttLines is what check lists of the broker.
func mqttLines(s broker.Section, shop string, v words.View) []string {
	u, err := s.Broker()
	if err != nil {
		return nil
	}
	out := []string{checkRow(v, "mqtt", "mqtt", words.Facts{"broker": u.Scheme + "://" + u.Host, "base": s.BaseOf(shop)})}
	for _, t := range s.Topics {
		out = append(out, checkRow(v, "listens", "listens", words.Facts{"topic": t.Topic, "probe": cmp.Or(t.Probe, "$1")}))
	}
	return out
}
