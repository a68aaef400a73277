// SPDX-License-Identifier: Apache-2.0

package relay

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"curewright/internal/testkit"
)

// The test's own program is the guard, and the daemon that is killed, when the
// environment says so: real processes over real pipes, with a file for the
// line.
func TestMain(m *testing.M) {
	switch os.Getenv("CUREWRIGHT_TEST_AS") {
	case "guard":
		ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM, os.Interrupt)
		defer stop()
		line, err := OpenLine("file:"+os.Getenv("LINE"), false)
		if err == nil {
			lease, _ := time.ParseDuration(os.Args[len(os.Args)-1]) // after --lease
			err = (&Guard{Line: line, Lease: lease, In: os.Stdin, Out: os.Stdout}).Serve(ctx, os.Getenv("DOG"), os.Stderr)
		}
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	case "daemon": // renews once, says so and stands still, or panics
		os.Setenv("CUREWRIGHT_TEST_AS", "guard")
		lease, _ := time.ParseDuration(os.Getenv("LEASE"))
		o := New([]string{os.Args[0]}, lease, os.Stderr)
		if err := o.Renew(context.Background(), true); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		fmt.Println("renewed", o.Pid())
		if os.Getenv("BOOM") != "" {
			panic("a bug")
		}
		select {} // a loop that hangs
	}
	os.Exit(m.Run())
}

// files returns the paths that stand for line and watchdog.
func files(t *testing.T) (line, dog string) {
	d := t.TempDir()
	line, dog = filepath.Join(d, "line"), filepath.Join(d, "watchdog")
	for _, f := range []string{line, dog} {
		if err := os.WriteFile(f, nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return line, dog
}

func env(as, line, dog string, lease time.Duration, more ...string) []string {
	return append(os.Environ(), append([]string{"CUREWRIGHT_TEST_AS=" + as, "LINE=" + line, "DOG=" + dog, "LEASE=" + lease.String()}, more...)...)
}

func read(t *testing.T, path string) string {
	t.Helper()
	b := testkit.MustRead(t, path)
	return strings.TrimSpace(string(b))
}

// daemon starts the stand-in for the daemon and waits until the line is on.
func daemon(t *testing.T, line, dog string, lease time.Duration, more ...string) (*exec.Cmd, int) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = env("daemon", line, dog, lease, more...)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		// The guard still writes to the folder until it has ended.
		cmd.Process.Kill()
		cmd.Wait()
		testkit.Until(t, "the guard's end", func() bool { return strings.HasSuffix(read(t, dog), "V") })
	})
	var pid int
	if _, err := fmt.Fscanf(out, "renewed %d\n", &pid); err != nil {
		t.Fatal(err)
	}
	return cmd, pid
}

// TestKilledDaemon: with the daemon killed, the line is off at the end of the
// pipe, long before the lease, and the watchdog is disarmed.
func TestKilledDaemon(t *testing.T) {
	line, dog := files(t)
	cmd, _ := daemon(t, line, dog, time.Hour)
	if got := read(t, line); got != "1" {
		t.Fatalf("line = %q after the renewal, want 1", got)
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	cmd.Wait()
	testkit.Until(t, "line off", func() bool { return read(t, line) == "0" })
	testkit.Until(t, "watchdog disarmed", func() bool { return strings.HasSuffix(read(t, dog), "V") })
}

// TestPanickingDaemon: the same for a process that ends by a bug.
func TestPanickingDaemon(t *testing.T) {
	line, dog := files(t)
	cmd, _ := daemon(t, line, dog, time.Hour, "BOOM=1")
	if err := cmd.Wait(); err == nil {
		t.Fatal("it did not panic")
	}
	testkit.Until(t, "line off", func() bool { return read(t, line) == "0" })
}

// TestHungDaemon: a daemon that lives but no longer renews, and one that is
// stopped as a whole, lose the line when the lease ends.
func TestHungDaemon(t *testing.T) {
	for name, stop := range map[string]bool{"loop hangs": false, "process stopped": true} {
		t.Run(name, func(t *testing.T) {
			line, dog := files(t)
			const lease = 2500 * time.Millisecond
			t0 := time.Now()
			cmd, _ := daemon(t, line, dog, lease)
			if stop {
				if err := cmd.Process.Signal(syscall.SIGSTOP); err != nil {
					t.Fatal(err)
				}
				defer cmd.Process.Signal(syscall.SIGCONT)
			}
			if time.Since(t0) < lease-OnItsWay && read(t, line) != "1" {
				t.Fatal("off before the lease")
			}
			testkit.Until(t, "line off", func() bool { return read(t, line) == "0" })
			if strings.HasSuffix(read(t, dog), "V") {
				t.Error("the guard ended, though its daemon lives")
			}
		})
	}
}

// guarded is an output that is on, its lease an hour.
func guarded(t *testing.T) (o *Output, line, dog string) {
	t.Helper()
	line, dog = files(t)
	t.Setenv("CUREWRIGHT_TEST_AS", "guard")
	t.Setenv("LINE", line)
	t.Setenv("DOG", dog)
	o = New([]string{os.Args[0]}, time.Hour, io.Discard)
	t.Cleanup(func() { o.Close() })
	if err := o.Renew(t.Context(), true); err != nil {
		t.Fatal(err)
	}
	return o, line, dog
}

// TestKilledGuard: the daemon hears at its next renewal that nothing is known
// about the line, the watchdog is not disarmed, and a new guard's first act is
// to switch off.
func TestKilledGuard(t *testing.T) {
	o, line, dog := guarded(t)
	if read(t, line) != "1" {
		t.Fatal("not on")
	}
	old := o.Pid()
	if err := syscall.Kill(old, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	if b := read(t, dog); b == "" || strings.HasSuffix(b, "V") {
		t.Errorf("watchdog holds %q: want it fed and not disarmed, so that it bites", b)
	}
	if err := o.Renew(t.Context(), true); err == nil {
		t.Error("a renewal to a dead guard is no error")
	}
	if read(t, line) != "0" {
		t.Error("the new guard did not switch the line off")
	}
	if o.Pid() == old {
		t.Error("no new guard")
	}
	if err := o.Renew(t.Context(), false); err != nil {
		t.Error(err)
	}
}

// TestSignalledGuard: a guard that is told to end switches off first.
func TestSignalledGuard(t *testing.T) {
	line, dog := files(t)
	cmd, pid := daemon(t, line, dog, time.Hour)
	defer cmd.Process.Kill()
	if err := syscall.Kill(pid, syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	testkit.Until(t, "line off", func() bool { return read(t, line) == "0" })
	testkit.Until(t, "watchdog disarmed", func() bool { return strings.HasSuffix(read(t, dog), "V") })
}

// TestClose ends guard and line in order.
func TestClose(t *testing.T) {
	o, line, dog := guarded(t)
	if err := o.Close(); err != nil {
		t.Fatal(err)
	}
	if read(t, line) != "0" || !strings.HasSuffix(read(t, dog), "V") {
		t.Errorf("line %q, watchdog %q after Close", read(t, line), read(t, dog))
	}
	if o.Renew(t.Context(), true) == nil {
		t.Error("a renewal after Close is no error")
	}
}

// TestNoWatchdog: a guard whose watchdog is missing does not drive the line.
func TestNoWatchdog(t *testing.T) {
	line, _ := files(t)
	t.Setenv("CUREWRIGHT_TEST_AS", "guard")
	t.Setenv("LINE", line)
	t.Setenv("DOG", filepath.Join(t.TempDir(), "missing"))
	o := New([]string{os.Args[0]}, time.Hour, io.Discard)
	defer o.Close()
	if err := o.Renew(t.Context(), true); err == nil {
		t.Error("driven without the watchdog that was asked for")
	}
	if read(t, line) == "1" {
		t.Error("line on")
	}
}

type memLine struct {
	mu     sync.Mutex
	on     bool
	badOn  bool
	badOff bool
}

func (m *memLine) Set(on bool) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if on && m.badOn || !on && m.badOff {
		return errors.New("stuck")
	}
	m.on = on
	return nil
}

func (m *memLine) is() bool { m.mu.Lock(); defer m.mu.Unlock(); return m.on }

// TestRenewalOnItsWay: a daemon that is stopped right after it sent a renewal,
// which a busy board's guard reads only then, loses the line within the lease
// all the same.
func TestRenewalOnItsWay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const lease = 30 * time.Second
		argv := New([]string{"guard"}, lease, io.Discard).argv
		own, err := time.ParseDuration(argv[slices.Index(argv, "--lease")+1])
		if err != nil {
			t.Fatal(err)
		}
		line := &memLine{}
		pr, pw := io.Pipe()
		g := Guard{Line: line, Lease: own, In: pr, Out: io.Discard}
		ended := make(chan error, 1)
		go func() { ended <- g.Run(t.Context()) }()
		synctest.Wait()
		sent := time.Now()
		time.Sleep(900 * time.Millisecond)
		fmt.Fprintln(pw, "on 1")
		synctest.Wait()
		if !line.is() {
			t.Fatal("not on")
		}
		time.Sleep(time.Until(sent.Add(lease)))
		synctest.Wait()
		if line.is() {
			t.Errorf("on %v after the daemon's last word", time.Since(sent))
		}
		pw.Close()
		<-ended
	})
}

// TestGuardInFakeTime: nonsense means off, the lease ends to the second, a
// line that does not go off starves the watchdog.
func TestGuardInFakeTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		line := &memLine{on: true}
		pr, pw := io.Pipe()
		var dog, out testkit.Buffer
		g := Guard{Line: line, Lease: 30 * time.Second, In: pr, Out: &out, Watchdog: &dog}
		ended := make(chan error, 1)
		go func() { ended <- g.Run(t.Context()) }()
		synctest.Wait()
		if line.is() {
			t.Error("on when it starts")
		}
		fmt.Fprintln(pw, "on 1")
		time.Sleep(29 * time.Second)
		synctest.Wait()
		if !line.is() {
			t.Error("off before the lease ended")
		}
		time.Sleep(2 * time.Second)
		synctest.Wait()
		if line.is() {
			t.Error("on after the lease ended")
		}
		for _, s := range []string{"on", "onn 3", "on x", "ON 4", "", "renew 5", "on -1"} {
			fmt.Fprintln(pw, "on 2")
			synctest.Wait()
			if !line.is() {
				t.Fatal("not on")
			}
			fmt.Fprintln(pw, s)
			synctest.Wait()
			if line.is() {
				t.Errorf("on after %q", s)
			}
		}
		if !strings.Contains(out.String(), "ok on 1\n") || !strings.Contains(out.String(), "expired\n") {
			t.Errorf("answers %q", out.String())
		}
		fed := len(dog.String())
		time.Sleep(20 * time.Second)
		synctest.Wait()
		if len(dog.String()) < fed+5 {
			t.Errorf("fed %d times in 20 s", len(dog.String())-fed)
		}
		fmt.Fprintln(pw, "on 9")
		synctest.Wait()
		line.mu.Lock()
		line.badOff = true
		line.mu.Unlock()
		fmt.Fprintln(pw, "off 10")
		synctest.Wait()
		fed = len(dog.String())
		time.Sleep(25 * time.Second)
		synctest.Wait()
		if len(dog.String()) != fed {
			t.Error("the watchdog is fed although the line does not go off")
		}
		pw.Close()
		if err := <-ended; err == nil {
			t.Error("no error though the line is stuck on")
		}
		if strings.HasSuffix(dog.String(), "V") {
			t.Error("the watchdog is disarmed with the line on")
		}
	})
}

func Example() {
	line := &memLine{}
	in := strings.NewReader("on 1\noff 2\non 3\n")
	var out bytes.Buffer
	g := Guard{Line: line, Lease: 30 * time.Second, In: in, Out: &out}
	if err := g.Run(context.Background()); err != nil {
		fmt.Println(err)
	}
	fmt.Print(out.String())
	fmt.Println("on at the end of the pipe:", line.on)
	// Output:
	// ok on 1
	// ok off 2
	// ok on 3
	// on at the end of the pipe: false
}

// TestLineIsHeldAlone: two guards cannot have one line, and the first of them
// is not disturbed by the second's try.
func TestLineIsHeldAlone(t *testing.T) {
	line, dog := files(t)
	_, _ = daemon(t, line, dog, time.Hour)
	if _, err := OpenLine("file:"+line, false); !errors.Is(err, ErrHeld) {
		t.Errorf("a second holder: %v", err)
	}
	guard := exec.Command(os.Args[0])
	guard.Env = env("guard", line, filepath.Join(t.TempDir(), "none"), time.Hour)
	if out, err := guard.CombinedOutput(); err == nil || !strings.Contains(string(out), ErrHeld.Error()) {
		t.Errorf("a second guard: %v %s", err, out)
	}
	if got := read(t, line); got != "1" {
		t.Errorf("line = %q after the second's try, want it on as it was", got)
	}
	a, err := claimName("GPIO17")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := claimName("GPIO17"); !errors.Is(err, ErrHeld) {
		t.Errorf("a second claim: %v", err)
	}
	a.Close()
	if b, err := claimName("GPIO17"); err != nil {
		t.Errorf("after the first is gone: %v", err)
	} else {
		b.Close()
	}
}

// TestOpenLine: opening switches off, a wrong name makes no file, and what the
// line reads back counts.
func TestOpenLine(t *testing.T) {
	line, _ := files(t)
	for _, low := range []bool{false, true} {
		testkit.Write(t, line, "255\n")
		l, err := OpenLine("file:"+line, low)
		if err != nil {
			t.Fatal(err)
		}
		off, on := "0", "1"
		if low {
			off, on = on, off
		}
		if got := read(t, line); got != off {
			t.Errorf("active low %v: opened, line = %q, want %q", low, got, off)
		}
		if err := l.Set(true); err != nil || read(t, line) != on {
			t.Errorf("active low %v: on, line = %q, %v", low, read(t, line), err)
		}
		l.Close()
	}
	missing := filepath.Join(t.TempDir(), "missing")
	if _, err := OpenLine("file:"+missing, false); err == nil {
		t.Error("a line that is not there was opened")
	}
	if _, err := os.Stat(missing); err == nil {
		t.Error("and it was made")
	}
	// A device that takes everything and reads nothing does not obey.
	if _, err := OpenLine("file:/dev/null", false); !errors.Is(err, ErrReadBack) {
		t.Errorf("/dev/null as a line: %v", err)
	}
	if _, err := OpenLine("gpiochip0:4000000000", false); err == nil {
		t.Error("a line beyond its chip was opened")
	}
}

// TestHungGuard: a guard that is stopped is killed at the next renewal, and the
// line is off by its successor within seconds.
func TestHungGuard(t *testing.T) {
	o, line, _ := guarded(t)
	old := o.Pid()
	if err := syscall.Kill(old, syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	waitStopped(t, old)
	t0 := time.Now()
	if err := o.Renew(t.Context(), true); err == nil {
		t.Error("a renewal that nobody answers is no error")
	}
	if got := read(t, line); got != "0" {
		t.Errorf("line = %q after %v, want it off by the successor", got, time.Since(t0))
	}
	if err := syscall.Kill(old, 0); !errors.Is(err, syscall.ESRCH) {
		t.Errorf("the hung guard is still there: %v", err)
	}
	if err := o.Renew(t.Context(), false); err != nil || o.Pid() == old {
		t.Errorf("its successor: pid %d, %v", o.Pid(), err)
	}
}

// waitStopped waits until each thread of a process stands: SIGSTOP returns
// before that, and a thread that still runs would answer.
func waitStopped(t *testing.T, pid int) {
	t.Helper()
	testkit.Until(t, "the process stopped", func() bool {
		stats, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/stat", pid))
		if err != nil || len(stats) == 0 {
			return false
		}
		for _, f := range stats {
			b, err := os.ReadFile(f)
			// proc_pid_stat(5): the state follows the name in brackets.
			if i := bytes.LastIndexByte(b, ')'); err != nil || i < 0 || !bytes.HasPrefix(b[i:], []byte(") T")) {
				return false
			}
		}
		return true
	})
}

// TestDeathIsNoticedAtOnce: the daemon hears of a dead guard without asking it.
func TestDeathIsNoticedAtOnce(t *testing.T) {
	o, line, _ := guarded(t)
	if err := syscall.Kill(o.Pid(), syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	select {
	case <-o.Gone():
	case <-time.After(20 * time.Second):
		t.Fatal("nobody said that the guard died")
	}
	if err := o.Renew(t.Context(), true); err == nil || read(t, line) != "0" {
		t.Errorf("after its death: %v, line %q", err, read(t, line))
	}
}
