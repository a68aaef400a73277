// SPDX-License-Identifier: Apache-2.0

package command

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// The test's own program is the child, or the daemon that is killed, when the
// environment says so.
func TestMain(m *testing.M) {
	switch os.Getenv("CUREWRIGHT_TEST_AS") {
	case "child":
		path := os.Getenv("LINE")
		s := bufio.NewScanner(os.Stdin)
		for s.Scan() {
			os.WriteFile(path, []byte(s.Text()), 0o600)
		}
		os.WriteFile(path, []byte("end of input"), 0o600)
		os.Exit(0)
	case "daemon":
		os.Setenv("CUREWRIGHT_TEST_AS", "child")
		o := New([]string{os.Args[0]}, time.Hour, io.Discard)
		if err := o.Renew(context.Background(), true); err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		fmt.Println("renewed")
		select {}
	}
	os.Exit(m.Run())
}

func child(t *testing.T) (string, func() string) {
	path := filepath.Join(t.TempDir(), "line")
	t.Setenv("CUREWRIGHT_TEST_AS", "child")
	t.Setenv("LINE", path)
	return path, func() string {
		b, _ := os.ReadFile(path)
		return string(b)
	}
}

func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for t0 := time.Now(); time.Since(t0) < 20*time.Second; time.Sleep(5 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatalf("not within 20 s: %s", what)
}

func TestCommand(t *testing.T) {
	_, said := child(t)
	o := New([]string{os.Args[0]}, 2*time.Second, io.Discard)
	if err := o.Renew(t.Context(), true); err != nil {
		t.Fatal(err)
	}
	eventually(t, "on with its lease", func() bool { return said() == "on 2" })
	// Nobody renews: the lease says off by itself.
	eventually(t, "off when the lease ends", func() bool { return said() == "off" })
	if err := o.Renew(t.Context(), true); err != nil {
		t.Fatal(err)
	}
	if err := o.Close(); err != nil {
		t.Fatal(err)
	}
	if got := said(); got != "end of input" {
		t.Errorf("after Close the child's last word is %q", got)
	}
	if o.Renew(t.Context(), true) == nil {
		t.Error("a renewal after Close is no error")
	}
}

// TestKilledChild: a child that died is an error from then on and is not
// started again.
func TestKilledChild(t *testing.T) {
	path, said := child(t)
	o := New([]string{os.Args[0]}, time.Hour, io.Discard)
	defer o.Close()
	if err := o.Renew(t.Context(), true); err != nil {
		t.Fatal(err)
	}
	eventually(t, "on", func() bool { return strings.HasPrefix(said(), "on") })
	if err := o.cmd.Process.Signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	<-o.gone
	os.Remove(path)
	for range 3 {
		if o.Renew(t.Context(), true) == nil {
			t.Error("a renewal to a dead child is no error")
		}
	}
	if said() != "" {
		t.Error("a second child was started")
	}
}

// TestKilledDaemon: the child meets the end of its input.
func TestKilledDaemon(t *testing.T) {
	_, said := child(t)
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "CUREWRIGHT_TEST_AS=daemon")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer cmd.Process.Kill()
	if s, _ := bufio.NewReader(out).ReadString('\n'); s != "renewed\n" {
		t.Fatalf("daemon says %q", s)
	}
	eventually(t, "on", func() bool { return strings.HasPrefix(said(), "on") })
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	cmd.Wait()
	eventually(t, "end of input", func() bool { return said() == "end of input" })
}

func TestNoProgram(t *testing.T) {
	o := New([]string{"/nowhere/heater"}, time.Minute, io.Discard)
	if o.Renew(t.Context(), false) == nil {
		t.Error("a program that is not there is no error")
	}
	if err := o.Close(); err != nil {
		t.Error(err)
	}
}

func Example() {
	o := New([]string{"sed", "-u", "s/^/child heard: /"}, 30*time.Second, os.Stdout)
	if err := o.Renew(context.Background(), true); err != nil {
		fmt.Println(err)
	}
	if err := o.Close(); err != nil {
		fmt.Println(err)
	}
	// Output:
	// child heard: off
	// child heard: on 30
	// child heard: off
}
