package daemon

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"
)

// Pings come while every part makes progress, stop while one is stuck, and
// come back.
func TestSupervisor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		// The bubble orders what these two goroutines do; the race detector
		// wants a lock to see it.
		var mu sync.Mutex
		locked := func(f func()) { mu.Lock(); defer mu.Unlock(); f() }
		var sent []string
		var late []string
		dumps := 0
		s := &supervisor{
			send: func(state string) (bool, error) {
				locked(func() { sent = append(sent, state) })
				return true, nil
			},
			every: 30 * time.Second,
			stuck: func() (out []string) { locked(func() { out = stuckParts(late) }); return out },
			words: func() string { return "3 of 3 probes read" },
			dump:  func() { locked(func() { dumps++ }) },
			log:   slog.New(slog.DiscardHandler),
		}
		pings := func(d time.Duration) int {
			locked(func() { sent = nil })
			time.Sleep(d)
			synctest.Wait()
			n := 0
			for _, m := range sent {
				if slices.Contains(strings.Split(m, "\n"), "WATCHDOG=1") {
					n++
				}
			}
			return n
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- s.run(ctx) }()
		synctest.Wait()
		if len(sent) != 1 || sent[0] != "READY=1\nSTATUS=3 of 3 probes read" {
			t.Fatalf("at the start %q", sent)
		}
		if n := pings(10 * time.Minute); n != 20 {
			t.Errorf("%d pings in 10 min at one each 30 s, want 20", n)
		}
		// A full card is not mended by a restart, which would throw away what
		// waits in memory.
		locked(func() { late = []string{"store: disk full"} })
		if n := pings(2 * time.Minute); n != 4 {
			t.Errorf("%d pings in 2 min with a full card, want 4", n)
		}
		locked(func() { late = []string{"estimator: silent for 2m0s", "store: disk full"} })
		if n := pings(10 * time.Minute); n != 0 {
			t.Errorf("%d pings while the estimator is stuck, want none", n)
		}
		if last := sent[len(sent)-1]; last != "STATUS=stuck: estimator: silent for 2m0s" {
			t.Errorf("status %q", last)
		}
		if dumps != 1 {
			t.Errorf("%d dumps in one hang, want 1", dumps)
		}
		locked(func() { late = nil })
		if n := pings(time.Minute); n != 2 {
			t.Errorf("%d pings in the minute after, want 2", n)
		}
		locked(func() { sent = nil })
		cancel()
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Errorf("ended with %v", err)
		}
		if !slices.Equal(sent, []string{"STOPPING=1"}) {
			t.Errorf("at the end %q", sent)
		}
	})
}

// Without a watchdog in the unit there are words and no pings.
func TestSupervisorWithoutWatchdog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var sent []string
		s := &supervisor{
			send:  func(state string) (bool, error) { sent = append(sent, state); return true, nil },
			stuck: func() []string { return nil }, words: func() string { return "x" }, log: slog.New(slog.DiscardHandler),
		}
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
		defer cancel()
		_ = s.run(ctx)
		if all := strings.Join(sent, "\n"); strings.Contains(all, "WATCHDOG") || !strings.Contains(all, "STATUS=x") {
			t.Errorf("sent %q", sent)
		}
	})
}

// The whole daemon before a socket that stands for systemd's (sd_notify(3)).
func TestWatchNotifies(t *testing.T) {
	dir := t.TempDir()
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: filepath.Join(dir, "notify"), Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	t.Setenv("NOTIFY_SOCKET", filepath.Join(dir, "notify"))
	t.Setenv("WATCHDOG_USEC", "400000")
	t.Setenv("WATCHDOG_PID", strconv.Itoa(os.Getpid()))
	_, _, stop := startWatch(t, "--listen", "127.0.0.1:0", "--data", filepath.Join(dir, "data"))
	var got []string
	read := func(want string) {
		t.Helper()
		buf := make([]byte, 4096)
		for {
			if err := conn.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
				t.Fatal(err)
			}
			n, err := conn.Read(buf)
			if err != nil {
				t.Fatalf("no %s: %v after %q", want, err, got)
			}
			lines := strings.Split(string(buf[:n]), "\n")
			got = append(got, lines...)
			if slices.Contains(lines, want) {
				return
			}
		}
	}
	read("READY=1")
	read("WATCHDOG=1")
	if code := stop(); code != exitDone {
		t.Errorf("exit %d", code)
	}
	read("STOPPING=1")
	if !slices.Contains(got, "STATUS=no probe yet") && !strings.Contains(strings.Join(got, "\n"), "probes read") {
		t.Errorf("no word on the probes in %q", got)
	}
}

// The unit restarts the daemon unless it exits with 2, bad usage. A crash of
// the Go runtime exits with 2 as well unless GOTRACEBACK=crash, which the unit
// sets (package runtime, "Environment Variables").
func TestCrashIsNoBadUsage(t *testing.T) {
	if os.Getenv("CUREWRIGHT_TEST_CRASH") != "" {
		go panic("on purpose")
		select {}
	}
	crash := func(env ...string) syscall.WaitStatus {
		cmd := exec.Command(os.Args[0], "-test.run=^TestCrashIsNoBadUsage$")
		cmd.Env = append(os.Environ(), append(env, "CUREWRIGHT_TEST_CRASH=1")...)
		cmd.Dir = t.TempDir()
		err := cmd.Run()
		var exit *exec.ExitError
		if !errors.As(err, &exit) {
			t.Fatalf("it did not crash: %v", err)
		}
		return exit.Sys().(syscall.WaitStatus)
	}
	if s := crash("GOTRACEBACK=single"); s.ExitStatus() != exitUsage {
		t.Errorf("a crash exits with %d: the unit's GOTRACEBACK is no longer needed", s.ExitStatus())
	}
	if s := crash("GOTRACEBACK=crash"); !s.Signaled() || s.Signal() != syscall.SIGABRT {
		t.Errorf("with GOTRACEBACK=crash: status %v, want death by SIGABRT", s)
	}
}
