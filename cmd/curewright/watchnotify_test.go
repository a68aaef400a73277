// SPDX-License-Identifier: Apache-2.0

package main

import (
	"errors"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"curewright/internal/testkit"
)

// The whole daemon before a socket that stands for systemd's (sd_notify(3)).
func TestWatchNotifies(t *testing.T) {
	dir := t.TempDir()
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: filepath.Join(dir, "notify"), Net: "unixgram"})
	testkit.OK(t, err)
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
			testkit.OK(t, conn.SetReadDeadline(time.Now().Add(time.Minute)))
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
	if said := strings.Join(got, "\n"); !strings.Contains(said, "STATUS=no probe yet") && !strings.Contains(said, "probes read") {
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
