// SPDX-License-Identifier: Apache-2.0

package board

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"curewright/dashboards/client"
	"curewright/dashboards/web"
	"curewright/history"
	"curewright/internal/realpart"
	"curewright/internal/testkit"
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

var cutsConfig = kept("/mnt/store")

// virt are the arguments of QEMU's virt board with a disk and a network; the
// page is at the returned address. rtc is what its clock chip says at the
// start.
func virt(t *testing.T, p parts, initrd, sock, rtc string, sector int64) (args []string, url string) {
	t.Helper()
	hostfwd, url := forward(t)
	return []string{"-M", "virt", "-cpu", "cortex-a15", "-smp", "1", "-m", "512", "-rtc", "clock=vm,base=" + rtc,
		"-kernel", filepath.Join(p.dir, "armhf/boot/vmlinuz-"+p.release), "-initrd", initrd,
		"-append", "console=ttyAMA0 rdinit=/init quiet loglevel=1",
		"-blockdev", "driver=nbd,node-name=disk,server.type=unix,server.path=" + sock,
		"-device", fmt.Sprintf("virtio-blk-device,drive=disk,write-cache=on,logical_block_size=%d,physical_block_size=%d", sector, sector),
		"-netdev", "user,id=net,restrict=on," + hostfwd,
		"-device", "virtio-net-device,netdev=net"}, url
}

// mkfs makes an ext4 file system of the disk.
func mkfs(t *testing.T, d *disk) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "img")
	testkit.OK(t, os.WriteFile(file, d.medium, 0o600))
	if out, err := exec.Command(realpart.Program(t, "mkfs.ext4"), "-q", "-F", "-b", strconv.Itoa(blockSize), file).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	b := testkit.MustRead(t, file)
	copy(d.medium, b)
}

// fsck looks at the medium of a disk that was unmounted in order.
func fsck(t *testing.T, d *disk) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "img")
	testkit.OK(t, os.WriteFile(file, d.medium, 0o600))
	if out, err := exec.Command(realpart.Program(t, "e2fsck"), "-fn", file).CombinedOutput(); err != nil {
		t.Errorf("e2fsck: %v: %s", err, out)
	}
}

// acked is what the board answered that it has.
type acked struct {
	mu       sync.Mutex
	feels    map[string]string // id: coat
	coats    map[string]string // id: resin
	newest   map[string]string // id: kind of record, of the last round
	readings []ackedReading
	shift    time.Duration // of the board's date from the host's: an hour and more a round, so that hours are packed

	told   time.Time // the date that the board was told last, and its own seconds then
	toldAt float64
}

func (a *acked) now() time.Time { return time.Now().Add(a.shift) }

// date is the board's: a busy host's minute may be its second, and readings from
// minutes ahead are refused.
func (a *acked) date(g *guest) time.Time {
	return a.told.Add(time.Duration(float64(g.last.Load())-a.toldAt) * time.Second)
}

type ackedReading struct {
	at       time.Time // of the reading, to the millisecond
	c        float64
	answered float64 // the board's seconds when it said that it has it
	age      float64 // s of the board's at the first cut after it, -1 before
	known    bool    // it was there after a cut
}

// Power cuts under load. The board is shot at a random moment or at a random
// write; its disk forgets what the board had not flushed, or keeps any part of
// it. Afterwards ext4 mounts by itself, the program starts by itself,
// everything that was acknowledged is there, and of readings only those of the
// last seconds may be missing.
//
// So that a cut costs seconds, the kernel is booted once: each cut begins with
// the memory of a board that has just booted and not yet seen its disk, not
// even loaded the disk's driver.
func TestPowerCuts(t *testing.T) {
	c := newCutter(t)
	for n := range cuts() {
		if n > 0 && n%life == 0 {
			c.last(n)
			t.Log(c.sums(n))
			c.fresh()
		}
		c.round(n)
	}
	c.last(cuts())
	t.Log(c.sums(cuts()))
	if whole() && c.promised == 0 {
		t.Error("no reading had grown old enough for the promise")
	}
	if whole() && c.packed == 0 {
		t.Error("nothing was packed meanwhile")
	}
}

// life is how many cuts a store goes through before the next begins on an empty
// disk: an emulated board takes minutes to think about hundreds of coats.
const life = 10

// cutter is a board whose plug is pulled again and again.
type cutter struct {
	t                    *testing.T
	p                    parts
	d                    *disk
	sock, initrd         string
	state                string // the memory of the board that has just booted
	rng                  *rand.Rand
	have                 *acked
	token                string
	began                time.Time
	upgrades, upgradeCut int // starts with an upgrade of the schema, those that were cut before it was over
	blocks, lost, looked int
	packed               int     // hours, in all stores
	promised             int     // readings that a cut had to leave
	oldest               float64 // s of the board's, of the readings that were lost
}

const bootedAt = "2027-01-25T10:00:00"

func newCutter(t *testing.T) *cutter {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	c := &cutter{t: t, p: fetch(t), d: newDisk(96 << 20), began: time.Now(), rng: rand.New(rand.NewPCG(seed, 17))}
	c.fresh()
	c.sock = c.d.serve(t)
	files := map[string]string{"etc/curewright.toml": cutsConfig}
	take := func(name, from string) {
		b := testkit.MustRead(t, from)
		files[name] = string(b)
	}
	for i, m := range c.p.modules(t, "virtio_blk") {
		take(fmt.Sprintf("mod/late%d.ko", i), m)
	}
	if whole() {
		for name, args := range map[string][]string{
			"history.test": {"test", "-c", "-o", "", "../../history"},
			"vouch":        {"build", "-o", "", "./testdata/vouch"},
		} {
			out := filepath.Join(t.TempDir(), name)
			args[slices.Index(args, "")] = out
			if said, err := c.p.forBoard(args...).CombinedOutput(); err != nil {
				t.Fatalf("%v: %s", err, said)
			}
			take("bin/"+name, out)
		}
	}
	c.initrd = c.p.initramfs(t, c.p.modules(t, "virtio_mmio", "virtio_net", "crc32c_generic", "ext4"), files)
	// The clock chip says a date that nobody set.
	args, _ := virt(t, c.p, c.initrd, c.sock, bootedAt, blockSize)
	g := boot(t, 1, byInstructions(args)...)
	g.expect(`BOOTED\n`)
	t.Logf("booted in %v", time.Since(c.began).Round(time.Second))
	out, _ := g.sh("cat /sys/class/rtc/rtc0/hctosys; curewright doctor --json --data /tmp/none 2>&1 | grep -A3 'area.*clock'")
	if !strings.HasPrefix(out, "1") || !strings.Contains(out, "2027") || !strings.Contains(out, "never seen right") || strings.Contains(out, `"good"`) {
		t.Errorf("a clock chip that nobody set: %s", out)
	}
	c.state = g.save()
	return c
}

// fresh begins with an empty disk.
func (c *cutter) fresh() {
	clear(c.d.medium)
	mkfs(c.t, c.d)
	c.token = ""
	c.have = &acked{feels: map[string]string{}, coats: map[string]string{}, newest: map[string]string{}}
}

func (c *cutter) sums(n int) string {
	return fmt.Sprintf("%d cuts in %v: %d entries and readings looked for; %d readings were older than the promise and %d lost, the oldest %g s of the board's old; %d hours packed; %d starts with an upgrade, %d of them cut within; %d blocks of %d not flushed were forgotten (%d writes, %d flushes)",
		n, time.Since(c.began).Round(time.Second), c.looked, c.promised, c.lost, c.oldest, c.packed, c.upgrades, c.upgradeCut, c.blocks, blockSize, c.d.writes, c.d.flushes)
}

// on puts the board on and mounts its disk.
func (c *cutter) on(n int) (g *guest, url string) {
	c.have.shift = time.Duration(n) * 70 * time.Minute
	args, url := virt(c.t, c.p, c.initrd, c.sock, bootedAt, blockSize)
	g = resume(c.t, 1, c.state, byInstructions(args)...)
	// Another boot to the program, of the host's time.
	g.must("date -u -s @%d >/dev/null; echo %08x-0000-4000-8000-000000000000 >/tmp/boot; mount -o bind /tmp/boot /proc/sys/kernel/random/boot_id", c.have.now().Unix(), n+1)
	g.must("for m in /mod/late*.ko; do insmod $m || exit 1; done; until [ -b /dev/vda ]; do sleep 1; done; mount -t ext4 /dev/vda /mnt")
	if out, _ := g.sh("dmesg | grep -i 'ext4.*error' | grep -v 'fs with errors'"); out != "" {
		c.t.Errorf("before cut %d: %s", n, out)
	}
	g.must("ip addr add 10.0.2.15/24 dev eth0; ip link set eth0 up")
	return g, url
}

const start = "curewright watch --config /etc/curewright.toml >/tmp/out 2>/tmp/err & true"

// up starts the program, waits until it answers, and tells it the time.
func (c *cutter) up(ctx context.Context, n int, g *guest, url string) *client.Client {
	c.t.Helper()
	api := c.ready(ctx, n, g, url)
	if err := patient(func() error {
		now := c.have.now()
		c.have.told, c.have.toldAt = now, g.seconds()
		_, err := api.TrustClock(ctx, now, "")
		if e, ok := errors.AsType[*client.Error](err); ok && e.Confirm != "" { // the person says yes
			_, err = api.TrustClock(ctx, now, e.Confirm)
		}
		return err
	}); err != nil {
		c.t.Fatalf("before cut %d: clock: %v", n, err)
	}
	return api
}

func (c *cutter) ready(ctx context.Context, n int, g *guest, url string) *client.Client {
	c.t.Helper()
	g.must(start)
	api, err := client.New(url, "")
	testkit.OK(c.t, err)
	if c.token == "" {
		c.token = pair(c.t, g, url, "control") // who may have a copy
	}
	api.SetToken(c.token)
	for end := time.Now().Add(slack); ; time.Sleep(100 * time.Millisecond) {
		_, err := api.Ready(ctx)
		if err == nil {
			return api
		}
		if time.Now().After(end) {
			log, _ := g.sh("cat /tmp/err; dmesg | tail -5")
			c.t.Fatalf("before cut %d: the program does not come up by itself: %v\n%s", n, err, log)
		}
	}
}

// round is the board put on, looked over, laden and cut.
func (c *cutter) round(n int) {
	g, url := c.on(n)
	ctx, stop := context.WithCancel(c.t.Context())
	defer stop()
	if whole() && n%5 == 3 {
		c.cutUpgrade(n, g)
		return
	}
	api := c.up(ctx, n, g, url)
	c.have.check(c, ctx, api, n)
	// In every third round the power goes at a write and not at a moment.
	sprung := make(<-chan struct{})
	if n%3 == 1 {
		sprung = c.d.trap(1 + c.rng.IntN(150))
	}
	began := g.seconds()
	wg := c.have.load(c.t, ctx, api, g, n)
	live := 1 + c.rng.ExpFloat64()*3
	if n%life == 5 || n%life == 6 { // long enough for readings to be promised, with copies and without
		live += 12
	}
	if !whole() { // too short for a reading to be promised, whatever else runs here
		live = min(live, 8)
	}
	for g.seconds()-began < live {
		select {
		case <-sprung:
			live = 0
		case <-time.After(20 * time.Millisecond):
		}
	}
	c.cut(g)
	stop()
	wg.Wait()
	if testing.Verbose() && n%5 == 4 {
		c.t.Log(c.sums(n + 1))
	}
	c.have.seal(float64(g.last.Load()))
}

// cut pulls the plug.
func (c *cutter) cut(g *guest) {
	g.seconds()
	g.kill()
	c.blocks += c.d.cut(c.rng)
	c.d.power()
}

// cutUpgrade has the store be one of the first schema and cuts within the start
// that upgrades it. How many writes that takes was seen in a first one that ran
// to its end.
func (c *cutter) cutUpgrade(n int, g *guest) {
	g.must("CUREWRIGHT_FIRST_SCHEMA=/mnt/store history.test -test.run '^TestFirstSchema$' >/tmp/first 2>&1 || { cat /tmp/first; false; }; sync")
	c.upgrades++
	sprung := c.d.trap(1 + c.rng.IntN(30))
	g.must(start)
	select {
	case <-sprung:
		c.upgradeCut++
	case <-time.After(30 * time.Second):
		// It started and has not that much to write.
	}
	c.cut(g)
}

// last looks for all that was ever acknowledged and stops the board in order.
func (c *cutter) last(n int) {
	ctx := c.t.Context()
	g, url := c.on(n)
	api := c.up(ctx, n, g, url)
	packs := c.have.check(c, ctx, api, n)
	c.packed += packs
	g.must("kill $(pidof curewright); while pidof curewright >/dev/null; do sleep 1; done; umount /mnt; sync")
	g.kill()
	fsck(c.t, c.d)
}

// load enters coats, finger tests and readings until the board is gone.
func (a *acked) load(t *testing.T, ctx context.Context, c *client.Client, g *guest, round int) *sync.WaitGroup {
	t.Helper()
	if round%life == 0 {
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
			id, err := c.StartCoat(ctx, coat.Coat{Panel: "lid", Resin: "fast", Kind: coat.FillCoat, Applied: a.date(g).Add(-time.Minute)})
			if err != nil {
				return
			}
			a.mu.Lock()
			a.coats[id] = "fast"
			a.newest[id] = "coats"
			a.mu.Unlock()
			for range 30 {
				f, err := c.Feel(ctx, id, coat.Wet, a.date(g))
				if err != nil {
					return
				}
				a.mu.Lock()
				a.feels[f] = id
				a.newest[f] = "feels"
				a.mu.Unlock()
				select { // no hand is faster
				case <-ctx.Done():
				case <-time.After(200 * time.Millisecond):
				}
			}
			if err := c.EndCoat(ctx, id, a.date(g)); err != nil {
				return
			}
		}
	})
	wg.Go(func() {
		var at time.Time
		for n := 0; ctx.Err() == nil; n++ {
			if at = at.Add(time.Millisecond); at.Before(a.date(g)) {
				at = a.date(g).Truncate(time.Millisecond)
			}
			// Up and down in steps that a panel can make: a jump would be refused.
			v := 18 + math.Abs(float64(n%16)-8)/4
			p, err := c.Push(ctx, []web.PushReading{{Probe: "panel-1", Time: &at, TempC: &v}})
			if err != nil {
				return
			}
			if p.Taken != 1 {
				t.Errorf("in round %d a reading is refused: %+v", round, p.Refused)
				return
			}
			a.mu.Lock()
			a.readings = append(a.readings, ackedReading{at: at, c: v, answered: float64(g.last.Load()), age: -1})
			a.mu.Unlock()
			select {
			case <-ctx.Done():
			case <-time.After(250 * time.Millisecond):
			}
		}
	})
	if round%2 == 1 {
		wg.Go(func() { // a copy, again and again
			for c.Backup(ctx, io.Discard) == nil {
				select {
				case <-ctx.Done():
				case <-time.After(250 * time.Millisecond):
				}
			}
		})
	}
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

// atRisk is how many seconds of the board's a reading may be old that a cut
// loses: ten by the promise, and two since its clock is read to the second.
const atRisk = 12

// seal notes how old the readings were at their first cut.
func (a *acked) seal(cut float64) {
	for i := range a.readings {
		if r := &a.readings[i]; r.age < 0 {
			r.age = cut - r.answered
		}
	}
}

// check looks for everything that was ever acknowledged, in the copy of its
// store that the program hands out, and for the last round's work by asking
// for it. It returns how many hours of readings were packed.
func (a *acked) check(cu *cutter, ctx context.Context, c *client.Client, cut int) (packs int) {
	t := cu.t
	t.Helper()
	dir := t.TempDir()
	defer os.RemoveAll(dir)
	file := filepath.Join(dir, history.File)
	if err := patient(func() error {
		f, err := os.Create(file)
		if err != nil {
			return err
		}
		return errors.Join(c.Backup(ctx, f), f.Close())
	}); err != nil {
		t.Fatalf("after cut %d: copy: %v", cut, err)
	}
	copied, err := history.OpenReadOnly(dir)
	if err != nil {
		t.Fatalf("after cut %d: copy: %v", cut, err)
	}
	defer copied.Close()
	look := func(kind, id string, ok func(b json.RawMessage) bool) {
		cu.looked++
		if b, _, found := copied.Record(kind, id); !found || !ok(b) {
			t.Errorf("after cut %d: %s %s was acknowledged: %s", cut, kind, id, b)
		}
	}
	for id, of := range a.feels {
		look("feel", id, func(b json.RawMessage) bool {
			var f coat.Feel
			return json.Unmarshal(b, &f) == nil && f.Coat == of
		})
	}
	for id, resin := range a.coats {
		look("coat", id, func(b json.RawMessage) bool {
			var x coat.Coat
			return json.Unmarshal(b, &x) == nil && x.Resin == resin
		})
	}
	asked := 0
	for id, kinds := range a.newest {
		if asked++; asked > 5 {
			break
		}
		var r struct{ Record struct{ ID string } }
		if err := patient(func() error { return c.Recorded(ctx, kinds, id, &r) }); err != nil || r.Record.ID != id {
			t.Errorf("after cut %d: %s %s was acknowledged: %+v, %v", cut, kinds, id, r, err)
		}
	}
	a.newest = map[string]string{}
	got := map[int64]float64{}
	for r, err := range copied.Readings("panel-1", time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatalf("after cut %d: readings: %v", cut, err)
		}
		x, _ := r.Temp.Get()
		got[r.At.UnixMilli()] = x
	}
	kept := a.readings[:0]
	for _, r := range a.readings {
		cu.looked++
		if !r.known && r.age > atRisk {
			cu.promised++
		}
		x, ok := got[r.at.UnixMilli()]
		switch {
		case ok && x != r.c:
			t.Errorf("after cut %d: reading of %v is %g, was %g", cut, r.at, x, r.c)
		case !ok:
			if r.known || r.age > atRisk {
				t.Errorf("after cut %d: a reading is gone that was answered %g s before a cut, seen before: %v", cut, r.age, r.known)
			}
			cu.oldest = max(cu.oldest, r.age)
			cu.lost++
			continue
		}
		r.known = true
		kept = append(kept, r)
	}
	a.readings = kept
	db, err := sql.Open("sqlite", "file:"+file+"?mode=ro&immutable=1")
	if err == nil {
		defer db.Close()
		err = db.QueryRowContext(ctx, "SELECT count(*) FROM packs").Scan(&packs)
	}
	if err != nil {
		t.Error(err)
	}
	return packs
}

// A disk that writes 512 bytes whole, and no more, can tear the superblock of
// ext4, which is two of these: Linux writes it in place when it mounts, and does
// not mount one that is half old and half new. It is written on the medium in
// both halves, in the first alone, and in the second alone.
func TestTornSuperblock(t *testing.T) {
	if !whole() {
		t.Skip("boots the board once more: make board")
	}
	const sector, super = 512, 1024 / 512 // the superblock begins at byte 1024 (kernel: ext4/super.rst)
	p := fetch(t)
	d := newDisk(96 << 20)
	mkfs(t, d)
	d.sector = sector
	fresh := bytes.Clone(d.medium)
	args, _ := virt(t, p, p.initramfs(t, p.modules(t, "virtio_mmio", "virtio_blk", "crc32c_generic", "ext4"), nil), d.serve(t), bootedAt, sector)
	for name, kept := range map[string][]int64{"both halves": {super, super + 1}, "first half": {super}, "second half": {super + 1}} {
		copy(d.medium, fresh)
		sprung := d.trapAt(func(off, n int64) bool { return off <= 1024 && 1024 < off+n })
		g := boot(t, 1, byInstructions(args)...)
		g.expect(`BOOTED\n`)
		if _, err := io.WriteString(g.ser, "mount -t ext4 /dev/vda /mnt\n"); err != nil {
			t.Fatal(err)
		}
		<-sprung
		g.kill()
		d.mu.Lock()
		d.keep(func(b int64) bool { return slices.Contains(kept, b) })
		d.mu.Unlock()
		d.power()
		g = boot(t, 1, byInstructions(args)...)
		g.expect(`BOOTED\n`)
		said, rc := g.sh("mount -t ext4 /dev/vda /mnt 2>&1; dmesg | grep -i ext4 | tail -2; grep -q ' /mnt ' /proc/mounts")
		g.kill()
		t.Logf("%s: exit %d: %s", name, rc, said)
		if whole := len(kept) == 2; (rc == 0) != whole {
			t.Errorf("%s written: mounted: %v", name, rc == 0)
		}
	}
}

// A card that takes no writes any more, as worn ones do: Linux makes the file
// system read-only in the middle of a write. What is entered is refused aloud,
// looks and readings go on, and what was acknowledged is there afterwards.
func TestCardTurnsReadOnly(t *testing.T) {
	if !whole() {
		t.Skip("boots the board once more: make board")
	}
	c := newCutter(t)
	ctx := t.Context()
	g, url := c.on(0)
	api := c.up(ctx, 0, g, url)
	if _, err := api.AddPanel(ctx, coat.Panel{ID: "lid", Probe: "panel-1", Core: "foam"}); err != nil {
		t.Fatal(err)
	}
	id, err := api.StartCoat(ctx, coat.Coat{Panel: "lid", Resin: "fast", Kind: coat.FillCoat, Applied: c.have.now()})
	testkit.OK(t, err)
	c.have.coats[id] = "fast"
	refused := false
	for n := 0; !refused; n++ {
		f, err := api.Feel(ctx, id, coat.Wet, c.have.now())
		e, answered := errors.AsType[*client.Error](err)
		switch {
		case err == nil:
			c.have.feels[f] = id
		case answered && e.Status == 507:
			refused = true
			t.Logf("after %d finger tests: %v", n, err)
		case answered:
			t.Fatalf("refused as %v", err)
		}
		if n == 3 {
			c.d.wear(true)
		}
		if n > 200 {
			t.Fatal("nothing is refused")
		}
	}
	t.Log(g.must("grep ' /mnt ' /proc/mounts; dmesg | grep -i ext4 | tail -3"))
	v := 21.
	at := c.have.now().Truncate(time.Millisecond)
	if p, err := api.Push(ctx, []web.PushReading{{Probe: "panel-1", Time: &at, TempC: &v}}); err != nil {
		t.Errorf("a reading: %+v, %v", p, err)
	}
	if x, err := api.Coat(ctx, id); err != nil || x.ID != id {
		t.Errorf("a look: %+v, %v", x, err)
	}
	if s, err := api.Settings(ctx); err != nil || s.StoreTrouble == "" {
		t.Errorf("nobody says it: %q, %v", s.StoreTrouble, err)
	} else {
		t.Log(s.StoreTrouble)
	}
	c.cut(g)
	c.d.wear(false)
	g, url = c.on(1)
	api = c.up(ctx, 1, g, url)
	c.have.check(c, ctx, api, 1)
	g.kill()
	t.Log(c.sums(1))
}
