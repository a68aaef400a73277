// SPDX-License-Identifier: Apache-2.0

package heat

import (
	"context"
	"errors"
	"sync"
	"time"
)

// Output is what switches the heater. It goes off by itself when it has not
// been renewed for its lease; an implementation must ensure that without the help of
// the loop that renews it.
type Output interface {
	// Renew asks for on for another lease, or for off now. It returns an error if
	// the output may be in another state than was asked for, and returns when ctx
	// ends at the latest.
	Renew(ctx context.Context, on bool) error
	// Lease is how long the heater can stay on after the last renewal.
	Lease() time.Duration
	// Close switches off and releases the output.
	Close() error
}

// Line is a plain switch without a lease of its own, such as a GPIO line. Set
// may be repeated.
type Line interface{ Set(on bool) error }

// ErrNoRenewal is the error of a renewal that [Lease.Run] did not take in time.
var ErrNoRenewal = errors.New("the lease is not running")

// Lease keeps a line on only while renewals come. If none comes within its time, or
// it ends, the line goes off and stays off until the next renewal.
type Lease struct {
	line  Line
	ttl   time.Duration
	renew chan bool

	mu   sync.Mutex
	err  error
	runs bool
}

// NewLease returns a lease; nothing is switched before [Lease.Run].
func NewLease(line Line, ttl time.Duration) *Lease {
	return &Lease{line: line, ttl: ttl, renew: make(chan bool)}
}

// Run owns the line until ctx ends. The line is off when Run starts and off
// when it returns, whatever happened between.
func (l *Lease) Run(ctx context.Context) (err error) {
	l.note(true, l.line.Set(false))
	defer func() {
		e := l.line.Set(false)
		l.note(false, e)
		if err == nil {
			err = e
		}
	}()
	expiry := time.NewTimer(l.ttl)
	defer expiry.Stop()
	on := false
	for {
		select {
		case <-ctx.Done():
			return nil
		case on = <-l.renew:
			expiry.Reset(l.ttl)
		case <-expiry.C:
			on = false
		}
		// The line is set every time, even if unchanged, in case something else has
		// switched it meanwhile.
		err := l.line.Set(on)
		l.note(true, err)
		if err != nil && on {
			on = false
			l.note(true, errors.Join(err, l.line.Set(false)))
		}
	}
}

func (l *Lease) note(runs bool, err error) {
	l.mu.Lock()
	l.runs, l.err = runs, err
	l.mu.Unlock()
}

// Renew asks for on for another lease, or for off now. Its error is the line's last
// one, or [ErrNoRenewal].
func (l *Lease) Renew(ctx context.Context, on bool) error {
	select {
	case l.renew <- on:
	case <-ctx.Done():
		return errors.Join(ErrNoRenewal, ctx.Err())
	}
	return l.Err()
}

// Err is the error of the line's last switching, nil for none.
func (l *Lease) Err() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.err
}
