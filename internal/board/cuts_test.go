// SPDX-License-Identifier: Apache-2.0

package board

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"curewright/dashboards/client"
	"curewright/dashboards/web"
	"curewright/internal/realpart"
	"curewright/model/coat"
)

const shortCuts = 5

// cuts is how many power cuts are asked for.
func cuts() int {
	if n, err := strconv.Atoi(os.Getenv("CUREWRIGHT_CUTS")); err == nil && n > 0 {
		return n
	}
	return shortCuts
}

// rounds is how often each way of the heater's is tried.
func rounds() int {
	if n, err := strconv.Atoi(os.Getenv("CUREWRIGHT_ROUNDS")); err == nil && n > 0 {
		return n
	}
	return 1
}

const cutsConfig = `[store]
path = "/mnt/store"
[web]
listen = "0.0.0.0:8374"
`

// virt are the arguments of QEMU's virt board with a disk and a network; the
// page is at the returned address. rtc is what its clock chip says at the
// start.
func virt(t *testing.T, p parts, initrd, sock, rtc string) (args []string, url string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	port := l.Addr().(*net.TCPAddr).Port
	l.Close()
	return []string{"-M", "virt", "-cpu", "cortex-a15", "-smp", "1", "-m", "512", "-rtc", "base=" + rtc,
		"-kernel", filepath.Join(p.dir, "armhf/boot/vmlinuz-"+p.release), "-initrd", initrd,
		"-append", "console=ttyAMA0 rdinit=/init quiet loglevel=1",
		"-blockdev", "driver=nbd,node-name=disk,server.type=unix,server.path=" + sock,
		"-device", "virtio-blk-device,drive=disk,write-cache=on",
		"-netdev", fmt.Sprintf("user,id=net,restrict=on,hostfwd=tcp:127.0.0.1:%d-10.0.2.15:8374", port),
		"-device", "virtio-net-device,netdev=net"}, fmt.Sprintf("http://127.0.0.1:%d", port)
}

// mkfs makes an ext4 file system of the disk.
func mkfs(t *testing.T, d *disk) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "img")
	if err := os.WriteFile(file, d.medium, 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(realpart.Program(t, "mkfs.ext4"), "-q", "-F", file).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	copy(d.medium, b)
}

// fsck looks at the medium of a disk that was unmounted in order.
func fsck(t *testing.T, d *disk) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "img")
	if err := os.WriteFile(file, d.medium, 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(realpart.Program(t, "e2fsck"), "-fn", file).CombinedOutput(); err != nil {
		t.Errorf("e2fsck: %v: %s", err, out)
	}
}

// acked is what the board answered that it has.
type acked struct {
	mu       sync.Mutex
	feels    map[string]string // id: coat
	coats    map[string]string // id: kind of resin
	readings []ackedReading
	oldest   time.Duration // of the readings that were lost
	shift    time.Duration // of the board's date from the host's: an hour and more a round, so that hours are packed
}

func (a *acked) now() time.Time { return time.Now().Add(a.shift) }

type ackedReading struct {
	at       time.Time // of the reading, to the millisecond
	c        float64
	answered time.Time
	age      time.Duration // at the first cut after it
	known    bool          // it was there after a cut
}

// Power cuts under load. The board is shot at a random moment; its disk forgets
// what the board had not flushed, or keeps any part of it. Afterwards ext4
// mounts by itself, the program starts by itself, everything that was
// acknowledged is there, and of readings only those of the last seconds may be
// missing.
//
// So that a cut costs seconds, the kernel is booted once: each cut begins with
// the memory of a board that has just booted and not yet seen its disk.
func TestPowerCuts(t *testing.T) {
	p := fetch(t)
	d := newDisk(96 << 20)
	mkfs(t, d)
	sock := d.serve(t)
	mods := p.modules(t, "virtio_mmio", "virtio_net", "crc32c_generic", "ext4")
	late := p.modules(t, "virtio_blk")
	files := map[string]string{"etc/curewright.toml": cutsConfig}
	for i, m := range late {
		b, err := os.ReadFile(m)
		if err != nil {
			t.Fatal(err)
		}
		files[fmt.Sprintf("mod/late%d.ko", i)] = string(b)
	}
	initrd := p.initramfs(t, mods, files)
	began := time.Now()
	// The clock chip of the first scene says a date that nobody set.
	args, _ := virt(t, p, initrd, sock, "2027-01-25T10:00:00")
	g := boot(t, 1, args...)
	g.expect(`BOOTED\n`)
	t.Logf("booted in %v", time.Since(began).Round(time.Second))
	out, _ := g.sh("cat /sys/class/rtc/rtc0/hctosys; curewright doctor --json --data /tmp/none 2>&1 | grep -A3 'area.*clock'")
	if !strings.HasPrefix(out, "1") || !strings.Contains(out, "2027") || !strings.Contains(out, "never seen right") || strings.Contains(out, `"good"`) {
		t.Errorf("a clock chip that nobody set: %s", out)
	}
	state := filepath.Join(t.TempDir(), "state")
	g.qmp("stop", nil)
	g.qmp("migrate", map[string]any{"uri": "exec:cat >" + state})
	for done := regexp.MustCompile(`"status": ?"completed"`); !done.MatchString(g.qmp("query-migrate", nil)); time.Sleep(100 * time.Millisecond) {
	}
	g.kill()

	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 17))
	have := &acked{feels: map[string]string{}, coats: map[string]string{}}
	token := ""
	lostBlocks, lostReadings, looked := 0, 0, 0
	for n := range cuts() + 1 {
		have.shift = time.Duration(n) * 70 * time.Minute
		args, url := virt(t, p, initrd, sock, "2027-01-25T10:00:00")
		g := boot(t, 1, append(args, "-incoming", "exec:cat "+state)...)
		for !strings.Contains(g.qmp("query-status", nil), `"paused"`) {
			time.Sleep(50 * time.Millisecond)
		}
		g.qmp("cont", nil)
		// Another boot to the program, of the host's time.
		g.must("date -u -s @%d >/dev/null; echo %08x-0000-4000-8000-000000000000 >/tmp/boot; mount -o bind /tmp/boot /proc/sys/kernel/random/boot_id", have.now().Unix(), n+1)
		for i := range late {
			g.must("insmod /mod/late%d.ko", i)
		}
		g.must("until [ -b /dev/vda ]; do sleep 1; done; mount -t ext4 /dev/vda /mnt")
		g.must("ip addr add 10.0.2.15/24 dev eth0; ip link set eth0 up")
		g.must("curewright watch --config /etc/curewright.toml >/tmp/out 2>/tmp/err & true")
		ctx, stop := context.WithCancel(t.Context())
		if token == "" {
			g.must("for i in $(seq 60); do curewright pair --role record --name host --no-qr --server http://127.0.0.1:8374 >/tmp/pair 2>&1 && break; sleep 1; done")
			code := regexp.MustCompile(`Code\s+(\S+)`).FindStringSubmatch(g.must("cat /tmp/pair"))
			if code == nil {
				t.Fatal(g.must("cat /tmp/pair /tmp/err"))
			}
			c, err := client.New(url, "")
			if err != nil {
				t.Fatal(err)
			}
			paired, err := c.Pair(ctx, code[1], "host")
			if err != nil {
				t.Fatal(err)
			}
			token = paired.Token
		}
		c, err := client.New(url, "")
		if err != nil {
			t.Fatal(err)
		}
		c.SetToken(token)
		end := time.Now().Add(slack)
		for {
			_, err := c.Ready(ctx)
			if err == nil {
				break
			}
			if time.Now().After(end) {
				log, _ := g.sh("cat /tmp/err; dmesg | tail -5")
				t.Fatalf("cut %d: the program does not come up by itself: %v\n%s", n, err, log)
			}
			time.Sleep(200 * time.Millisecond)
		}
		if err := patient(func() error { _, err := c.TrustClock(ctx, have.now(), ""); return err }); err != nil {
			t.Fatalf("cut %d: clock: %v", n, err)
		}
		if out, _ := g.sh("dmesg | grep -i 'ext4.*error'"); out != "" {
			t.Errorf("cut %d: %s", n, out)
		}
		l, k := have.check(t, ctx, c, n)
		lostReadings, looked = lostReadings+l, looked+k
		if n%10 == 0 && n > 0 {
			t.Logf("%d cuts, %v: %d looked for, %d readings lost, the oldest %v old, %d blocks forgotten", n, time.Since(began).Round(time.Second), looked, lostReadings, have.oldest.Round(100*time.Millisecond), lostBlocks)
		}
		if n == cuts() {
			g.must("kill $(pidof curewright); while pidof curewright >/dev/null; do sleep 1; done; umount /mnt; sync")
			stop()
			g.kill()
			break
		}
		wg := have.load(t, ctx, c, n)
		if n%2 == 1 {
			g.must("rm -f /mnt/copy*; for i in $(seq 20); do curewright backup /mnt/copy0 && break; done; [ -s /mnt/copy0 ]")
			g.must("(i=1; while true; do curewright backup /mnt/copy$i; i=$((i+1)); done) >/dev/null 2>&1 & true")
		}
		live := time.Second + time.Duration(rng.ExpFloat64()*float64(3*time.Second))
		if n%10 == 5 { // long enough for readings to be promised
			live += 15 * time.Second
		}
		time.Sleep(live)
		g.cmd.Process.Kill()
		<-g.ended
		have.mu.Lock()
		cutAt := time.Now()
		have.mu.Unlock()
		lostBlocks += d.cut(rng)
		stop()
		wg.Wait()
		g.kill()
		d.power()
		have.seal(cutAt)
	}
	fsck(t, d)
	t.Logf("%d cuts in %v: %d entries and readings looked for, none of those promised missing; %d readings lost, the oldest %v old; %d blocks of %d not flushed were forgotten (%d writes, %d flushes)",
		cuts(), time.Since(began).Round(time.Second), looked, lostReadings, have.oldest.Round(100*time.Millisecond), lostBlocks, blockSize, d.writes, d.flushes)
}

// load enters coats, finger tests and readings until the board is gone.
func (a *acked) load(t *testing.T, ctx context.Context, c *client.Client, round int) *sync.WaitGroup {
	t.Helper()
	if round == 0 {
		if err := patient(func() error {
			_, err := c.AddPanel(ctx, coat.Panel{ID: "lid", Probe: "panel-1", Core: "foam"})
			return err
		}); err != nil {
			t.Fatal(err)
		}
	}
	var wg sync.WaitGroup
	// A request must not wait for a board that is gone.
	ctx, stop := context.WithTimeout(ctx, time.Minute)
	wg.Go(func() {
		defer stop()
		for n := 0; ctx.Err() == nil; n++ {
			id, err := c.StartCoat(ctx, coat.Coat{Panel: "lid", Resin: "fast", Kind: coat.FillCoat, Applied: a.now().Add(-time.Minute)})
			if err != nil {
				return
			}
			a.mu.Lock()
			a.coats[id] = "fast"
			a.mu.Unlock()
			for range 5 {
				f, err := c.Feel(ctx, id, coat.Wet, a.now())
				if err != nil {
					return
				}
				a.mu.Lock()
				a.feels[f] = id
				a.mu.Unlock()
			}
			if err := c.EndCoat(ctx, id, a.now()); err != nil {
				return
			}
		}
	})
	wg.Go(func() {
		for n := 0; ctx.Err() == nil; n++ {
			at := a.now().Truncate(time.Millisecond)
			v := 18 + float64(n%8)/4
			if _, err := c.Push(ctx, []web.PushReading{{Probe: "panel-1", Time: &at, TempC: &v}}); err != nil {
				return
			}
			a.mu.Lock()
			a.readings = append(a.readings, ackedReading{at: at, c: v, answered: time.Now()})
			a.mu.Unlock()
			select {
			case <-ctx.Done():
			case <-time.After(250 * time.Millisecond):
			}
		}
	})
	return &wg
}

// patient asks again where an emulated board that others slow down does not
// answer within the client's deadline.
func patient(f func() error) (err error) {
	for range 10 {
		if err = f(); err == nil || !errors.Is(err, context.DeadlineExceeded) && !strings.Contains(err.Error(), "deadline") {
			return err
		}
	}
	return err
}

// atRisk is how young a reading may be that a cut loses: ten seconds by the
// promise, and as much again twice over for a processor that is emulated on a
// machine with other work. The oldest one lost is logged; beside other tests,
// where a guest may stand for longer than that, it is logged only.
const atRisk = 30 * time.Second

// seal notes how old the readings were at their first cut.
func (a *acked) seal(cut time.Time) {
	for i := range a.readings {
		r := &a.readings[i]
		if r.age == 0 {
			r.age = cut.Sub(r.answered)
		}
	}
}

// check looks for everything.
func (a *acked) check(t *testing.T, ctx context.Context, c *client.Client, cut int) (lost, looked int) {
	t.Helper()
	for id, of := range a.feels {
		var f struct{ Record struct{ Coat string } }
		if err := patient(func() error { return c.Recorded(ctx, "feels", id, &f) }); err != nil || f.Record.Coat != of {
			t.Errorf("after cut %d: finger test %s of %s was acknowledged: %+v, %v", cut, id, of, f, err)
		}
		looked++
	}
	for id, resin := range a.coats {
		var x web.CoatView
		if err := patient(func() (err error) { x, err = c.Coat(ctx, id); return err }); err != nil || x.ID != id || x.Resin != resin {
			t.Errorf("after cut %d: coat %s of %s was acknowledged: %s, %v", cut, id, resin, x.Resin, err)
		}
		looked++
	}
	// All of the earlier rounds' are looked for once; a record is immutable, and
	// asking for each of thousands again would take an emulated board minutes.
	a.feels, a.coats = map[string]string{}, map[string]string{}
	if len(a.readings) == 0 {
		return 0, looked
	}
	got := map[int64]float64{}
	if err := patient(func() error {
		for r, err := range c.Readings(ctx, "panel-1", a.readings[0].at.Add(-time.Second), a.now().Add(time.Minute)) {
			if err != nil {
				return err
			}
			x, _ := r.Temp.Get()
			got[r.At.UnixMilli()] = x
		}
		return nil
	}); err != nil {
		t.Errorf("after cut %d: readings: %v", cut, err)
	}
	kept := a.readings[:0]
	for _, r := range a.readings {
		looked++
		x, ok := got[r.at.UnixMilli()]
		switch {
		case ok && x != r.c:
			t.Errorf("after cut %d: reading of %v is %g, was %g", cut, r.at, x, r.c)
		case !ok:
			if r.known || whole() && r.age > atRisk {
				t.Errorf("after cut %d: a reading is gone that was answered %v before a cut, seen before: %v", cut, r.age, r.known)
			}
			a.oldest = max(a.oldest, r.age)
			lost++
			continue
		}
		r.known = true
		kept = append(kept, r)
	}
	a.readings = kept
	return lost, looked
}
