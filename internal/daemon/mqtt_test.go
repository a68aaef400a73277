// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"math/big"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/history/forward/mqtt"
	"curewright/internal/daemon/mqttlink"
	"curewright/model/coat"
	"curewright/model/job"
	"curewright/sensors"

	"curewright/internal/realpart"
	"curewright/internal/testkit"
)

// mosquitto is a real broker on a loopback port.
type mosquitto struct {
	t    *testing.T
	conf string
	port string
	cmd  *exec.Cmd
	out  *testkit.Buffer
}

// newMosquitto writes a configuration with the user "shed" and starts it.
func newMosquitto(t *testing.T, more string) *mosquitto {
	t.Helper()
	realpart.Program(t, "mosquitto")
	port, _ := testkit.FreePort(t)
	dir := t.TempDir()
	pw := filepath.Join(dir, "passwd")
	if out, err := exec.Command(realpart.Program(t, "mosquitto_passwd"), "-b", "-c", pw, "shed", "tack coat").CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_passwd: %v: %s", err, out)
	}
	// "user root": it would otherwise give up root, and with it the files.
	conf := fmt.Sprintf("listener %s 127.0.0.1\nallow_anonymous false\npassword_file %s\npersistence false\nuser root\n%s", port, pw, more)
	m := &mosquitto{t: t, conf: filepath.Join(dir, "mosquitto.conf"), port: port}
	testkit.Write(t, m.conf, conf)
	m.start()
	t.Cleanup(func() { m.kill(syscall.SIGTERM) })
	return m
}

func (m *mosquitto) start() {
	m.t.Helper()
	m.out = &testkit.Buffer{}
	m.cmd = exec.Command(realpart.Program(m.t, "mosquitto"), "-c", m.conf)
	m.cmd.Stdout, m.cmd.Stderr = m.out, m.out
	m.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	testkit.OK(m.t, m.cmd.Start())
	for range 200 {
		if c, err := net.Dial("tcp", "127.0.0.1:"+m.port); err == nil {
			c.Close()
			return
		}
		time.Sleep(25 * time.Millisecond)
	}
	m.t.Fatalf("mosquitto does not start:\n%s", m.out.String())
}

func (m *mosquitto) kill(sig syscall.Signal) {
	m.cmd.Process.Signal(sig)
	m.cmd.Wait()
}

func (m *mosquitto) args(more ...string) []string {
	return append([]string{"-h", "127.0.0.1", "-p", m.port, "-u", "shed", "-P", "tack coat", "-V", "mqttv5", "-q", "1"}, more...)
}

// pub sends one message with mosquitto's own client.
func (m *mosquitto) pub(topic, body string, more ...string) {
	m.t.Helper()
	out, err := exec.Command(realpart.Program(m.t, "mosquitto_pub"), m.args(append([]string{"-t", topic, "-m", body}, more...)...)...).CombinedOutput()
	if err != nil {
		m.t.Fatalf("mosquitto_pub: %v: %s", err, out)
	}
}

// sub listens with mosquitto's own client and is there when it returns. Each
// line is the retain flag, the topic and the body.
func (m *mosquitto) sub(topics ...string) (*testkit.Buffer, func()) {
	m.t.Helper()
	args := m.args("-F", "%r %t %p", "-t", "marker")
	for _, x := range topics {
		args = append(args, "-t", x)
	}
	out := &testkit.Buffer{}
	cmd := exec.Command(realpart.Program(m.t, "mosquitto_sub"), args...)
	cmd.Stdout, cmd.Stderr = out, out
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	testkit.OK(m.t, cmd.Start())
	stop := sync.OnceFunc(func() { cmd.Process.Kill(); cmd.Wait() })
	m.t.Cleanup(stop)
	testkit.Until(m.t, "mosquitto_sub listens", func() bool {
		m.pub("marker", "here")
		return strings.Contains(out.String(), "marker")
	})
	return out, stop
}

// stored is what the broker would give to somebody who comes now, by topic.
func (m *mosquitto) stored(topic string) map[string]string {
	m.t.Helper()
	out, _ := exec.Command(realpart.Program(m.t, "mosquitto_sub"), m.args("-t", topic, "-F", "%t %p", "--retained-only", "-W", "1")...).Output()
	got := map[string]string{}
	for _, l := range strings.Split(string(out), "\n") {
		if k, v, ok := strings.Cut(l, " "); ok {
			got[k] = v
		}
	}
	return got
}

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
	m := newMosquitto(t, "")
	g := newGate(t, m.port)
	sub, stopSub := m.sub("curewright/#")
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
	m.pub("radio/panel-1/t", "18.5")
	m.pub("radio/panel-1/h", "61")
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
	m.pub("gateway/9", `{"temperature": 4}`)
	testkit.Until(t, "the stranger is known", func() bool { _, ok := d.set.Get("far-9"); return ok })
	for range 3 {
		m.pub("radio/panel-1/t", "warm")
	}
	m.pub("radio/panel-2/t", "20", "-r") // live for us, though it is kept for others
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
	create := func(kind, body string) {
		t.Helper()
		if _, _, err := d.Create(t.Context(), who, kind, []byte(body), ""); err != nil {
			t.Fatal(err)
		}
	}
	create("panel", `{"id":"lid","probe":"panel-1","core":"foam","area_m2":1.4}`)
	create("coat", fmt.Sprintf(`{"id":"tack/1","panel":"lid","resin":"medium","kind":"tack coat","next":"cloth","applied":%q}`, time.Now().Add(-time.Minute).Format(time.RFC3339)))
	testkit.Until(t, "the coat", saw(base+`coat/tack%2F1 {"id":"tack/1","panel":"lid"`))
	testkit.OK(t, d.Patch(t.Context(), who, "coat", "tack/1", []byte(fmt.Sprintf(`{"ended":%q}`, time.Now().Format(time.RFC3339))), ""))

	// The broker dies without warning and without memory. Meanwhile readings
	// come in by another way.
	m.kill(syscall.SIGKILL)
	g.set(true)
	stopSub()
	testkit.Until(t, "the outage is noticed", func() bool { return !d.mqtt.link.Up() })
	base0 := time.Now().Add(-3 * time.Hour).Truncate(time.Second)
	const n = 60
	for i := range n {
		at := base0.Add(time.Duration(i) * time.Minute)
		d.store.Append([]sensors.Reading{{Probe: "shed-air", At: at, Temp: sensors.Some(10 + float64(i)/16)}})
	}
	m.start()
	sub, _ = m.sub("curewright/#")
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
		kept = m.stored(base + "#")
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
	testkit.Until(t, "back once more", func() bool { return m.stored(base + "status")[base+"status"] == "online" })
	stop()
	if got := m.stored(base + "status")[base+"status"]; got != "offline" {
		t.Errorf("after a proper stop the status is %q", got)
	}
	if strings.Contains(log.String(), "tack coat") {
		t.Error("the password is in the log")
	}
}

// What is published has exactly the fields that the description names.
func TestMQTTFieldsAsDescribed(t *testing.T) {
	base := mqttSection{}.base("Boat shed")
	d := &Daemon{log: testkit.NoLog(), cfg: Config{Shop: shopSection{Name: "Boat shed"}}}
	p := &mqttPart{d: d, base: base}
	at, x := time.Now(), 1.0
	snap := &web.Snapshot{
		Probes:   []sensors.Health{{Probe: "a", Accepted: true, LastAt: at}, {Probe: "stranger"}},
		Surfaces: []alerts.Surface{{Panel: "lid", TempC: &x}},
		Cups:     []alerts.Cup{{Batch: "b1"}},
		Alerts:   []alerts.Alert{{ID: "a1"}},
		Result:   job.Result{Coats: []coat.Estimate{{ID: "tack", NextWindow: &coat.Window{Kind: coat.WindowCoat}}}},
	}
	sent := p.state(snap)
	sent[base+"/probe/+/reading"], _ = json.Marshal(mqtt.Reading{})
	sent[base+"/alert"], _ = json.Marshal(alerts.Message{Site: "Shed", Lines: []string{"one"}, Alert: &alerts.Alert{}})
	sent[base+"/tent"], _ = json.Marshal(mqttTent{})
	sent[base+"/coat/+"] = sent[base+"/coat/tack"]
	for _, topic := range mqtt.Topics {
		if topic.Fields == nil {
			continue
		}
		b, ok := sent[base+"/"+topic.Topic]
		if !ok {
			t.Errorf("%s is described and never sent", topic.Topic)
			continue
		}
		var obj map[string]any
		if topic.List {
			var list []map[string]any
			if err := json.Unmarshal(b, &list); err != nil || len(list) != 1 {
				t.Errorf("%s: %s: %v", topic.Topic, b, err)
				continue
			}
			obj = list[0]
		} else if err := json.Unmarshal(b, &obj); err != nil {
			t.Errorf("%s: %v", topic.Topic, err)
			continue
		}
		var want []string
		for _, f := range topic.Fields {
			want = append(want, f.Name)
		}
		slices.Sort(want)
		if got := slices.Sorted(maps.Keys(obj)); !slices.Equal(got, want) {
			t.Errorf("%s has the fields %q, described are %q", topic.Topic, got, want)
		}
	}
}

// link starts a connection of its own and returns its log.
func link(t *testing.T, o mqttlink.Options) (*mqttlink.Link, *testkit.Buffer) {
	t.Helper()
	out := &testkit.Buffer{}
	o.Log = slog.New(slog.NewTextHandler(out, nil))
	if o.ClientID == "" {
		o.ClientID = "test"
	}
	if o.Online == "" {
		o.Online = "curewright/test/status"
	}
	if o.Message == nil {
		o.Message = func(string, []byte, bool) {}
	}
	if o.Backoff == 0 {
		o.Backoff = 10 * time.Millisecond
	}
	l := mqttlink.New(o)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- l.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Errorf("the connection ended with %v", err)
		}
	})
	return l, out
}

func mustURL(t *testing.T, s string) *url.URL {
	t.Helper()
	u, err := mqttSection{URL: s}.broker()
	testkit.OK(t, err)
	return u
}

// Wrong credentials, an unknown host and a port where nobody is: said once,
// counted, and tried again for ever.
func TestMQTTTroubleIsSaidOnce(t *testing.T) {
	m := newMosquitto(t, "")
	free, _ := testkit.FreePort(t)
	for _, c := range []struct{ url, password, want string }{
		{"mqtt://127.0.0.1:" + m.port, "wrong-Secret", "refuses the user name or the password"},
		// RFC 6761, 6.4: a name in .invalid never resolves.
		{"mqtt://nowhere.invalid:1883", "wrong-Secret", "nowhere.invalid"},
		{"mqtt://127.0.0.1:" + free, "wrong-Secret", "connection refused"},
	} {
		l, out := link(t, mqttlink.Options{URL: mustURL(t, c.url), User: "shed", Password: c.password})
		testkit.Until(t, "three tries", func() bool { return l.Status().Failures >= 3 })
		text := out.String()
		if strings.Count(text, "level=WARN") != 1 || !strings.Contains(text, c.want) || strings.Contains(text, "wrong-Secret") {
			t.Errorf("%s: said\n%s\nwant one line with %q and no password", c.url, text, c.want)
		}
		if err := l.Publish(t.Context(), "x", []byte("y"), false, 0); !errors.Is(err, mqttlink.ErrDown) || mqttlink.ErrDown.Permanent() {
			t.Errorf("%s: publish: %v", c.url, err)
		}
	}
}

// What the broker's own rules forbid is a permanent refusal, with the topic;
// what they allow still works.
func TestMQTTNotAllowed(t *testing.T) {
	acl := filepath.Join(t.TempDir(), "acl")
	testkit.Write(t, acl, "user shed\ntopic readwrite curewright/#\ntopic readwrite marker\ntopic read radio/#\ntopic write radio/#\n")
	m := newMosquitto(t, "acl_file "+acl+"\n")
	got := make(chan string, 10)
	l, out := link(t, mqttlink.Options{URL: mustURL(t, "mqtt://127.0.0.1:"+m.port), User: "shed", Password: "tack coat",
		Filters: []mqttlink.Filter{{Topic: "radio/+/t", Place: "3:1: mqtt.topic[0]"}}, Message: func(topic string, body []byte, _ bool) { got <- topic + " " + string(body) }})
	testkit.Until(t, "the connection", l.Up)
	err := l.Publish(t.Context(), "attic/x", []byte("1"), false, 0)
	var le *mqttlink.Error
	if !errors.As(err, &le) || !le.Permanent() || !strings.Contains(err.Error(), "attic/x") {
		t.Errorf("publishing where it may not: %v", err)
	}
	if err := l.Publish(t.Context(), "curewright/x", []byte("1"), false, 0); err != nil {
		t.Errorf("publishing where it may: %v", err)
	}
	testkit.Until(t, "the subscription", func() bool {
		m.pub("radio/a/t", "20")
		return len(got) > 0
	})
	if x := <-got; x != "radio/a/t 20" {
		t.Errorf("got %q", x)
	}
	if strings.Contains(out.String(), "not listening") {
		t.Error(out.String())
	}
}

// Two boards under one name would push each other off for ever: they slow down
// and say why.
func TestMQTTNameTwice(t *testing.T) {
	m := newMosquitto(t, "")
	o := mqttlink.Options{URL: mustURL(t, "mqtt://127.0.0.1:"+m.port), User: "shed", Password: "tack coat", ClientID: "same"}
	a, outA := link(t, o)
	testkit.Until(t, "the first", a.Up)
	b, outB := link(t, o)
	testkit.Until(t, "the trouble is said", func() bool {
		return strings.Contains(outA.String()+outB.String(), `another client may have the name \"same\"`)
	})
	testkit.Until(t, "both slow down", func() bool {
		return a.Status().Short >= 3 || b.Status().Short >= 3
	})
	for _, out := range []*testkit.Buffer{outA, outB} {
		if n := strings.Count(out.String(), "level="); n > 2 {
			t.Errorf("said %d lines:\n%s", n, out.String())
		}
	}
}

// authority makes certificates for a test.
type authority struct {
	t    *testing.T
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	a := &authority{t: t, dir: t.TempDir()}
	a.key, a.cert = a.issue("ca", &x509.Certificate{IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign})
	return a
}

func (a *authority) issue(name string, c *x509.Certificate) (*ecdsa.PrivateKey, *x509.Certificate) {
	a.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	testkit.OK(a.t, err)
	c.SerialNumber = big.NewInt(time.Now().UnixNano())
	c.Subject = pkix.Name{CommonName: name}
	c.NotBefore, c.NotAfter = time.Now().Add(-time.Hour), time.Now().Add(time.Hour)
	parent, signer := c, key
	if a.cert != nil {
		parent, signer = a.cert, a.key
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, key.Public(), signer)
	testkit.OK(a.t, err)
	kb, err := x509.MarshalPKCS8PrivateKey(key)
	testkit.OK(a.t, err)
	for file, b := range map[string]*pem.Block{name + ".pem": {Type: "CERTIFICATE", Bytes: der}, name + ".key": {Type: "PRIVATE KEY", Bytes: kb}} {
		testkit.OK(a.t, os.WriteFile(a.path(file), pem.EncodeToMemory(b), 0o600))
	}
	made, err := x509.ParseCertificate(der)
	testkit.OK(a.t, err)
	return key, made
}

func (a *authority) path(file string) string { return filepath.Join(a.dir, file) }

// Over TLS the broker proves who it is, and the board too; a broker whose
// certificate another authority signed gets nothing, not even the password.
func TestMQTTOverTLS(t *testing.T) {
	a := newAuthority(t)
	a.issue("broker", &x509.Certificate{IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}})
	a.issue("board", &x509.Certificate{ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}})
	port, _ := testkit.FreePort(t)
	newMosquitto(t, fmt.Sprintf("listener %s 127.0.0.1\ncafile %s\ncertfile %s\nkeyfile %s\nrequire_certificate true\n",
		port, a.path("ca.pem"), a.path("broker.pem"), a.path("broker.key")))
	u := mustURL(t, "mqtts://127.0.0.1:"+port)
	sec, err := mqttlink.TLSConfig(a.path("ca.pem"), a.path("board.pem"), a.path("board.key"), readSmall)
	testkit.OK(t, err)
	l, out := link(t, mqttlink.Options{URL: u, TLS: sec, User: "shed", Password: "tack coat"})
	testkit.Until(t, "connected over TLS\n"+out.String(), l.Up)
	if err := l.Publish(t.Context(), "curewright/x", []byte("1"), true, time.Minute); err != nil {
		t.Error(err)
	}
	other := newAuthority(t)
	for name, c := range map[string]struct {
		cfg  func() (*tls.Config, error)
		want []string
	}{
		"another authority": {func() (*tls.Config, error) {
			return mqttlink.TLSConfig(other.path("ca.pem"), a.path("board.pem"), a.path("board.key"), readSmall)
		}, []string{"unknown authority"}},
		"without a certificate": {func() (*tls.Config, error) { return mqttlink.TLSConfig(a.path("ca.pem"), "", "", readSmall) },
			// The alert may be overtaken by the end of the connection.
			[]string{"certificate required", "reset by peer", "broken pipe", "EOF"}},
	} {
		sec, err := c.cfg()
		testkit.OK(t, err)
		l, out := link(t, mqttlink.Options{URL: u, TLS: sec, User: "shed", Password: "tack coat", ClientID: "other"})
		testkit.Until(t, name+" is refused", func() bool { return l.Status().Failures > 0 })
		if l.Up() || !slices.ContainsFunc(c.want, func(w string) bool { return strings.Contains(out.String(), w) }) {
			t.Errorf("%s: up %v, said %s", name, l.Up(), out.String())
		}
	}
	if _, err := mqttlink.TLSConfig(a.path("nothing.pem"), a.path("board.key"), a.path("board.pem"), readSmall); err == nil || len(strings.Split(err.Error(), "\n")) != 2 {
		t.Errorf("bad files: %v, want both faults at once", err)
	}
}

// A misspelt topic is said once, with its place, after it was silent long
// enough.
func TestMQTTSilentTopic(t *testing.T) {
	d, log, _ := runDaemon(t, "[mqtt]\nurl = \"mqtt://127.0.0.1:1\"\nstate = false\nreadings = false\n[[mqtt.topic]]\ntopic = \"raido/+\"\nplain = \"temp\"\n")
	at := time.Now()
	d.mqtt.saySilent(d.mqtt.link.Status(), at.Add(time.Hour))
	if strings.Contains(log.String(), "raido") {
		t.Errorf("said without a connection:\n%s", log.String())
	}
	up := mqttlink.Status{Up: true, UpAt: at}
	d.mqtt.saySilent(up, at.Add(silentAfter-time.Second))
	if strings.Contains(log.String(), "raido") {
		t.Errorf("said too early:\n%s", log.String())
	}
	d.mqtt.saySilent(up, at.Add(silentAfter))
	d.mqtt.saySilent(up, at.Add(2*silentAfter))
	if text := log.String(); strings.Count(text, "raido/+") != 1 || !strings.Contains(text, "6:1: mqtt.topic[0]") {
		t.Errorf("said\n%s\nwant one line with its place", text)
	}
	if d.intakeOf("mqtt").Refused["silent_topic"] != 1 {
		t.Error("not counted")
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
	if got := cfg.MQTT.base("Shop"); got != "curewright/boat-shed" || len(cfg.MQTT.Topics) != 3 || !cfg.Influx.On() {
		t.Errorf("base %q, %d topics, influx %v", got, len(cfg.MQTT.Topics), cfg.Influx.On())
	}
}
