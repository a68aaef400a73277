// SPDX-License-Identifier: Apache-2.0

// Package command drives a heater through a program of the person's own: one
// long-running child that reads lines from its standard input, "on SECONDS"
// and "off", and switches off at the end of its input. SECONDS is the lease: a
// child that keeps it as well switches off even when the daemon is frozen (SIGSTOP)
// and its pipe stays open.
//
// The child is never started a second time while the daemon runs, since nobody
// knows in what state a child that died left the heater.
package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"sync"
	"time"

	"curewright/heat"
)

// Output owns the child and holds its lease.
type Output struct {
	argv  []string
	ttl   time.Duration
	errw  io.Writer
	lease *heat.Lease
	stop  context.CancelFunc
	ran   chan error

	mu   sync.Mutex
	cmd  *exec.Cmd
	in   io.WriteCloser
	gone chan struct{} // closed when the child ended
	err  error
}

var _ heat.Output = (*Output)(nil)

// New returns an output that starts argv at its first renewal. What the child
// prints goes to errw.
func New(argv []string, ttl time.Duration, errw io.Writer) *Output {
	return &Output{argv: argv, ttl: ttl, errw: errw}
}

// Lease is how long the child is left on without a renewal.
func (o *Output) Lease() time.Duration { return o.ttl }

func (o *Output) start() error {
	cmd := exec.Command(o.argv[0], o.argv[1:]...)
	cmd.Stdout, cmd.Stderr = o.errw, o.errw
	in, err := cmd.StdinPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return err
	}
	o.cmd, o.in, o.gone = cmd, in, make(chan struct{})
	go func() {
		err := cmd.Wait()
		o.mu.Lock()
		if o.err == nil {
			o.err = fmt.Errorf("command: it has ended (%v); what it left behind is not known", err)
		}
		o.mu.Unlock()
		close(o.gone)
	}()
	ctx, stop := context.WithCancel(context.Background())
	o.stop, o.ran = stop, make(chan error, 1)
	o.lease = heat.NewLease(line{o}, o.ttl)
	go func() { o.ran <- o.lease.Run(ctx) }()
	return nil
}

type line struct{ o *Output }

// Set writes one line to the child.
func (l line) Set(on bool) error {
	s := "off\n"
	if on {
		s = fmt.Sprintf("on %d\n", int(l.o.ttl/time.Second))
	}
	_, err := io.WriteString(l.o.in, s)
	return err
}

// Renew hands the request to the lease, which writes it.
func (o *Output) Renew(ctx context.Context, on bool) error {
	o.mu.Lock()
	if o.err == nil && o.cmd == nil {
		if err := o.start(); err != nil {
			o.err = fmt.Errorf("command: %w", err)
		}
	}
	err := o.err
	o.mu.Unlock()
	if err != nil {
		return err
	}
	if err := o.lease.Renew(ctx, on); err != nil {
		return fmt.Errorf("command: %w", err)
	}
	return nil
}

// Close sends off, closes the child's input and waits for it to end. After five
// seconds it kills the child and returns an error.
func (o *Output) Close() error {
	o.mu.Lock()
	cmd := o.cmd
	if o.err == nil {
		o.err = errors.New("command: closed")
	}
	o.mu.Unlock()
	if cmd == nil {
		return nil
	}
	o.stop()
	late := time.NewTimer(5 * time.Second)
	defer late.Stop()
	select {
	case <-o.ran: // the lease has written off
	case <-late.C:
	}
	o.in.Close()
	select {
	case <-o.gone:
		return nil
	case <-late.C:
		_ = cmd.Process.Kill()
		return errors.New("command: it did not end with its input and was killed")
	}
}
