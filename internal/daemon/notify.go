// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"runtime"
	"strings"
	"time"

	sd "github.com/coreos/go-systemd/v22/daemon"
)

// supervisor tells systemd that the daemon is up, and then pings its watchdog while no
// part is stuck, so that systemd restarts a daemon that hangs.
type supervisor struct {
	send  func(state string) (bool, error) // to systemd; false where systemd did not start this process
	every time.Duration                    // between pings; 0: no watchdog, the words only
	stuck func() []string                  // parts without progress
	words func() string                    // for `systemctl status`
	dump  func()                           // logs every goroutine's stack, to find the cause of a hang
	log   *slog.Logger
}

// openSupervisor returns the part that talks to systemd; false where this process was
// not started by systemd.
func openSupervisor(d *Daemon, log *slog.Logger) (Part, bool) {
	sent, err := sd.SdNotify(false, "")
	if err != nil {
		log.Warn("systemd does not hear", "err", err)
	}
	if !sent {
		return Part{}, false
	}
	limit, err := sd.SdWatchdogEnabled(false)
	if err != nil {
		log.Warn("watchdog of systemd", "err", err)
	}
	s := &supervisor{
		send:  func(state string) (bool, error) { return sd.SdNotify(false, state) },
		every: limit / 4, // three may be lost
		stuck: func() []string { return stuckParts(d.Ready(context.Background())) },
		words: d.statusWords,
		dump:  dumpGoroutines,
		log:   log,
	}
	return Part{"supervisor", s.run}, true
}

// dumpGoroutines writes where every goroutine is to standard error. It is not
// done with runtime/pprof: with that in the program the runtime keeps a sample
// of what is allocated, in a table of over a megabyte.
func dumpGoroutines() {
	buf := make([]byte, 1<<20)
	os.Stderr.Write(buf[:runtime.Stack(buf, true)])
}

// stuckParts leaves out parts that a restart does not mend: with a full or read-only
// card the daemon measures and warns from memory, which a restart would lose.
func stuckParts(late []string) []string {
	var out []string
	for _, l := range late {
		if !strings.HasPrefix(l, "store: ") {
			out = append(out, l)
		}
	}
	return out
}

// run says READY and then pings until ctx ends.
func (s *supervisor) run(ctx context.Context) error {
	s.say(sd.SdNotifyReady, "STATUS="+s.words())
	every := s.every
	if every <= 0 {
		every = time.Minute
	}
	tick := time.NewTicker(every)
	defer tick.Stop()
	said := ""
	for {
		select {
		case <-ctx.Done():
			s.say(sd.SdNotifyStopping)
			return ctx.Err()
		case <-tick.C:
		}
		stuck := strings.Join(s.stuck(), "; ")
		if stuck != "" {
			if stuck != said {
				s.log.Error("no ping to the watchdog: a part is stuck", "parts", stuck)
			}
			if said == "" {
				s.dump()
			}
			said = stuck
			s.say("STATUS=stuck: " + stuck)
			continue
		}
		if said != "" {
			s.log.Info("every part makes progress again")
			said = ""
		}
		lines := []string{"STATUS=" + s.words()}
		if s.every > 0 {
			lines = append(lines, sd.SdNotifyWatchdog)
		}
		s.say(lines...)
	}
}

func (s *supervisor) say(lines ...string) {
	if _, err := s.send(strings.Join(lines, "\n")); err != nil {
		s.log.Warn("systemd does not hear", "err", err)
	}
}

// statusWords is the daemon's state in one line.
func (d *Daemon) statusWords() string {
	sound, all := 0, 0
	for _, h := range d.set.Health() {
		all++
		if h.State == "ok" {
			sound++
		}
	}
	words := fmt.Sprintf("%d of %d probes read", sound, all)
	if all == 0 {
		words = "no probe yet"
	}
	if s := d.snap.Load(); s != nil {
		words += fmt.Sprintf(", %d coats followed, %d alerts", len(s.Result.Coats), len(s.Alerts))
	}
	if s := d.store.Stats(); s.DiskFull {
		words += ", the disk is full"
	} else if s.ReadOnly {
		words += ", the disk is read-only"
	}
	return words
}
