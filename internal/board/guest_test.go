// SPDX-License-Identifier: Apache-2.0

package board

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"curewright/dashboards/client"
	"curewright/dashboards/web"
	"curewright/internal/realpart"
	"curewright/internal/testkit"
)

// slack is the deadline of everything in a guest: an emulated board on a loaded
// machine is slow, and no deadline here is a measurement.
const slack = 20 * time.Minute

// parts are what the boards are made of.
type parts struct {
	dir, release, program string
}

var theParts struct {
	sync.Once
	parts
	err error
}

// fetch finds the emulator, the kernel and our own program for the board.
func fetch(tb testing.TB) parts {
	tb.Helper()
	if testing.Short() {
		tb.Skip("an emulated board takes a minute")
	}
	realpart.Program(tb, "qemu-system-arm")
	p := &theParts
	p.Do(func() {
		out, err := exec.Command("../../scripts/board-parts.sh").Output()
		if err != nil {
			p.err = fmt.Errorf("scripts/board-parts.sh: %w", err)
			return
		}
		p.dir = strings.TrimSpace(string(out))
		b, err := os.ReadFile(filepath.Join(p.dir, "release"))
		if err != nil {
			p.err = err
			return
		}
		p.release = strings.TrimSpace(string(b))
		if p.program = os.Getenv("CUREWRIGHT_ARM"); p.program != "" {
			return
		}
		p.program = filepath.Join(p.dir, "curewright-armv6")
		if out, err := p.forBoard("build", "-trimpath", "-ldflags", "-s -w", "-o", p.program, "../../cmd/curewright").CombinedOutput(); err != nil {
			p.err = fmt.Errorf("%w: %s", err, out)
		}
	})
	if p.err != nil {
		realpart.Missing(tb, "no emulated board: %v", p.err)
	}
	return p.parts
}

// forBoard is the go command for the smallest boards.
func (p parts) forBoard(args ...string) *exec.Cmd {
	c := exec.Command("go", args...)
	c.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH=arm", "GOARM=6")
	return c
}

// modules are the files of kernel modules in the order in which they are
// loaded, after modules.dep (depmod(8)).
func (p parts) modules(tb testing.TB, names ...string) (files []string) {
	tb.Helper()
	root := filepath.Join(p.dir, "armhf/lib/modules", p.release)
	b := testkit.MustRead(tb, filepath.Join(root, "modules.dep"))
	needs, byName := map[string][]string{}, map[string]string{}
	for line := range strings.Lines(string(b)) {
		f, deps, _ := strings.Cut(strings.TrimSpace(line), ":")
		needs[f] = strings.Fields(deps)
		byName[strings.ReplaceAll(strings.TrimSuffix(filepath.Base(f), ".ko"), "-", "_")] = f
	}
	seen := map[string]bool{}
	var add func(f string)
	add = func(f string) {
		if seen[f] {
			return
		}
		seen[f] = true
		for _, d := range needs[f] {
			add(d)
		}
		files = append(files, filepath.Join(root, f))
	}
	for _, n := range names {
		if f, ok := byName[strings.ReplaceAll(n, "-", "_")]; ok {
			add(f)
		} // else built in
	}
	return files
}

// settings of kernel modules. QEMU 7.2's model of the i.MX6 watchdog stops for
// good when its time is changed while it runs (tried: a guard killed then never
// reset the board), as hardware does not. So it is 14 s from the start here, and the
// guard, which would ask for that, leaves it alone.
var settings = map[string]string{"imx2_wdt.ko": "timeout=14"}

// initramfs is a root in memory: busybox, modules, our program, files of the
// test's. Not packed: unpacking takes an emulated processor longer.
func (p parts) initramfs(tb testing.TB, modules []string, files map[string]string) string {
	tb.Helper()
	var b bytes.Buffer
	ino := 0
	entry := func(name string, mode int, data []byte) {
		ino++
		// cpio "newc", Documentation/driver-api/early-userspace/buffer-format.rst
		fmt.Fprintf(&b, "070701%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X", ino, mode, 0, 0, 1, 0, len(data), 0, 0, 0, 0, len(name)+1, 0)
		b.WriteString(name + "\x00")
		for b.Len()%4 != 0 {
			b.WriteByte(0)
		}
		b.Write(data)
		for b.Len()%4 != 0 {
			b.WriteByte(0)
		}
	}
	file := func(name, from string, mode int) {
		data := testkit.MustRead(tb, from)
		entry(name, 0o100000|mode, data)
	}
	for _, d := range []string{"bin", "dev", "proc", "sys", "tmp", "etc", "run", "mnt", "mod"} {
		entry(d, 0o040755, nil)
	}
	file("bin/busybox", filepath.Join(p.dir, "armhf/bin/busybox"), 0o755)
	for _, a := range strings.Fields("sh mount umount cat echo ls sleep insmod dmesg ip date grep head tail kill sync mkdir mkfifo wc rm sed touch timeout hwclock ps pidof stty true uname seq basename readlink reboot cp ln switch_root") {
		entry("bin/"+a, 0o120777, []byte("busybox"))
	}
	file("bin/curewright", p.program, 0o755)
	var load strings.Builder
	for i, m := range modules {
		n := fmt.Sprintf("mod/%02d-%s", i, filepath.Base(m))
		file(n, m, 0o644)
		fmt.Fprintf(&load, "insmod /%s %s || echo NO %s\n", n, settings[filepath.Base(m)], n)
	}
	entry("init", 0o100755, []byte("#!/bin/sh\nexport PATH=/bin\nmount -t proc proc /proc; mount -t sysfs sys /sys; mount -t devtmpfs dev /dev; mount -t tmpfs tmp /tmp\n"+
		"ip link set lo up\n"+load.String()+"export HOME=/tmp\nexec </dev/console >/dev/console 2>&1\nstty -echo\necho BOOTED\nwhile read -r line; do eval \"$line\"; done\n"))
	for name, text := range files {
		entry(name, 0o100755, []byte(text))
	}
	entry("TRAILER!!!", 0, nil)
	out := filepath.Join(tb.TempDir(), "initrd")
	testkit.OK(tb, os.WriteFile(out, b.Bytes(), 0o644))
	return out
}

// guest is a board that runs.
type guest struct {
	tb   testing.TB
	args []string // of the emulator
	cmd  *exec.Cmd
	ser  net.Conn

	mu    sync.Mutex
	buf   []byte
	more  chan struct{}
	ended chan struct{}

	n int

	qmpmu sync.Mutex
	qmpc  net.Conn
	qmpr  *bufio.Reader
	last  atomic.Int64 // what seconds said last
}

// A board's time goes by what its processor has done, and not by the host's
// clock: 2^3 ns an instruction, slower than any board that it is meant for. So
// nothing on the board sees how busy the host is. While its processor has
// nothing to do, a steady board's time goes as the host's; a hurried one's
// leaps to the next thing that it waits for, which is for scenes where nobody
// outside has to keep step with it: their minutes of waiting take no time.
var (
	steady  = []string{"-icount", "shift=3,sleep=on"}
	hurried = []string{"-icount", "shift=3,sleep=off"}
)

func byInstructions(args []string) []string { return append(args, steady...) }

// boot starts QEMU with a serial line and a QMP socket.
func boot(tb testing.TB, serials int, args ...string) *guest {
	tb.Helper()
	dir := tb.TempDir()
	ser, qmp := filepath.Join(dir, "ser"), filepath.Join(dir, "qmp")
	own := args
	for range serials - 1 {
		args = append(args, "-serial", "null")
	}
	args = append(args, "-serial", "unix:"+ser+",server=on,wait=on", "-qmp", "unix:"+qmp+",server=on,wait=off", "-display", "none", "-nodefaults")
	g := &guest{tb: tb, args: own, cmd: exec.Command("qemu-system-arm", args...), more: make(chan struct{}, 1), ended: make(chan struct{})}
	var errs bytes.Buffer
	g.cmd.Stderr = &errs
	testkit.OK(tb, g.cmd.Start())
	go func() { _ = g.cmd.Wait(); close(g.ended) }()
	tb.Cleanup(g.kill)
	dial := func(path string) net.Conn {
		for end := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
			c, err := net.Dial("unix", path)
			if err == nil {
				return c
			}
			select {
			case <-g.ended:
				tb.Fatalf("qemu: %s", errs.String())
			default:
			}
			if time.Now().After(end) {
				tb.Fatalf("qemu: %v: %s", err, errs.String())
			}
		}
	}
	g.ser = dial(ser)
	go func() {
		b := make([]byte, 65536)
		for {
			n, err := g.ser.Read(b)
			g.mu.Lock()
			g.buf = append(g.buf, bytes.ReplaceAll(b[:n], []byte{'\r'}, nil)...)
			g.mu.Unlock()
			select {
			case g.more <- struct{}{}:
			default:
			}
			if err != nil {
				return
			}
		}
	}()
	g.qmpc = dial(qmp)
	g.qmpr = bufio.NewReader(g.qmpc)
	if _, err := g.qmpr.ReadString('\n'); err != nil {
		tb.Fatal(err)
	}
	g.qmp("qmp_capabilities", nil)
	return g
}

// save stops a board and keeps its memory and registers in a file.
func (g *guest) save() (state string) {
	state = filepath.Join(g.tb.TempDir(), "state")
	g.qmp("stop", nil)
	g.qmp("migrate", map[string]any{"uri": "exec:cat >" + state})
	for done := regexp.MustCompile(`"status": ?"(completed|failed)"`); ; time.Sleep(50 * time.Millisecond) {
		if m := done.FindStringSubmatch(g.qmp("query-migrate", nil)); m != nil {
			if m[1] == "failed" {
				g.tb.Fatal("the board's state can't be saved")
			}
			break
		}
	}
	g.kill()
	return state
}

// resume is a board of the same arguments that goes on from a saved one.
func resume(tb testing.TB, serials int, state string, args ...string) *guest {
	tb.Helper()
	g := restore(tb, serials, state, args...)
	g.qmp("cont", nil)
	return g
}

// restore is resume of a board that stands still until it is told to go on.
func restore(tb testing.TB, serials int, state string, args ...string) *guest {
	tb.Helper()
	g := boot(tb, serials, append(args, "-incoming", "exec:cat "+state)...)
	for !strings.Contains(g.qmp("query-status", nil), `"paused"`) {
		time.Sleep(20 * time.Millisecond)
	}
	return g
}

// kill is pulling the plug.
func (g *guest) kill() {
	_ = g.cmd.Process.Kill()
	<-g.ended
	for _, c := range []net.Conn{g.ser, g.qmpc} {
		if c != nil { // it came up so far
			c.Close()
		}
	}
}

// expect waits for a text on the serial line and returns what came up to it.
func (g *guest) expect(pattern string) []string {
	g.tb.Helper()
	re := regexp.MustCompile(pattern)
	late := time.NewTimer(slack)
	defer late.Stop()
	for {
		g.mu.Lock()
		if m := re.FindSubmatchIndex(g.buf); m != nil {
			out := []string{string(g.buf[:m[0]])}
			for i := 2; i < len(m); i += 2 {
				out = append(out, string(g.buf[m[i]:m[i+1]]))
			}
			g.buf = g.buf[m[1]:]
			g.mu.Unlock()
			return out
		}
		tail := g.buf[max(0, len(g.buf)-1500):]
		g.mu.Unlock()
		select {
		case <-g.more:
		case <-g.ended:
			g.tb.Fatalf("the board ended before it said %q:\n%s", pattern, tail)
		case <-late.C:
			g.tb.Fatalf("the board does not say %q:\n%s", pattern, tail)
		}
	}
}

// sh runs a line in the guest's shell.
func (g *guest) sh(format string, a ...any) (out string, status int) {
	g.tb.Helper()
	g.n++
	mark := fmt.Sprintf("%d", g.n)
	if _, err := fmt.Fprintf(g.ser, "%s; echo @@%s@$?@\n", fmt.Sprintf(format, a...), mark); err != nil {
		g.tb.Fatal(err)
	}
	m := g.expect(`@@` + mark + `@(\d+)@\n`)
	status, _ = strconv.Atoi(m[1])
	return strings.TrimRight(m[0], "\n"), status
}

// must is sh for what has to go well.
func (g *guest) must(format string, a ...any) string {
	g.tb.Helper()
	out, rc := g.sh(format, a...)
	if rc != 0 {
		g.tb.Fatalf("%s: exit %d: %s", fmt.Sprintf(format, a...), rc, out)
	}
	return out
}

// qmp asks QEMU something.
func (g *guest) qmp(what string, args map[string]any) string {
	g.tb.Helper()
	g.qmpmu.Lock()
	defer g.qmpmu.Unlock()
	if args == nil {
		args = map[string]any{}
	}
	q, _ := json.Marshal(map[string]any{"execute": what, "arguments": args})
	if _, err := g.qmpc.Write(append(q, '\n')); err != nil {
		g.tb.Fatal(err)
	}
	for {
		line, err := g.qmpr.ReadBytes('\n')
		testkit.OK(g.tb, err)
		var r struct {
			Return json.RawMessage
			Error  *struct{ Desc string }
		}
		testkit.OK(g.tb, json.Unmarshal(line, &r))
		if r.Error != nil {
			g.tb.Fatalf("qmp %s: %s", what, r.Error.Desc)
		}
		if r.Return != nil {
			return string(r.Return)
		}
	}
}

// forward is the argument of QEMU's network by which the guest's port 8374 is
// at url.
func forward(tb testing.TB) (hostfwd, url string) {
	tb.Helper()
	_, at := testkit.FreePort(tb)
	return "hostfwd=tcp:" + at + "-10.0.2.15:8374", "http://" + at
}

// pair logs in at the daemon that has just been started in the guest.
func pair(tb testing.TB, g *guest, url, role string) (token string) {
	tb.Helper()
	g.must("for i in $(seq 60); do curewright pair --role %s --name host --no-qr --server http://127.0.0.1:8374 >/tmp/pair 2>&1 && break; sleep 1; done", role)
	code := regexp.MustCompile(`Code\s+(\S+)`).FindStringSubmatch(g.must("cat /tmp/pair"))
	if code == nil {
		tb.Fatal(g.must("cat /tmp/pair /tmp/err"))
	}
	c, err := client.New(url, "")
	testkit.OK(tb, err)
	var got web.Paired
	testkit.OK(tb, patient(func() error { got, err = c.Pair(tb.Context(), code[1], "host"); return err }))
	return got.Token
}

// paired is a client that is logged in.
func paired(tb testing.TB, g *guest, url, role string) *client.Client {
	tb.Helper()
	c, err := client.New(url, "")
	testkit.OK(tb, err)
	c.SetToken(pair(tb, g, url, role))
	return c
}

// word reads a register of the board from outside.
func (g *guest) word(addr uint64) uint64 {
	g.tb.Helper()
	s := g.qmp("human-monitor-command", map[string]any{"command-line": fmt.Sprintf("xp /1wx %#x", addr)})
	m := regexp.MustCompile(`: 0x([0-9a-f]+)`).FindStringSubmatch(s)
	if m == nil {
		g.tb.Fatalf("no word at %#x: %s", addr, s)
	}
	v, _ := strconv.ParseUint(m[1], 16, 64)
	return v
}

// seconds is the time of the virt board's clock chip, which goes as the board's
// own: PL031 manual, RTCDR.
func (g *guest) seconds() float64 {
	g.last.Store(int64(g.word(0x09010000)))
	return float64(g.last.Load())
}

// celsius sets what an emulated thermometer is in.
func (g *guest) celsius(id string, c float64) {
	g.tb.Helper()
	g.qmp("qom-set", map[string]any{"path": "/machine/peripheral/" + id, "property": "temperature", "value": int(c * 1000)})
}
