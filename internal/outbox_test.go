// SPDX-License-Identifier: Apache-2.0

package internal

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"curewright/alerts"
	"curewright/history"
)

// line is a channel that is down, or keeps what it is given.
type line struct {
	down bool
	mu   sync.Mutex
	got  map[string]int
}

func (l *line) channel() alerts.Channel {
	return alerts.Channel{Name: "phone", MaxPerHour: 1000, Send: l.send}
}

func (l *line) send(_ context.Context, m alerts.Message) error {
	if l.down {
		return errors.New("no route to host")
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.got[m.Alert.Subject]++
	return nil
}

const outboxChild = "CUREWRIGHT_TEST_OUTBOX"

// Messages that were handed on and saved before a kill -9 are delivered after
// it, from the real store.
func TestOutboxSurvivesKill(t *testing.T) {
	if dir := os.Getenv(outboxChild); dir != "" {
		raise(dir)
		return
	}
	dir := t.TempDir()
	var raised []string
	for round := range 3 {
		cmd := exec.Command(os.Args[0], "-test.run=^TestOutboxSurvivesKill$")
		cmd.Env = append(os.Environ(), outboxChild+"="+dir, fmt.Sprintf("%s_ROUND=%d", outboxChild, round))
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		n := 0
		for sc := bufio.NewScanner(out); sc.Scan(); {
			if s, ok := strings.CutPrefix(sc.Text(), "raised "); ok {
				raised = append(raised, s)
				if n++; n == 4+round {
					cmd.Process.Kill()
				}
			}
		}
		cmd.Wait()
		if n < 4+round {
			t.Fatalf("round %d: the child raised %d alerts and ended", round, n)
		}
	}

	st, err := history.Open(dir, history.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	up := &line{got: map[string]int{}}
	d := alerts.NewDispatcher(alerts.DispatchConfig{}, alerts.New(alerts.Tuning{}, st, nil), st, up.channel())
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); d.Run(ctx) }()
	for range 200 {
		if d.Stats()["phone"].Queued == 0 {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	cancel()
	<-done
	for _, s := range raised {
		if up.got[s] == 0 {
			t.Errorf("%s was handed on before the kill and is lost", s)
		}
	}
	if rows, err := st.LoadOutbox(t.Context()); err != nil || len(rows) != 0 {
		t.Errorf("%d rows left, %v", len(rows), err)
	}
}

// raise fires one alert after the other until it is killed.
func raise(dir string) {
	st, err := history.Open(dir, history.Options{})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	e := alerts.New(alerts.Tuning{}, st, nil)
	d := alerts.NewDispatcher(alerts.DispatchConfig{}, e, st, (&line{down: true}).channel())
	go d.Run(context.Background())
	in := alerts.Input{ClockTrusted: true}
	for i := range 1000 {
		s := fmt.Sprintf("%s-%d", os.Getenv(outboxChild+"_ROUND"), i)
		in.Now = time.Now()
		in.Conditions = append(in.Conditions, alerts.Condition{Rule: "trouble", Subject: s, Severity: alerts.Act, Say: "Look."})
		d.Handle(e.Step(in))
		// Handing on does not wait for the card; Save does.
		if err := d.Save(context.Background()); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		fmt.Println("raised " + s)
	}
}
