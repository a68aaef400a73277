// SPDX-License-Identifier: Apache-2.0

package testkit

import (
	"fmt"
	"net"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"curewright/internal/realpart"
)

// Mosquitto is a real broker on a loopback port.
type Mosquitto struct {
	t    testing.TB
	conf string
	Port string
	cmd  *exec.Cmd
	out  *Buffer
}

// NewMosquitto writes a configuration with the user "shed" and starts it.
func NewMosquitto(t testing.TB, more string) *Mosquitto {
	t.Helper()
	realpart.Program(t, "mosquitto")
	port, _ := FreePort(t)
	dir := t.TempDir()
	pw := filepath.Join(dir, "passwd")
	if out, err := exec.Command(realpart.Program(t, "mosquitto_passwd"), "-b", "-c", pw, "shed", "tack coat").CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_passwd: %v: %s", err, out)
	}
	// "user root": it would otherwise give up root, and with it the files.
	conf := fmt.Sprintf("listener %s 127.0.0.1\nallow_anonymous false\npassword_file %s\npersistence false\nuser root\n%s", port, pw, more)
	m := &Mosquitto{t: t, conf: filepath.Join(dir, "mosquitto.conf"), Port: port}
	Write(t, m.conf, conf)
	m.Start()
	t.Cleanup(func() { m.Kill(syscall.SIGTERM) })
	return m
}

// Start starts it; what it kept before is gone.
func (m *Mosquitto) Start() {
	m.t.Helper()
	m.out = &Buffer{}
	m.cmd = exec.Command(realpart.Program(m.t, "mosquitto"), "-c", m.conf)
	m.cmd.Stdout, m.cmd.Stderr = m.out, m.out
	m.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	OK(m.t, m.cmd.Start())
	for range 200 {
		if c, err := net.Dial("tcp", "127.0.0.1:"+m.Port); err == nil {
			c.Close()
			return
		}
		time.Sleep(25 * time.Millisecond)
	}
	m.t.Fatalf("mosquitto does not start:\n%s", m.out.String())
}

// Kill ends it by a signal.
func (m *Mosquitto) Kill(sig syscall.Signal) {
	m.cmd.Process.Signal(sig)
	m.cmd.Wait()
}

func (m *Mosquitto) args(more ...string) []string {
	return append([]string{"-h", "127.0.0.1", "-p", m.Port, "-u", "shed", "-P", "tack coat", "-V", "mqttv5", "-q", "1"}, more...)
}

// Pub sends one message with mosquitto's own client.
func (m *Mosquitto) Pub(topic, body string, more ...string) {
	m.t.Helper()
	out, err := exec.Command(realpart.Program(m.t, "mosquitto_pub"), m.args(append([]string{"-t", topic, "-m", body}, more...)...)...).CombinedOutput()
	if err != nil {
		m.t.Fatalf("mosquitto_pub: %v: %s", err, out)
	}
}

// Sub listens with mosquitto's own client and is there when it returns. Each
// line is the retain flag, the topic and the body.
func (m *Mosquitto) Sub(topics ...string) (*Buffer, func()) {
	m.t.Helper()
	args := m.args("-F", "%r %t %p", "-t", "marker")
	for _, x := range topics {
		args = append(args, "-t", x)
	}
	out := &Buffer{}
	cmd := exec.Command(realpart.Program(m.t, "mosquitto_sub"), args...)
	cmd.Stdout, cmd.Stderr = out, out
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	OK(m.t, cmd.Start())
	stop := sync.OnceFunc(func() { cmd.Process.Kill(); cmd.Wait() })
	m.t.Cleanup(stop)
	Until(m.t, "mosquitto_sub listens", func() bool {
		m.Pub("marker", "here")
		return strings.Contains(out.String(), "marker")
	})
	return out, stop
}

// Stored is what the broker would give to somebody who comes now, by topic.
func (m *Mosquitto) Stored(topic string) map[string]string {
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
