// SPDX-License-Identifier: Apache-2.0

package main

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"curewright/internal/testkit"
)

// A pipe that somebody holds open and says nothing into does not keep a command
// from ending: not after the first Ctrl-C, which leaves it a second, and at
// once after another.
func TestSignalEndsSilentPipe(t *testing.T) {
	if args := os.Getenv("CUREWRIGHT_TEST_MAIN"); args != "" {
		os.Args = append([]string{"curewright"}, strings.Fields(args)...)
		main()
	}
	for name, signals := range map[string]int{"one": 1, "two": 2} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			pipe := filepath.Join(t.TempDir(), "pipe")
			testkit.OK(t, syscall.Mkfifo(pipe, 0o600))
			hold, err := os.OpenFile(pipe, os.O_RDWR, 0)
			testkit.OK(t, err)
			defer hold.Close()
			cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestSignalEndsSilentPipe$")
			cmd.Env = append(os.Environ(), "CUREWRIGHT_TEST_MAIN=check --config "+pipe)
			testkit.OK(t, cmd.Start())
			// It has begun to read once the pipe is empty again.
			if _, err := hold.WriteString("#"); err != nil {
				t.Fatal(err)
			}
			waitEmpty(t, hold)
			for range signals {
				if err := cmd.Process.Signal(os.Interrupt); err != nil && !errors.Is(err, os.ErrProcessDone) {
					t.Fatal(err)
				}
			}
			err = cmd.Wait()
			if x, ok := errors.AsType[*exec.ExitError](err); !ok || x.ExitCode() != exitSignal {
				t.Errorf("ended with %v, want exit %d", err, exitSignal)
			}
		})
	}
}

// waitEmpty waits until somebody has read what is in the pipe.
func waitEmpty(t *testing.T, pipe *os.File) {
	t.Helper()
	raw, err := pipe.SyscallConn()
	testkit.OK(t, err)
	for n := 1; n > 0; time.Sleep(5 * time.Millisecond) {
		if t.Context().Err() != nil {
			return
		}
		if cerr := raw.Control(func(fd uintptr) { n, err = unix.IoctlGetInt(int(fd), unix.TIOCINQ) }); cerr != nil || err != nil {
			t.Fatal(cerr, err)
		}
	}
}
