// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/history/forward/mqtt"
	"curewright/sensors"

	"curewright/internal/testkit"
)

// gate is a way to a server that can be shut.
type gate struct {
	addr  string
	mu    sync.Mutex
	shut  bool
	conns []net.Conn
}

func newGate(t *testing.T, port string) *gate {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	testkit.OK(t, err)
	t.Cleanup(func() { l.Close() })
	g := &gate{addr: l.Addr().String()}
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			g.mu.Lock()
			to, err := net.Dial("tcp", "127.0.0.1:"+port)
			if g.shut || err != nil {
				c.Close()
				if err == nil {
					to.Close()
				}
				g.mu.Unlock()
				continue
			}
			g.conns = append(g.conns, c, to)
			g.mu.Unlock()
			go func() { io.Copy(to, c); to.Close() }()
			go func() { io.Copy(c, to); c.Close() }()
		}
	}()
	return g
}

func (g *gate) set(shut bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.shut = shut
	if shut {
		for _, c := range g.conns {
			c.Close()
		}
		g.conns = nil
	}
}

// runDaemon runs the whole daemon over a configuration, with a trusted clock.
func runDaemon(t *testing.T, text string) (d *Daemon, log *testkit.Buffer, stop func()) {
	t.Helper()
	return runDaemonIn(t, t.TempDir(), text)
}

// runDaemonIn is runDaemon over a store that may be there already; first is called
// before anything runs.
func runDaemonIn(t *testing.T, dir, text string, first ...func(*Daemon)) (d *Daemon, log *testkit.Buffer, stop func()) {
	t.Helper()
	cfg, err := ParseConfig("test.toml", []byte(text))
	testkit.OK(t, err)
	cfg.Store.Path = dir
	cfg.Probe = slices.DeleteFunc(cfg.Probe, func(p sensors.ConfigSection) bool { return drivers[p.Driver] }) // wired ones are not here
	log = &testkit.Buffer{}
	d, err = New(Options{Config: cfg, Clock: &wallClock{}, Log: slog.New(slog.NewTextHandler(log, nil)), ClockTrusted: true})
	testkit.OK(t, err)
	for _, f := range first {
		f(d)
	}
	srv, err := web.New(web.Config{ConfigSection: cfg.Web, Log: d.log}, d)
	testkit.OK(t, err)
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	testkit.OK(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx, ln, srv) }()
	stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil && !errors.Is(err, context.Canceled) {
			t.Errorf("the daemon ended with %v", err)
		}
	})
	t.Cleanup(stop)
	return d, log, stop
}

func secretFile(t *testing.T, text string) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "secret")
	testkit.Write(t, name, text)
	return name
}

func (d *Daemon) intakeOf(way string) web.IntakeStats {
	for _, s := range d.IntakeStats() {
		if s.Intake == way {
			return s
		}
	}
	return web.IntakeStats{}
}

// The whole way through a real broker, read by mosquitto's own clients: a
// radio probe's messages become readings; state, readings and alerts go out;
// the broker is killed and comes back without its memory; nothing is lost, and
// what is not so any more is taken away.
func TestMQTT(t *testing.T) {
	m := testkit.NewMosquitto(t, "")
	g := newGate(t, m.Port)
	sub, stopSub := m.Sub("curewright/#")
	d, log, stop := runDaemon(t, fmt.Sprintf(`
[shop]
name = "Boat shed"

[mqtt]
url = "mqtt://%s"
user = "shed"
secret_file = %q

[[mqtt.topic]]
topic = "radio/+/t"
plain = "temp"
accept = true

[[mqtt.topic]]
topic = "radio/+/h"
plain = "rh"
accept = true

[[mqtt.topic]]
topic = "gateway/+"
probe = "far-$1"
temp = "temperature"

[[alert.channel]]
name = "yard"
kind = "mqtt"
`, g.addr, secretFile(t, "tack coat\n")))
	const base = "curewright/boat-shed/"
	saw := func(what string) func() bool {
		return func() bool { return strings.Contains(sub.String(), what) }
	}
	testkit.Until(t, "online", saw(base+"status online"))

	// In: two topics make one reading; a stranger waits to be named; a body
	// that is no number is said once, with its place, and counted.
	m.Pub("radio/panel-1/t", "18.5")
	m.Pub("radio/panel-1/h", "61")
	testkit.Until(t, "the reading goes out again", saw(base+`probe/panel-1/reading {"probe":"panel-1"`))
	stored := 0
	for r, err := range d.store.Readings("panel-1", time.Time{}, time.Time{}) {
		if stored++; err != nil || r.Temp.String() != "18.5" || r.RH.String() != "61" {
			t.Errorf("stored %v, %v", r, err)
		}
	}
	if stored == 0 {
		t.Error("nothing is stored")
	}
	m.Pub("gateway/9", `{"temperature": 4}`)
	testkit.Until(t, "the stranger is known", func() bool { _, ok := d.set.Get("far-9"); return ok })
	for range 3 {
		m.Pub("radio/panel-1/t", "warm")
	}
	m.Pub("radio/panel-2/t", "20", "-r") // live for us, though it is kept for others
	testkit.Until(t, "all counted", func() bool {
		s := d.intakeOf("mqtt")
		return s.Taken == 2 && s.Refused["not_number"] == 3 && s.Refused["not_accepted"] == 1
	})
	if n := strings.Count(log.String(), "is not a number"); n != 1 || !strings.Contains(log.String(), "11:1: mqtt.topic[0]") {
		t.Errorf("said %d times:\n%s", n, log.String())
	}
	testkit.Until(t, "the accepted probe is remembered", func() bool { return d.store.ProbeMetas()["panel-1"].Accepted })
	if _, kept := d.store.ProbeMetas()["far-9"]; kept {
		t.Error("a probe that nobody accepted is on the card")
	}

	// Out: an alert's message, and a coat from its pour to its end.
	if err := d.TestSound(t.Context(), "yard", nil); err != nil {
		t.Errorf("alert test yard: %v", err)
	}
	testkit.Until(t, "the test message", saw("0 "+base+`alert {"key":`))
	who := web.Who{Name: "helper"}
	create(t, d, "panel", `{"id":"lid","probe":"panel-1","core":"foam","area_m2":1.4}`)
	create(t, d, "coat", fmt.Sprintf(`{"id":"tack/1","panel":"lid","resin":"medium","kind":"tack coat","next":"cloth","applied":%q}`, time.Now().Add(-time.Minute).Format(time.RFC3339)))
	testkit.Until(t, "the coat", saw(base+`coat/tack%2F1 {"id":"tack/1","panel":"lid"`))
	testkit.OK(t, d.Patch(t.Context(), who, "coat", "tack/1", []byte(fmt.Sprintf(`{"ended":%q}`, time.Now().Format(time.RFC3339))), ""))

	// The broker dies without warning and without memory. Meanwhile readings
	// come in by another way.
	m.Kill(syscall.SIGKILL)
	g.set(true)
	stopSub()
	testkit.Until(t, "the outage is noticed", func() bool { return !d.mqtt.Link.Up() })
	base0 := time.Now().Add(-3 * time.Hour).Truncate(time.Second)
	const n = 60
	for i := range n {
		at := base0.Add(time.Duration(i) * time.Minute)
		d.store.Append([]sensors.Reading{{Probe: "shed-air", At: at, Temp: sensors.Some(10 + float64(i)/16)}})
	}
	m.Start()
	sub, _ = m.Sub("curewright/#")
	g.set(false)
	lastOf := func() string {
		b, _ := json.Marshal(mqtt.Reading{Probe: "shed-air", Time: base0.Add((n - 1) * time.Minute).UTC(), TempC: sensors.Some(10 + float64(n-1)/16)})
		return string(b)
	}
	testkit.Until(t, "the backlog", func() bool { return strings.Contains(sub.String(), lastOf()) })
	var got []time.Time
	for _, l := range strings.Split(sub.String(), "\n") {
		if rest, ok := strings.CutPrefix(l, "0 "+base+"probe/shed-air/reading "); ok {
			var r mqtt.Reading
			if err := json.Unmarshal([]byte(rest), &r); err != nil {
				t.Fatalf("%s: %v", rest, err)
			}
			got = append(got, r.Time)
		}
	}
	// At least once is promised; what was on its way may come twice.
	seen := slices.Compact(slices.Clone(got))
	if len(seen) != n || !slices.IsSortedFunc(seen, time.Time.Compare) {
		t.Errorf("%d readings came, %d different ones in order %v; want %d", len(got), len(seen), slices.IsSortedFunc(seen, time.Time.Compare), n)
	}
	testkit.Until(t, "online again", func() bool { return strings.Contains(sub.String(), base+"status online") })

	// Who comes now is told all that is so, and nothing that is not: no coat
	// that ended, no reading of hours ago, no stranger.
	var kept map[string]string
	testkit.Until(t, "the state is stored", func() bool {
		kept = m.Stored(base + "#")
		return kept[base+"alerts"] != "" && kept[base+"about"] != "" && kept[base+"probes"] != ""
	})
	if _, ok := kept[base+"probe/shed-air/reading"]; ok {
		t.Error("a reading of hours ago is kept as the present one")
	}
	if strings.Contains(kept[base+"probes"], "far-9") || !strings.Contains(kept[base+"probes"], "panel-1") {
		t.Errorf("probes: %s", kept[base+"probes"])
	}
	for topic := range kept {
		if strings.HasPrefix(topic, base+"coat/") {
			t.Errorf("%s is still there after its end", topic)
		}
	}

	// A board that is cut off is offline for everybody, and so is one that is
	// stopped.
	count := func() int { return strings.Count(sub.String(), base+"status offline") }
	before := count()
	g.set(true)
	testkit.Until(t, "the last will", func() bool { return count() > before })
	g.set(false)
	testkit.Until(t, "back once more", func() bool { return m.Stored(base + "status")[base+"status"] == "online" })
	stop()
	if got := m.Stored(base + "status")[base+"status"]; got != "offline" {
		t.Errorf("after a proper stop the status is %q", got)
	}
	if strings.Contains(log.String(), "tack coat") {
		t.Error("the password is in the log")
	}
}

// Every fault of the configuration at once, each at its place; nothing is
// opened.
func TestMQTTAndInfluxConfigFaults(t *testing.T) {
	for _, c := range []struct {
		text string
		want []string
	}{
		{"[mqtt]\nuser = \"x\"\n", []string{"f.toml:1:2: mqtt.url: required"}},
		{"[influx]\nbucket = \"x\"\n", []string{"f.toml:1:2: influx.url: required"}},
		{"[[probe]]\nid = \"a\"\ndriver = \"mqtt\"\n[[alert.channel]]\nname = \"y\"\nkind = \"mqtt\"\n",
			[]string{"f.toml:3:1: probe[0].driver: needs [mqtt]", "f.toml:6:1: alert.channel[0].kind: needs [mqtt]"}},
		{"[mqtt]\nurl = \"http://x\"\n", []string{"f.toml:2:1: mqtt.url: \"http\" is neither"}},
		{"[mqtt]\nurl = \"mqtt://u:p@x\"\n", []string{"f.toml:2:1: mqtt.url: carries a password"}},
		{"[mqtt]\nurl = \"mqtt://x/y\"\n", []string{"f.toml:2:1: mqtt.url: an address has no path"}},
		{"[mqtt]\nurl = \"mqtt://broker.example.org\"\nuser = \"u\"\nsecret_env = \"E\"\nca_file = \"c\"\ncert_file = \"d\"\n",
			[]string{"f.toml:2:1: mqtt.url: would send the password", "f.toml:5:1: mqtt.ca_file: only with mqtts", "f.toml:6:1: mqtt.cert_file: only with", "f.toml:6:1: mqtt.cert_file: cert_file and key_file"}},
		{"[mqtt]\nurl = \"mqtt://x\"\nsecret_env = \"E\"\nsecret_file = \"f\"\nbase = \"a//b\"\nexpire = \"1s\"\nrate = -1\n[[mqtt.topic]]\ntopic = \"a/#\"\nprobe = \"x\"\nplain = \"temp\"\nnonsense = 1\n",
			[]string{"f.toml:3:1: mqtt.secret_env: given beside", "mqtt.user: required", "f.toml:5:1: mqtt.base", "f.toml:6:1: mqtt.expire: 1s", "f.toml:7:1: mqtt.rate: -1", "f.toml:9:1: mqtt.topic[0].topic", "f.toml:12:1: mqtt.topic.nonsense: unknown key"}},
	} {
		_, err := ParseConfig("f.toml", []byte(c.text))
		got := fmt.Sprint(err)
		for _, w := range c.want {
			if !strings.Contains(got, w) {
				t.Errorf("%q\ngives\n%s\nwithout %q", c.text, got, w)
			}
		}
		if n := strings.Count(got, "\n") + 1; n != len(c.want) {
			t.Errorf("%q gives %d faults, want %d:\n%s", c.text, n, len(c.want), got)
		}
	}
	// The names of secrets are checked when they are read: at the start.
	cfg, err := ParseConfig("f.toml", []byte("[mqtt]\nurl = \"mqtt://127.0.0.1\"\nuser = \"u\"\nsecret_env = \"CUREWRIGHT_TEST_NOT_SET\"\n"))
	testkit.OK(t, err)
	cfg.Store.Path = t.TempDir()
	if _, err := New(Options{Config: cfg, Clock: &wallClock{}, Log: testkit.NoLog(), ClockTrusted: true}); err == nil || !strings.Contains(err.Error(), "CUREWRIGHT_TEST_NOT_SET") {
		t.Errorf("a secret that is not there: %v", err)
	}
}

// The guide's configuration is good, and says what the guide says.
func TestMQTTGuide(t *testing.T) {
	text := testkit.MustRead(t, "../../docs/mqtt-influx.md")
	_, rest, ok := strings.Cut(string(text), "```toml\n")
	block, _, _ := strings.Cut(rest, "```")
	if !ok {
		t.Fatal("no configuration in the guide")
	}
	cfg, err := ParseConfig("guide.toml", []byte(block))
	testkit.OK(t, err)
	if got := cfg.MQTT.BaseOf("Shop"); got != "curewright/boat-shed" || len(cfg.MQTT.Topics) != 3 || !cfg.Influx.On() {
		t.Errorf("base %q, %d topics, influx %v", got, len(cfg.MQTT.Topics), cfg.Influx.On())
	}
}
