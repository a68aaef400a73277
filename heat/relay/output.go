// SPDX-License-Identifier: Apache-2.0

package relay

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"time"

	"curewright/heat"
)

// Output is the daemon's side of the connection to a guard.
type Output struct {
	argv  []string
	lease time.Duration
	errw  io.Writer

	gone chan struct{} // receives when a guard ended unasked

	mu    sync.Mutex
	child *child
	n     uint64
	died  int
	ended bool
}

// OnItsWay is how much shorter the guard's lease is than the output's. The output's
// lease counts from when the daemon sent its last renewal, the guard's from when it
// read it. A slow board needs some time to read the renewal and to switch.
const OnItsWay = time.Second

// maxDied bounds how many guards are started to replace dead or hanging ones.
const maxDied = 20

var _ heat.Output = (*Output)(nil)

type child struct {
	cmd     *exec.Cmd
	in      io.WriteCloser
	answers chan string // closed when the guard is gone
}

const (
	// answerIn is how long a guard may take to answer; it takes milliseconds.
	answerIn = 2 * time.Second
	// endIn is how long a killed process may take to be gone.
	endIn = 2 * time.Second
)

// kill ends a guard for good, so that its successor gets the line: one that
// hangs keeps it otherwise. It reports whether the guard is gone.
func (c *child) kill() bool {
	c.in.Close()
	_ = c.cmd.Process.Kill() // it may have ended already
	return c.ended(endIn)    // false for a process stuck in the kernel
}

// ended waits at most so long for the guard to be gone, and reports whether it is.
func (c *child) ended(most time.Duration) bool {
	late := time.NewTimer(most)
	defer late.Stop()
	for {
		select {
		case _, ok := <-c.answers:
			if !ok {
				return true
			}
		case <-late.C:
			return false
		}
	}
}

// New returns an output that starts argv, a relay-guard without its lease, at
// its first renewal. Whatever happens to this process, the line is off within the
// lease. The guard's standard error goes to errw.
func New(argv []string, lease time.Duration, errw io.Writer) *Output {
	argv = append(slices.Clip(argv), "--lease", (lease - OnItsWay).String())
	return &Output{argv: argv, lease: lease, errw: errw, gone: make(chan struct{}, 1)}
}

// Gone receives at once when a guard ends unasked.
func (o *Output) Gone() <-chan struct{} { return o.gone }

// Lease is the longest time on after the last renewal.
func (o *Output) Lease() time.Duration { return o.lease }

func (o *Output) start() (*child, error) {
	cmd := exec.Command(o.argv[0], o.argv[1:]...)
	cmd.Stderr = o.errw
	own(cmd)
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	c := &child{cmd: cmd, in: in, answers: make(chan string, 16)}
	go func() {
		defer close(c.answers)
		s := bufio.NewScanner(out)
		for s.Scan() {
			select {
			case c.answers <- s.Text():
			default: // answers that nobody waits for
			}
		}
		_ = cmd.Wait()
		select {
		case o.gone <- struct{}{}:
		default:
		}
	}()
	return c, nil
}

// Renew passes the request on and waits for the guard's answer. A guard that
// is gone is an error, and a new one is started whose first act is to switch
// the line off; it is never asked for heat by the renewal that found the old
// one dead.
func (o *Output) Renew(ctx context.Context, on bool) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.ended {
		return errors.New("guard: closed")
	}
	if o.child == nil {
		if o.died > maxDied {
			return errors.New("guard: too many have died; unplug the heater and start the daemon anew")
		}
		c, err := o.start()
		if err != nil {
			return fmt.Errorf("guard: %w", err)
		}
		o.child = c
	}
	err := o.ask(ctx, o.child, on)
	if err == nil {
		return nil
	}
	// An orderly end would switch off, but it did not answer. So it is killed, and
	// its successor takes the line and switches off first.
	dead := o.child
	o.child = nil
	if !dead.kill() {
		err = errors.Join(err, errors.New("guard: it does not end even when killed"))
	}
	select {
	case <-o.gone: // this guard's end is handled here
	default:
	}
	if o.died++; o.died <= maxDied {
		var serr error
		if o.child, serr = o.start(); serr == nil {
			ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), answerIn)
			defer cancel()
			serr = o.ask(ctx, o.child, false)
		}
		if serr != nil {
			err = errors.Join(err, fmt.Errorf("its successor: %w", serr))
		}
	}
	return err
}

func (o *Output) ask(ctx context.Context, c *child, on bool) error {
	o.n++
	word := heat.OnOff(on)
	if _, err := fmt.Fprintf(c.in, "%s %d\n", word, o.n); err != nil {
		return fmt.Errorf("guard: %w", err)
	}
	want := fmt.Sprintf("ok %s %d", word, o.n)
	ctx, cancel := context.WithTimeout(ctx, answerIn)
	defer cancel()
	for {
		select {
		case s, ok := <-c.answers:
			switch {
			case !ok:
				return errors.New("guard: it has ended; nothing is known about its line")
			case s == want:
				return nil
			case strings.HasPrefix(s, fmt.Sprintf("err %d ", o.n)):
				return fmt.Errorf("guard: %s", strings.TrimPrefix(s, fmt.Sprintf("err %d ", o.n)))
			}
		case <-ctx.Done():
			return fmt.Errorf("guard: no answer: %w", ctx.Err())
		}
	}
}

// Pid is the guard's process, 0 for none.
func (o *Output) Pid() int {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.child == nil || o.child.cmd.Process == nil {
		return 0
	}
	return o.child.cmd.Process.Pid
}

// Close ends the guard's input, at which it switches off and ends.
func (o *Output) Close() error {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.ended = true
	c := o.child
	if c == nil {
		return nil
	}
	c.in.Close()
	if !c.ended(5 * time.Second) {
		return errors.New("guard: does not end")
	}
	return nil
}
