// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"errors"
	"fmt"
	"time"

	"curewright/alerts"
	"curewright/alerts/alertmanager"
	"curewright/alerts/buzzer"
	"curewright/alerts/logch"
	"curewright/alerts/mail"
	"curewright/alerts/mqttch"
	"curewright/alerts/push"
	"curewright/alerts/webhook"
	"curewright/dashboards/web"
)

// channels are the opened alert channels.
type channels struct {
	list  []alerts.Channel
	parts []Part // channels that run by themselves
	beat  *alerts.Heartbeat
}

// openChannels makes every channel of the configuration; all faults come back
// at once. Without a log channel of its own the log gets one.
func openChannels(cs []alerts.ChannelConfig, t alerts.Tuning, d *Daemon) (*channels, error) {
	out := &channels{}
	var errs []error
	logged := false
	for _, c := range cs {
		ch, err := openChannel(c, d, out)
		if err != nil {
			errs = append(errs, fmt.Errorf("alert channel %q: %w", c.Name, err))
			continue
		}
		logged = logged || c.Kind == alerts.KindLog
		ch.Timeout, ch.MaxPerHour = time.Duration(c.Timeout), c.MaxPerHour
		out.list = append(out.list, ch)
	}
	if !logged {
		out.list = append(out.list, logch.New("log", d.log))
	}
	if t.HeartbeatURLFile != "" || t.HeartbeatURLEnv != "" {
		url, err := alerts.Secret(t.HeartbeatURLFile, t.HeartbeatURLEnv)
		if err != nil {
			errs = append(errs, fmt.Errorf("alert heartbeat: %w", err))
		} else {
			out.beat = &alerts.Heartbeat{URL: url, Every: time.Duration(t.HeartbeatEvery), Log: d.log,
				Healthy: func() bool { return len(d.Ready(context.Background())) == 0 }}
			out.parts = append(out.parts, Part{"heartbeat", out.beat.Run})
		}
	}
	return out, errors.Join(errs...)
}

func openChannel(c alerts.ChannelConfig, d *Daemon, out *channels) (alerts.Channel, error) {
	secret, err := alerts.Secret(c.SecretFile, c.SecretEnv)
	if err != nil {
		return alerts.Channel{}, err
	}
	url := c.URL
	if c.URLFile != "" || c.URLEnv != "" {
		if url, err = alerts.Secret(c.URLFile, c.URLEnv); err != nil {
			return alerts.Channel{}, err
		}
	}
	site := d.cfg.Shop.Name
	switch c.Kind {
	case alerts.KindLog:
		return logch.New(c.Name, d.log), nil
	case alerts.KindWebhook:
		return webhook.New(c.Name, webhook.Options{URL: url, Secret: secret})
	case alerts.KindMail:
		return mail.New(c.Name, mail.Options{Host: c.Host, Port: c.Port, TLS: c.TLS, User: c.User, Password: secret, From: c.From, To: c.To})
	case alerts.KindPush:
		return push.New(c.Name, url, time.Duration(c.Timeout))
	case alerts.KindAlertmanager:
		return alertmanager.New(c.Name, alertmanager.Options{URL: url, User: c.User, Password: secret, Site: site, Now: d.clk.Now})
	case alerts.KindMQTT:
		if d.mqtt == nil {
			return alerts.Channel{}, errors.New("needs [mqtt] with a url")
		}
		return mqttch.New(c.Name, d.mqtt.Base+"/alert", d.mqtt.Link), nil
	case alerts.KindBuzzer:
		return openBuzzer(c, d, out), nil
	}
	return alerts.Channel{}, fmt.Errorf("a channel of kind %q is not built into this program", c.Kind)
}

// AlertChannels is how alerts get through, for the metrics.
func (d *Daemon) AlertChannels(context.Context) []web.ChannelStats {
	stats := d.post.Stats()
	var out []web.ChannelStats
	for _, name := range d.post.Channels() {
		s := stats[name]
		out = append(out, web.ChannelStats{Name: name, Up: s.FailingSince.IsZero(), Queued: s.Queued, Sent: s.Sent,
			Failures: s.Failed, Refused: s.Refused, Lost: s.GaveUp + s.Overflow})
	}
	return out
}

// openBuzzer makes a buzzer whose GPIO lines may be missing: the rest of the daemon
// runs without them. A missing line is logged, the channel counts as down, and doctor
// reports it too.
func openBuzzer(c alerts.ChannelConfig, d *Daemon, out *channels) alerts.Channel {
	var how []buzzer.Option
	if c.OwnTone {
		how = append(how, buzzer.Steady())
	}
	pin := buzzer.Later(func() (buzzer.Pin, error) { return buzzer.OpenPin(c.Pin, c.ActiveLow, how...) })
	if d.dry {
		return buzzer.New(c.Name, pin, nil, func() {}).Channel()
	}
	if err := pin.Set(false); err != nil {
		d.log.Error("nothing sounds on this board", "channel", c.Name, "err", err)
	}
	var button buzzer.Button
	if c.Button != "" {
		b, err := buzzer.OpenButton(c.Button)
		if err != nil {
			d.log.Error("the button acknowledges nothing", "channel", c.Name, "err", err)
		} else {
			button = b
		}
	}
	ch := buzzer.New(c.Name, pin, button, func() {
		d.rules.AckAll("push-button", d.clk.Now())
		d.RequestEvaluation()
	})
	out.parts = append(out.parts, Part{"buzzer " + c.Name, ch.Run})
	return ch.Channel()
}
