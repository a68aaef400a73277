// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"curewright/alerts"
	"curewright/dashboards/client"
	"curewright/dashboards/web"
	"curewright/history"
	"curewright/history/forward/influx"
	"curewright/internal/testkit"
	"curewright/model/coat"
	"curewright/sensors"
	"curewright/sensors/shopsim"
)

// campaign is how many faults to inject where a number is to be had:
// CUREWRIGHT_FAULTS, or the short form's.
func campaign(normal int) int {
	if n, err := strconv.Atoi(os.Getenv("CUREWRIGHT_FAULTS")); err == nil && n > 0 {
		return n
	}
	return normal
}

// promised is what the daemon acknowledged over HTTP.
type promised struct {
	mu       sync.Mutex
	records  map[string]map[string]string // kind, id: what it must still say
	readings []promisedReading
	alerts   map[string]string // id: state when it was last seen
}

type promisedReading struct {
	sensors.Reading
	answered time.Time
}

func newPromised() *promised {
	return &promised{records: map[string]map[string]string{"coat": {}, "batch": {}, "feel": {}}, alerts: map[string]string{}}
}

func (p *promised) record(kind, id, says string) {
	p.mu.Lock()
	p.records[kind][id] = says
	p.mu.Unlock()
}

// victim is the real program as a process of its own, to be killed.
type victim struct {
	cmd *exec.Cmd
	c   *client.Client
	url string
	log *testkit.Buffer
}

func startVictim(t *testing.T, bin, dir string, args ...string) *victim {
	t.Helper()
	v := &victim{cmd: exec.Command(bin, append([]string{"watch", "--listen", "127.0.0.1:0", "--data", dir}, args...)...), log: &testkit.Buffer{}}
	if v.cmd.Env = os.Environ(); os.Getenv(W1Env) == "" {
		v.cmd.Env = append(v.cmd.Env, W1Env+"="+t.TempDir())
	}
	v.cmd.Stderr = v.log
	out, err := v.cmd.StdoutPipe()
	testkit.OK(t, err)
	testkit.OK(t, v.cmd.Start())
	t.Cleanup(func() { v.cmd.Process.Kill() })
	line, err := bufio.NewReader(out).ReadString('\n')
	m := testkit.Opened.FindStringSubmatch(line)
	if err != nil || m == nil {
		v.cmd.Wait()
		t.Fatalf("it does not start again: %q, %v\n%s", line, err, v.log)
	}
	go io.Copy(io.Discard, out)
	v.url = m[1]
	// By the socket, as at the board: new probes are accepted at once.
	if v.c, err = client.New("unix:"+filepath.Join(dir, web.SocketName), ""); err != nil {
		t.Fatal(err)
	}
	// A machine without a clock chip does not trust its date: the person does.
	if set, err := v.c.Settings(t.Context()); err != nil {
		t.Fatal(err)
	} else if !set.ClockTrusted {
		body := fmt.Sprintf(`{"time":%q}`, time.Now().Format(time.RFC3339Nano))
		resp, err := http.Post(v.url+"/api/v1/clock", "application/json", strings.NewReader(body))
		testkit.OK(t, err)
		resp.Body.Close()
		if resp.StatusCode != http.StatusOK {
			t.Fatalf("the date is not taken: %s", resp.Status)
		}
	}
	return v
}

// load pushes readings, enters work and looks at alerts, all at once, until
// the process is gone. What goes wrong before that is the daemon's fault.
func (v *victim) load(t *testing.T, ctx context.Context, killed *atomic.Bool, p *promised, round int) *sync.WaitGroup {
	var wg sync.WaitGroup
	fault := func(what string, err error) bool {
		if err != nil && !killed.Load() && ctx.Err() == nil {
			t.Errorf("round %d: %s: %v", round, what, err)
		}
		return err != nil
	}
	wg.Go(func() {
		for n := 0; ctx.Err() == nil; n++ {
			at := time.Now().Truncate(time.Millisecond)
			var rs []web.PushReading
			for i := range 8 {
				c := 17 + float64(i) + float64(n%5)/16
				rs = append(rs, web.PushReading{Probe: fmt.Sprintf("probe-%d", i+1), Time: &at, TempC: &c})
			}
			res, err := v.c.Push(ctx, rs)
			if fault("push", err) {
				return
			}
			if res.Taken != len(rs) {
				t.Errorf("round %d: %d of %d readings taken: %+v", round, res.Taken, len(rs), res.Refused)
				return
			}
			now := time.Now()
			p.mu.Lock()
			for _, r := range rs {
				p.readings = append(p.readings, promisedReading{sensors.Reading{Probe: r.Probe, At: at, Temp: sensors.FromPtr(r.TempC)}, now})
			}
			p.mu.Unlock()
			time.Sleep(20 * time.Millisecond)
		}
	})
	wg.Go(func() {
		resin, hardener := 100.0, 25.0
		var coatID, cup string
		// A cup that stands and is about to end: something to be called for.
		id, err := v.c.Mixed(ctx, coat.Batch{Resin: "fast", Lot: fmt.Sprintf("stands-%d", round), ResinG: &resin, HardenerG: &hardener, Mixed: time.Now().Add(-6 * time.Minute)})
		if fault("standing cup", err) {
			return
		}
		p.record("batch", id, fmt.Sprintf(`"stands-%d"`, round))
		for n := 0; ctx.Err() == nil; n++ {
			if n%5 == 0 {
				if coatID != "" {
					if fault("end coat", v.c.EndCoat(ctx, coatID, time.Now())) {
						return
					}
					p.record("coat", coatID, `"ended"`)
					if fault("end batch", v.c.EndBatch(ctx, cup, time.Now(), nil)) {
						return
					}
					p.record("batch", cup, `"ended"`)
				}
				id, err := v.c.Mixed(ctx, coat.Batch{Resin: "fast", Lot: fmt.Sprintf("L-%d-%d", round, n), ResinG: &resin, HardenerG: &hardener, Mixed: time.Now().Add(-2 * time.Hour)})
				if fault("batch", err) {
					return
				}
				cup = id
				p.record("batch", id, fmt.Sprintf(`"L-%d-%d"`, round, n))
				id, err = v.c.StartCoat(ctx, coat.Coat{Panel: "lid-a", Resin: "fast", Kind: coat.FillCoat, Batches: []string{cup}, Applied: time.Now().Add(-time.Minute)})
				if fault("coat", err) {
					return
				}
				coatID = id
				p.record("coat", id, `"`+cup+`"`)
			}
			id, err := v.c.Feel(ctx, coatID, coat.Wet, time.Now())
			if fault("finger test", err) {
				return
			}
			p.record("feel", id, `"`+coatID+`"`)
			time.Sleep(10 * time.Millisecond)
		}
	})
	wg.Go(func() {
		for ctx.Err() == nil {
			as, err := v.c.Alerts(ctx, true)
			if fault("alerts", err) {
				return
			}
			p.mu.Lock()
			p.alerts = map[string]string{}
			for _, a := range as {
				// Of what is over, only the latest are remembered.
				if a.State == alerts.Firing || a.State == alerts.Acknowledged {
					p.alerts[a.ID] = string(a.State)
				}
			}
			p.mu.Unlock()
			if i := slices.IndexFunc(as, func(a alerts.Alert) bool { return a.State == alerts.Firing }); i >= 0 {
				// It may have ended meanwhile: then there is nothing to promise.
				if err := v.c.Ack(ctx, as[i].ID); err == nil {
					p.mu.Lock()
					p.alerts[as[i].ID] = string(alerts.Acknowledged)
					p.mu.Unlock()
				}
			}
			time.Sleep(50 * time.Millisecond)
		}
	})
	return &wg
}

// check opens a copy of what the killed process left, and looks for all that
// was promised. The daemon itself then starts on the original.
func (p *promised) check(t *testing.T, dir string, killedAt time.Time, round int, checked map[string]int) {
	t.Helper()
	cp := t.TempDir()
	for _, name := range []string{history.File, history.File + "-wal"} {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if os.IsNotExist(err) {
			continue
		} else if err != nil {
			t.Fatal(err)
		}
		testkit.OK(t, os.WriteFile(filepath.Join(cp, name), b, 0o600))
	}
	defer os.RemoveAll(cp)
	s, err := history.Open(cp, history.Options{})
	if err != nil {
		t.Fatalf("kill %d: the store does not open: %v", round, err)
	}
	defer s.Close()
	if tr := s.Trouble(); tr != "" && !strings.Contains(tr, "could not be read") {
		t.Errorf("kill %d: %s", round, tr)
	}
	for kind, ids := range p.records {
		for id, says := range ids {
			body, _, ok := s.Record(kind, id)
			if !ok {
				t.Errorf("kill %d: %s %s was acknowledged and is gone", round, kind, id)
			} else if !bytes.Contains(body, []byte(says)) {
				t.Errorf("kill %d: %s %s does not say %s any more: %s", round, kind, id, says, body)
			}
			checked[kind]++
		}
	}
	have := map[string]map[int64]sensors.Reading{}
	gone, oldest := 0, time.Duration(0)
	for _, r := range p.readings {
		by := have[r.Probe]
		if by == nil {
			by = map[int64]sensors.Reading{}
			for x, err := range s.Readings(r.Probe, p.readings[0].At.Add(-time.Second), time.Time{}) {
				if err != nil {
					t.Fatalf("kill %d: %v", round, err)
				}
				by[x.At.UnixMilli()] = x
			}
			have[r.Probe] = by
		}
		got, ok := by[r.At.UnixMilli()]
		if age := killedAt.Sub(r.answered); !ok && age > 10*time.Second {
			gone, oldest = gone+1, max(oldest, age)
		} else if ok && got.Temp != history.Quantise(r.Reading).Temp {
			t.Errorf("kill %d: %s at %v is %v, want %v", round, r.Probe, r.At, got.Temp, r.Temp)
		} else if ok {
			checked["reading"]++
		} else {
			checked["reading younger than 10 s, lost"]++
		}
	}
	if gone > 0 {
		t.Errorf("kill %d: %d of %d readings are gone that were answered more than 10 s before, the oldest %v; %d of probe-1 are there", round, gone, len(p.readings), oldest, len(have["probe-1"]))
	}
}

// The real program, killed at random moments under load: what it acknowledged
// over HTTP is there, no reading older than ten seconds is lost, and it starts
// every time.
func TestFaultKill(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("builds and starts the program many times")
	}
	bin := testkit.BuildBinary(t)
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(11, 12))
	p := newPromised()
	checked := map[string]int{}
	kills, lookUps := campaign(5), 0
	if campaign(0) > 0 {
		lookUps = 172_028 // at the least, however slow the machine is
	}
	sum := func() int {
		return checked["coat"] + checked["batch"] + checked["feel"] + checked["alert"] + checked["reading"]
	}
	k := 0
	for ; k < kills || sum() < lookUps && k < 3*kills; k++ {
		v := startVictim(t, bin, dir)
		if k == 0 {
			if _, err := v.c.AddPanel(t.Context(), coat.Panel{ID: "lid-a", Probe: "probe-1", Core: "foam"}); err != nil {
				t.Fatal(err)
			}
		}
		as, err := v.c.Alerts(t.Context(), true)
		testkit.OK(t, err)
		for id, state := range p.alerts {
			i := slices.IndexFunc(as, func(a alerts.Alert) bool { return a.ID == id })
			checked["alert"]++
			if i < 0 {
				t.Errorf("kill %d: alert %s is gone, it was %s", k-1, id, state)
			} else if state == string(alerts.Acknowledged) && as[i].State == alerts.Firing {
				t.Errorf("kill %d: alert %s was acknowledged and fires again", k-1, id)
			}
		}
		// A few live long enough for readings to reach the promised age.
		live := 100*time.Millisecond + time.Duration(rng.ExpFloat64()*float64(400*time.Millisecond))
		if k%30 == 1 {
			live = 11*time.Second + time.Duration(rng.Int64N(int64(3*time.Second)))
		}
		p.readings = nil
		var killed atomic.Bool
		ctx, cancel := context.WithCancel(t.Context())
		wg := v.load(t, ctx, &killed, p, k)
		time.Sleep(min(live, 20*time.Second))
		killed.Store(true)
		killedAt := time.Now()
		v.cmd.Process.Kill()
		v.cmd.Wait()
		cancel()
		wg.Wait()
		p.check(t, dir, killedAt, k, checked)
		if t.Failed() {
			t.Logf("the daemon's log:\n%s", v.log)
			return
		}
	}
	t.Logf("%d kills; looked for %d times and found: %v", k, sum(), checked)
	if sum() < lookUps {
		t.Errorf("only %d look-ups", sum())
	}
	for _, kind := range []string{"coat", "batch", "feel", "reading", "alert"} {
		if checked[kind] == 0 {
			t.Errorf("no %s was ever looked for", kind)
		}
	}
}

// bubble is a daemon in a bubble where time is not real: every timer of the
// real one, and a wall clock that a test can step.
type bubble struct {
	*liveDaemon
	clk  *wallClock
	jump atomic.Int64 // how far the wall clock is off
	sync atomic.Bool  // the kernel says that the wall clock is right
	srv  *web.Server
}

// inBubble runs the daemon's parts over a simulated shed from Saturday
// morning on. f returns when it has seen enough.
func inBubble(t *testing.T, cfg Config, trusted bool, f func(*bubble)) {
	t.Helper()
	inBubbleFrom(t, cfg, trusted, 0, f)
}

// inBubbleFrom starts with the wall clock off by so much.
func inBubbleFrom(t *testing.T, cfg Config, trusted bool, off time.Duration, f func(*bubble)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(time.Date(2026, 10, 10, 8, 0, 0, 0, time.UTC)))
		b := &bubble{}
		b.jump.Store(int64(off))
		epoch := time.Now()
		b.clk = &wallClock{
			wall: func() time.Time {
				if j := time.Duration(b.jump.Load()); j != 0 {
					return time.Now().Round(0).Add(j)
				}
				return time.Now()
			},
			boot: func() time.Duration { return time.Since(epoch) },
		}
		d, err := New(Options{Config: cfg, Clock: b.clk, Log: testkit.NoLog(), ClockTrusted: trusted, Zone: time.UTC, Synced: b.sync.Load,
			Boot: "board on at " + off.String(), Uptime: func() time.Duration { return time.Since(epoch) + time.Minute }, StoreWatch: time.Hour})
		testkit.OK(t, err)
		defer d.store.Close()
		if b.srv, err = web.New(web.Config{ConfigSection: cfg.Web, Version: "test", LoopbackRole: web.Control}, d); err != nil {
			t.Fatal(err)
		}
		b.liveDaemon = &liveDaemon{API: &testkit.API{T: t, Handler: b.srv.Handler()}, t: t, d: d}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() {
			parts := append([]Part{{"probes", d.set.Run}, {"estimator", d.runEstimates}, {"messages", d.post.Run}, {"upkeep", d.runUpkeep}}, d.chans.parts...)
			if d.influx != nil {
				parts = append(parts, Part{"influx", d.influx.Run})
			}
			done <- runAll(ctx, testkit.NoLog(), parts...)
		}()
		defer func() {
			cancel()
			if err := <-done; err != nil {
				t.Error(err)
			}
		}()
		f(b)
	})
}

// shed pushes the simulated shed's readings every ten seconds for so long.
// With no times in them, as radio probes without a clock do.
func (b *bubble) shed(sim *shopsim.Sim, d time.Duration) {
	b.t.Helper()
	for end := time.Now().Add(d); time.Now().Before(end); time.Sleep(10 * time.Second) {
		var rs []web.PushReading
		for _, r := range sim.At(time.Now().Truncate(10 * time.Second)) {
			rs = append(rs, web.PushReading{Probe: r.Probe, TempC: r.Temp.Ptr(), RHPct: r.RH.Ptr(), CO2PPM: r.CO2.Ptr()})
		}
		b.Push(rs)
	}
}

func (b *bubble) alpha(id string) float64 {
	b.t.Helper()
	// Of this moment, not of up to half a minute ago.
	testkit.OK(b.t, b.d.Evaluate(b.t.Context()))
	for _, c := range b.Coats() {
		if c.ID == id && c.Alpha != nil {
			return c.Alpha.P50
		}
	}
	b.t.Fatalf("coat %s has no estimate", id)
	return 0
}

// The wall clock goes back a year, forward a year, and to and fro under load.
// Readings stay in order and complete, and no coat cures by it: at every step
// and after all of them the degree of cure is that of a daemon whose clock
// never moved.
func TestFaultClockSteps(t *testing.T) {
	if testing.Short() {
		t.Skip("hours, though simulated ones")
	}
	const year = 365 * 24 * time.Hour
	run := func(steps []time.Duration) (alphas []float64, n int) {
		inBubble(t, configIn(t.TempDir()), true, func(b *bubble) {
			sim := shopsim.New(shopsim.Config{Seed: 3})
			b.shed(sim, 10*time.Minute)
			b.Post("/api/v1/panels", map[string]any{"id": "lid", "probe": shopsim.Panel1, "air": shopsim.ShedAir, "core": "foam"})
			b.Post("/api/v1/coats", map[string]any{"id": "fill", "panel": "lid", "resin": "medium", "kind": "fill coat", "applied": b.d.Now()})
			b.shed(sim, time.Hour)
			for _, s := range steps {
				b.jump.Add(int64(s))
				b.shed(sim, 10*time.Minute)
				alphas = append(alphas, b.alpha("fill"))
			}
			var last time.Time
			for r, err := range b.d.store.Readings(shopsim.Panel1, time.Time{}, time.Time{}) {
				if err != nil {
					b.t.Error(err)
				}
				if !r.At.After(last) {
					b.t.Errorf("a reading of %v comes after %v", r.At, last)
				}
				last = r.At
				n++
			}
			told := 0
			es, err := b.d.store.Events(b.t.Context(), time.Time{}, time.Time{}, 1000)
			testkit.OK(b.t, err)
			for _, e := range es {
				if e.Kind == "clock" {
					told++
				}
			}
			want := 0
			for _, s := range steps {
				if s != 0 {
					want++
				}
			}
			if told != want {
				b.t.Errorf("%d steps in the log of events, want %d", told, want)
			}
		})
		return alphas, n
	}
	steps := []time.Duration{-year, year, year, -year, 3 * time.Hour, -3 * time.Hour}
	got, n := run(steps)
	want, m := run(make([]time.Duration, len(steps)))
	if n != m || m < 6*60*2 {
		t.Errorf("%d readings are kept over the steps, %d without", n, m)
	}
	for i := range want {
		if math.Abs(got[i]-want[i]) > 1e-5 { // half a second of cure
			t.Errorf("after a step of %v the degree of cure is %.6f, %.6f without", steps[i], got[i], want[i])
		}
	}
	t.Logf("%d readings; degree of cure %.4f to %.4f at every step the same", n, want[0], want[len(want)-1])
}

// On the machine's own clocks nothing is held back, and Now is now.
func TestWallClockIsTheMachines(t *testing.T) {
	c := &wallClock{}
	c.Hold()
	for range 1000 {
		a, now, b := time.Now(), c.Now(), time.Now()
		if now.Before(a) || now.After(b) {
			t.Fatalf("%v is not between %v and %v", now, a, b)
		}
	}
	if steps, away := c.Held(); len(steps) > 0 || away != 0 || c.Offset() != 0 {
		t.Errorf("held back %v, %v", steps, away)
	}
	c.Set(time.Now().Add(time.Hour))
	if d := time.Until(c.Now()); d < 59*time.Minute || d > 61*time.Minute {
		t.Errorf("set an hour ahead it is %v ahead", d)
	}
	if steps, _ := c.Held(); len(steps) > 0 {
		t.Errorf("what the person set counts as a step: %v", steps)
	}
}

// A board that does not know the date: readings and work are kept, the coat
// cures, the page says so; once the phone's time is taken all has its date,
// and the clock being set to the same time later changes nothing.
func TestFaultClockUnknown(t *testing.T) {
	// The board's clock starts from a date in a file, long ago.
	const off = 300 * 24 * time.Hour
	truth := func() time.Time { return time.Now().Add(off).Round(0) }
	inBubble(t, configIn(t.TempDir()), false, func(b *bubble) {
		sim := shopsim.New(shopsim.Config{Seed: 3})
		b.shed(sim, 10*time.Minute)
		b.Post("/api/v1/panels", map[string]any{"id": "lid", "probe": shopsim.Panel1, "air": shopsim.ShedAir, "core": "foam"})
		b.Post("/api/v1/coats", map[string]any{"id": "fill", "panel": "lid", "resin": "medium", "kind": "fill coat", "applied": b.d.Now()})
		applied := truth()
		b.shed(sim, 90*time.Minute)
		before := b.alpha("fill")
		var snap web.Snapshot
		testkit.OK(b.t, json.Unmarshal(b.Do("GET", "/api/v1/snapshot", nil, http.StatusOK), &snap))
		if snap.Settings.ClockTrusted || !slices.ContainsFunc(snap.Alerts, func(a alerts.Alert) bool { return a.Rule == alerts.ClockInDoubt }) {
			b.t.Error("the page does not say that the date is not known")
		}
		b.Do("POST", "/api/v1/clock", map[string]any{"time": truth()}, http.StatusOK)
		b.shed(sim, time.Minute)
		if after := b.alpha("fill"); math.Abs(after-before) > .01 {
			b.t.Errorf("the degree of cure went from %.4f to %.4f when the date came", before, after)
		}
		w, err := b.d.work(b.t.Context())
		if err != nil || len(w.Coats) != 1 || w.Coats[0].Applied.Sub(applied).Abs() > time.Second {
			b.t.Errorf("the coat is dated %+v, want %v (%v)", w.Coats, applied, err)
		}
		// Then the network comes, and the kernel's clock is set.
		b.jump.Store(int64(off))
		b.shed(sim, 10*time.Minute)
		if d := b.d.Now().Sub(truth()).Abs(); d > time.Minute {
			b.t.Errorf("the daemon's time is %v off once the kernel's clock is right", d)
		}
		if after := b.alpha("fill"); after < before || after-before > .1 {
			b.t.Errorf("the degree of cure went from %.4f to %.4f when the kernel's clock was set", before, after)
		}
		n := 0
		for r, err := range b.d.store.Readings(shopsim.Panel1, time.Time{}, time.Time{}) {
			if err != nil {
				b.t.Error(err)
			}
			if n++; r.At.Before(applied.Add(-11*time.Minute)) || r.At.After(truth()) {
				b.t.Errorf("a reading is dated %v", r.At)
			}
		}
		if want := 6 * (10 + 90 + 1 + 10); n < want-2 || n > want+2 {
			b.t.Errorf("%d readings have a date, want %d", n, want)
		}
	})
}

// The card fills under the running daemon: readings and estimates go on,
// alerts are raised, the page says it, what is entered is refused aloud; with
// room again the store goes on by itself.
func TestFaultDiskFull(t *testing.T) {
	if campaign(0) == 0 {
		t.Skip("only in the campaign, `make faults`; the store's own tests fill a card every time")
	}
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=4m"); err != nil {
		t.Skip("no small file system can be mounted here (that needs root):", err)
	}
	t.Cleanup(func() { syscall.Unmount(dir, syscall.MNT_DETACH) })
	inBubble(t, configIn(dir), true, func(b *bubble) {
		sim := shopsim.New(shopsim.Config{Seed: 3})
		b.shed(sim, 10*time.Minute)
		b.Post("/api/v1/panels", map[string]any{"id": "lid", "probe": shopsim.Panel1, "air": shopsim.ShedAir, "core": "foam"})
		b.Post("/api/v1/coats", map[string]any{"id": "fill", "panel": "lid", "resin": "medium", "kind": "fill coat", "applied": b.d.Now()})
		b.shed(sim, 10*time.Minute)
		was := b.alpha("fill")
		b.Post("/api/v1/batches", map[string]any{"id": "cup-1", "resin": "fast", "resin_g": 200, "hardener_g": 50, "mixed": b.d.Now()})
		ballast := filepath.Join(dir, "ballast")
		os.WriteFile(ballast, make([]byte, 8<<20), 0o600) // as far as it goes
		entered := 0
		for full := false; !full; entered++ { // what the database still has room for
			body, err := json.Marshal(map[string]any{"panel": "lid", "resin": "medium", "kind": "fill coat", "applied": b.d.Now(), "ended": b.d.Now(), "note": strings.Repeat("x", 2000)})
			testkit.OK(b.t, err)
			code, answer := b.Raw("POST", "/api/v1/coats", body)
			if full = code != http.StatusCreated; full && (code != http.StatusInsufficientStorage || !bytes.Contains(answer, []byte("full"))) {
				b.t.Errorf("on a full card a coat is answered %d %s", code, answer)
			}
			if entered == 2000 {
				b.t.Fatal("the card never was full")
			}
		}
		b.shed(sim, 90*time.Minute)
		var snap web.Snapshot
		testkit.OK(b.t, json.Unmarshal(b.Do("GET", "/api/v1/snapshot", nil, http.StatusOK), &snap))
		i := slices.IndexFunc(snap.Result.Coats, func(c coat.Estimate) bool { return c.ID == "fill" })
		if i < 0 || snap.Result.Coats[i].Alpha == nil || snap.Result.Coats[i].Alpha.P50 <= was || snap.Result.Coats[i].DegradedMinutes > 1 {
			b.t.Errorf("no estimate on a full card: %+v", snap.Result.Coats)
		}
		rules := map[string]bool{}
		for _, a := range snap.Alerts {
			rules[a.Rule] = a.State == alerts.Firing
		}
		if !rules[alerts.CupOver] || !rules[alerts.StoreFull] {
			b.t.Errorf("on a full card these fire: %v, want the cup and the card too", rules)
		}
		if !strings.Contains(snap.Settings.StoreTrouble, "full") {
			b.t.Errorf("the page says of the card: %q", snap.Settings.StoreTrouble)
		}
		if code, body := b.Raw("GET", "/readyz", nil); code == http.StatusOK || !bytes.Contains(body, []byte("full")) {
			b.t.Errorf("readyz on a full card: %d %s", code, body)
		}
		waited := b.d.store.Stats().Pending

		testkit.OK(b.t, os.Remove(ballast))
		room := time.Now()
		for s := b.d.store.Stats(); s.DiskFull || s.Pending > 20; s = b.d.store.Stats() {
			b.shed(sim, 10*time.Second)
			if time.Since(room) > 10*time.Minute {
				b.t.Fatalf("ten minutes after there was room it does not write: %+v", s)
			}
		}
		b.t.Logf("%d readings waited; written %v after there was room", waited, time.Since(room).Round(time.Second))
		b.Post("/api/v1/coats/fill/feels", map[string]any{"at": b.d.Now(), "state": "wet"})
		b.shed(sim, time.Minute)
		if tr := b.d.store.Trouble(); tr != "" {
			b.t.Errorf("with room again it still says %q", tr)
		}
		if err := b.d.store.Flush(b.t.Context()); err != nil {
			b.t.Error(err)
		}
		n, last := 0, time.Time{}
		for r, err := range b.d.store.Readings(shopsim.Panel1, time.Time{}, time.Time{}) {
			if err != nil {
				b.t.Error(err)
			}
			if !last.IsZero() && r.At.Sub(last) > 11*time.Second {
				b.t.Errorf("no readings from %v to %v", last, r.At)
			}
			n, last = n+1, r.At
		}
		if n < 6*110 {
			b.t.Errorf("%d readings after it all, want at least %d", n, 6*110)
		}
	})
}

// Ten thousand readings a second are pushed at the real program, with a page
// open that does not read: every push is answered, what is more than a yard's
// probes say is refused with the reason, memory stays bounded, and the
// daemon's own work goes on.
func TestFaultFlood(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("some seconds of load")
	}
	const probes, each, rate = 50, 20, 10_000
	seconds := 3
	if campaign(0) > 0 {
		seconds = 60
	}
	v := startVictim(t, testkit.BuildBinary(t), t.TempDir())
	if _, err := v.c.AddPanel(t.Context(), coat.Panel{ID: "lid-a", Probe: "probe-1", Core: "foam"}); err != nil {
		t.Fatal(err)
	}
	coatID, err := v.c.StartCoat(t.Context(), coat.Coat{Panel: "lid-a", Resin: "medium", Kind: coat.FillCoat, Applied: time.Now()})
	testkit.OK(t, err)
	slow := deafPage(t, v.url)
	defer slow.Close()
	rest := readProc(t, v.cmd.Process.Pid).rss
	start := time.Now()
	sent, taken, peak := 0, 0, rest
	why := map[string]int{}
	tick := time.NewTicker(time.Second * probes * each / rate)
	defer tick.Stop()
	at := time.Now().Truncate(time.Second).Add(-time.Second)
	for time.Since(start) < time.Duration(seconds)*time.Second {
		<-tick.C
		var rs []web.PushReading
		for range each {
			at = at.Add(time.Second * probes / rate)
			for i := range probes {
				x, c := at, 15+float64(i%8)/8
				rs = append(rs, web.PushReading{Probe: fmt.Sprintf("probe-%d", i+1), Time: &x, TempC: &c})
			}
		}
		res, err := v.c.Push(t.Context(), rs)
		if err != nil {
			t.Fatalf("after %d readings: %v", sent, err)
		}
		if res.Taken+len(res.Refused) != len(rs) {
			t.Fatalf("%d taken and %d refused of %d", res.Taken, len(res.Refused), len(rs))
		}
		sent += len(rs)
		taken += res.Taken
		for _, r := range res.Refused {
			why[r.Why]++
		}
		peak = max(peak, readProc(t, v.cmd.Process.Pid).rss)
	}
	sec := time.Since(start).Seconds()
	if late, err := v.c.Ready(t.Context()); err != nil || len(late) > 0 {
		t.Errorf("after the flood these are late: %v, %v", late, err)
	}
	// A finger test is looked at at once.
	if _, err := v.c.Feel(t.Context(), coatID, coat.Wet, time.Now()); err != nil {
		t.Fatal(err)
	}
	testkit.Until(t, "an estimate after the flood", func() bool {
		cs, err := v.c.Snapshot(t.Context())
		return err == nil && len(cs.Result.Coats) == 1 && cs.Result.Coats[0].Alpha != nil
	})
	t.Logf("%d readings in %.0f s (%.0f a second), %d taken, refused %v; resident %.0f MB before, %.0f MB at most", sent, sec, float64(sent)/sec, taken, why, rest, peak)
	for w, n := range why {
		if w != sensors.ErrFlood.Error() {
			t.Errorf("%d readings are refused: %s", n, w)
		}
	}
	// At first what a radio kept is taken, then a yard's pace: an hour of it
	// must fit the memory of a small board.
	if hour := float64(taken-50_000) / sec * 3600; hour > 1e6 {
		t.Errorf("%.0f readings would be taken in an hour", hour)
	}
	if peak > 96 {
		t.Errorf("%.0f MB resident under the flood", peak)
	}
}

// deafPage opens the event stream and never reads from it.
func deafPage(t *testing.T, url string) net.Conn {
	t.Helper()
	addr := strings.TrimPrefix(url, "http://")
	conn, err := net.Dial("tcp", addr)
	testkit.OK(t, err)
	if c, ok := conn.(*net.TCPConn); ok {
		c.SetReadBuffer(4 << 10)
	}
	if _, err := fmt.Fprintf(conn, "GET /api/v1/events HTTP/1.1\r\nHost: %s\r\n\r\n", addr); err != nil {
		t.Fatal(err)
	}
	return conn
}

// A page that stops reading is dropped, and neither an evaluation nor the other page
// waits for it.
func TestFaultSlowPage(t *testing.T) {
	now := time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC)
	live := newLiveDaemon(t, t.TempDir(), now)
	c := 17.0
	live.Push([]web.PushReading{{Probe: "panel-1", TempC: &c}})
	live.Post("/api/v1/panels", map[string]any{"id": "lid", "probe": "panel-1", "core": "foam"})
	live.Post("/api/v1/coats", map[string]any{"id": "fill", "panel": "lid", "resin": "medium", "kind": "fill coat", "applied": now})
	testkit.OK(t, live.d.Evaluate(t.Context()))
	defer deafPage(t, live.URL).Close()
	quick, cancel := live.d.Subscribe()
	defer cancel()
	testkit.Until(t, "both pages to listen", func() bool { n, _ := live.d.hub.Stats(); return n == 2 })
	snap, published := live.d.snap.Load(), 0
	for dropped := uint64(0); dropped == 0 && published < 20_000; _, dropped = live.d.hub.Stats() {
		live.d.publish("snapshot", snap)
		published++
		if e, ok := <-quick; !ok || e.Name != "snapshot" {
			t.Fatalf("the quick page was dropped after %d events", published)
		}
	}
	if n, dropped := live.d.hub.Stats(); n != 1 || dropped != 1 {
		t.Errorf("after %d events %d pages are left and %d dropped, want one each", published, n, dropped)
	}
	if err := live.d.Evaluate(t.Context()); err != nil {
		t.Error(err)
	}
	t.Logf("dropped after %d events", published)
}

// Hours of the whole daemon on end, on its real intervals, in time that is
// not real: a coat every six hours, watched for three, its finger tests, the page open, a
// scrape a minute. Memory, goroutines and file handles are flat.
func TestFaultSoak(t *testing.T) {
	if testing.Short() {
		t.Skip("hours, though simulated ones")
	}
	hours := 4
	if campaign(0) > 0 {
		hours = 72
	}
	type use struct {
		heap                uint64
		goroutines, handles int
	}
	var us []use
	dir := "" // its growth is looked at too
	inBubble(t, configIn(t.TempDir()), true, func(b *bubble) {
		dir = b.d.cfg.Store.Path
		sim := shopsim.New(shopsim.Config{Seed: 5})
		page, cancel := b.d.Subscribe()
		defer cancel()
		events := 0
		go func() {
			for range page {
				events++
			}
		}()
		b.shed(sim, time.Minute)
		id := ""
		for h := range hours {
			switch h % 6 {
			case 3:
				b.Do("PATCH", "/api/v1/coats/"+id, map[string]any{"ended": b.d.Now()}, http.StatusOK)
			case 0: // on a panel of its own: what lies under another coat is followed for days
				panel := fmt.Sprintf("lid-%d", h)
				b.Post("/api/v1/panels", map[string]any{"id": panel, "probe": shopsim.Panel1, "air": shopsim.ShedAir, "core": "foam"})
				id = b.Post("/api/v1/coats", map[string]any{"panel": panel, "resin": "fast", "kind": "fill coat", "next": "coat", "applied": b.d.Now()})
			}
			for range 60 {
				b.shed(sim, time.Minute)
				b.Do("GET", "/metrics", nil, http.StatusOK)
			}
			if h%6 < 3 {
				b.Post("/api/v1/coats/"+id+"/feels", map[string]any{"state": "tacky"})
			}
			runtime.GC()
			runtime.GC() // of what pools hold too
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			fds, err := os.ReadDir("/proc/self/fd")
			testkit.OK(t, err)
			us = append(us, use{m.HeapAlloc, runtime.NumGoroutine(), len(fds)})
			if h%12 == 11 {
				t.Logf("%2d h: heap %.1f MB, %d goroutines, %d file handles", h+1, float64(m.HeapAlloc)/1e6, runtime.NumGoroutine(), len(fds))
			}
		}
		var late struct{ Late []string }
		if err := json.Unmarshal(b.Do("GET", "/readyz", nil, http.StatusOK), &late); err != nil || len(late.Late) > 0 {
			b.t.Errorf("late at the end: %v, %v", late, err)
		}
		synctest.Wait()
		if want := hours * 120; events < want {
			b.t.Errorf("the page saw %d events in %d hours, want at least %d", events, hours, want)
		}
	})
	// The first hours fill what is bounded, and an open coat weighs more than
	// none: the most of one stretch is held against the most of a later one.
	most := func(us []use) (m use) {
		for _, u := range us {
			m = use{max(m.heap, u.heap), max(m.goroutines, u.goroutines), max(m.handles, u.handles)}
		}
		return m
	}
	n := len(us)
	first, last := most(us[n/4:n/2]), most(us[n-n/4:])
	t.Logf("%d simulated hours: heap %.1f to %.1f MB, goroutines %d to %d, file handles %d to %d", hours,
		float64(first.heap)/1e6, float64(last.heap)/1e6, first.goroutines, last.goroutines, first.handles, last.handles)
	if last.goroutines > first.goroutines+2 || last.handles > first.handles+2 {
		t.Errorf("%+v grew to %+v", first, last)
	}
	// The record itself is kept in memory: some kB a coat.
	if last.heap > first.heap+2<<20 {
		t.Errorf("the heap grew from %d to %d bytes", first.heap, last.heap)
	}
	if fi, err := os.Stat(filepath.Join(dir, history.File)); err != nil || fi.Size() > 20<<20 {
		t.Errorf("the store: %v, %v", fi, err)
	}
}

// pipes is a network of one server, in memory.
type pipes struct {
	conns chan net.Conn
	done  chan struct{}
}

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.done:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error   { close(p.done); return nil }
func (p *pipes) Addr() net.Addr { return &net.TCPAddr{} }

func (p *pipes) dial(ctx context.Context, _, _ string) (net.Conn, error) {
	here, there := net.Pipe()
	select {
	case p.conns <- there:
		return here, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-p.done:
		return nil, net.ErrClosed
	}
}

// Whatever the daemon sends to is gone for days: a database, a web hook, an
// Alertmanager, a mail server. It says so, loses nothing, and when they are
// back sends what they missed; the mail server stays away.
func TestFaultServersGone(t *testing.T) {
	if testing.Short() {
		t.Skip("hours, though simulated ones")
	}
	hours := 1
	if campaign(0) > 0 {
		hours = 72
	}
	var up atomic.Bool
	var mu sync.Mutex
	points, hooks, prom, early := map[string]bool{}, 0, 0, 0
	srv := &http.Server{ErrorLog: slog.NewLogLogger(slog.DiscardHandler, slog.LevelError), Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !up.Load() {
			panic(http.ErrAbortHandler) // hung up on, without an answer
		}
		var body io.Reader = r.Body
		if r.Header.Get("Content-Encoding") == "gzip" {
			z, err := gzip.NewReader(r.Body)
			if err != nil {
				t.Error(err)
				return
			}
			body = z
		}
		b, err := io.ReadAll(body)
		if err != nil {
			t.Error(err)
		}
		mu.Lock()
		defer mu.Unlock()
		switch {
		case strings.HasPrefix(r.URL.Path, "/api/v2/write"):
			for _, l := range strings.Split(string(b), "\n") {
				if strings.Contains(l, "probe="+shopsim.Panel1) && strings.Contains(l, "temp") {
					points[l[strings.LastIndexByte(l, ' ')+1:]] = true
				}
			}
			w.WriteHeader(http.StatusNoContent)
		case strings.HasPrefix(r.URL.Path, "/api/v2/alerts"):
			prom++
		default:
			if bytes.Contains(b, []byte(alerts.CupOver)) {
				hooks++
			}
		}
	})}
	srv.SetKeepAlivesEnabled(false)
	free, _ := testkit.FreePort(t)
	nobody, _ := strconv.Atoi(free)

	cfg := configIn(t.TempDir())
	cfg.Influx = influx.Section{URL: "http://gone.test", Bucket: "shed"}
	cfg.Alert.Channels = []alerts.ChannelConfig{
		{Name: "hook", Kind: alerts.KindWebhook, URL: "http://gone.test/hook"},
		{Name: "prom", Kind: alerts.KindAlertmanager, URL: "http://gone.test"},
		{Name: "post", Kind: alerts.KindMail, Host: "127.0.0.1", Port: nobody, TLS: "none", From: "shed@example.org", To: []string{"crew@example.org"}},
	}
	// A real connection stands still while simulated time should go on: these are pipes.
	real := http.DefaultTransport
	defer func() { http.DefaultTransport = real }()
	var lines pipes // made in the bubble
	tr := real.(*http.Transport).Clone()
	tr.DialContext = lines.dial
	http.DefaultTransport = tr
	inBubble(t, cfg, true, func(b *bubble) {
		lines.conns, lines.done = make(chan net.Conn), make(chan struct{})
		go srv.Serve(&lines)
		defer srv.Close()
		sim := shopsim.New(shopsim.Config{Seed: 7})
		b.shed(sim, time.Minute)
		b.Post("/api/v1/panels", map[string]any{"id": "lid", "probe": shopsim.Panel1, "air": shopsim.ShedAir, "core": "foam"})
		b.Post("/api/v1/coats", map[string]any{"id": "fill", "panel": "lid", "resin": "slow", "kind": "fill coat", "applied": b.d.Now()})
		for h := range hours {
			if h%6 == 0 {
				b.Post("/api/v1/batches", map[string]any{"id": fmt.Sprintf("cup-%d", h), "resin": "fast", "resin_g": 200, "hardener_g": 50, "mixed": b.d.Now()})
			}
			b.shed(sim, time.Hour)
		}
		var snap web.Snapshot
		testkit.OK(b.t, json.Unmarshal(b.Do("GET", "/api/v1/snapshot", nil, http.StatusOK), &snap))
		rules := map[string]int{}
		for _, a := range snap.Alerts {
			if a.State == alerts.Firing {
				rules[a.Rule]++
			}
		}
		if rules[alerts.ChannelDown] < 3 || rules[alerts.SenderBehind] == 0 {
			b.t.Errorf("with everything gone these fire: %v, want three channels and the sender", rules)
		}
		st := b.d.post.Stats()
		b.t.Logf("after %d h without servers: %d, %d and %d messages wait", hours, st["hook"].Queued, st["prom"].Queued, st["post"].Queued)
		mu.Lock()
		early = len(points) + hooks + prom
		mu.Unlock()
		up.Store(true)
		b.shed(sim, time.Hour)
		want := 0
		for r, err := range b.d.store.Readings(shopsim.Panel1, time.Time{}, b.d.Now().Add(-5*time.Minute)) {
			if err != nil {
				b.t.Error(err)
			}
			_ = r
			want++
		}
		mu.Lock()
		defer mu.Unlock()
		if early != 0 {
			b.t.Errorf("%d came through while it was down", early)
		}
		if len(points) < want {
			b.t.Errorf("the database has %d readings of the panel, the store %d", len(points), want)
		}
		if st := b.d.post.Stats(); hooks == 0 || prom == 0 || st["hook"].Queued != 0 || st["prom"].Queued != 0 {
			b.t.Errorf("an hour after they are back: %d and %d messages came, %+v", hooks, prom, st)
		}
		b.t.Logf("back for an hour: %d readings of the panel in the database, %d stored; %d messages about cups", len(points), want, hooks)
	})
}

// A part that ends by itself is an error and stops the others, also where it
// ends with the error of a context that is not theirs.
func TestRunAllSaysWhichPartDied(t *testing.T) {
	waits := Part{"waits", func(ctx context.Context) error { <-ctx.Done(); return ctx.Err() }}
	for name, err := range map[string]error{"without an error": nil, "of a context of its own": context.Canceled, "of a fault": io.ErrUnexpectedEOF} {
		dies := Part{"dies", func(context.Context) error { return err }}
		if got := runAll(t.Context(), testkit.NoLog(), waits, dies); got == nil || !strings.Contains(got.Error(), "dies") || strings.Contains(got.Error(), "waits") {
			t.Errorf("a part dies %s: %v", name, got)
		}
	}
	// A new start that was asked for, by a restore, is no fault in the log.
	log := &testkit.Buffer{}
	again := Part{"restart", func(context.Context) error { return errRestart }}
	if got := runAll(t.Context(), slog.New(slog.NewTextHandler(log, nil)), waits, again); !errors.Is(got, errRestart) || strings.Contains(log.String(), "ERROR") {
		t.Errorf("a new start: %v, log %q", got, log.String())
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if got := runAll(ctx, testkit.NoLog(), waits); got != nil {
		t.Errorf("an orderly stop: %v", got)
	}
}

// What was set is shown at once, not with the next evaluation.
func TestSnapshotHasTheSettingsOfNow(t *testing.T) {
	live := newLiveDaemon(t, t.TempDir(), time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC))
	testkit.OK(t, live.d.Evaluate(t.Context()))
	live.Do("PUT", "/api/v1/settings", map[string]any{"shop_name": "Boathouse", "units": "us"}, http.StatusOK)
	s, err := live.d.Snapshot(t.Context())
	if err != nil || s.Settings.ShopName != "Boathouse" || s.Settings.Units != "us" {
		t.Errorf("%+v, %v", s.Settings, err)
	}
}
