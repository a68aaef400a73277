// SPDX-License-Identifier: Apache-2.0

package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"sync"
	"time"
)

// Bounds of work that costs the board much. A board has few cores, and what
// follows coats and holds the heater goes first.
const (
	computeSlots = 1  // plans, fits, cups, traces, landings at once
	streamSlots  = 4  // readings, records and copies at once
	maxQueued    = 24 // requests that wait for either
	maxOfOne     = 8  // of one log-in, running or waiting, in each: a browser asks for six at once
	waitFor      = 20 * time.Second
	computeFor   = 25 * time.Second
	pourFor      = 10 * time.Minute // of readings, to somebody who reads slowly
)

// queue runs a bounded number of requests at once, in the order in which they
// came. Who waits and goes away leaves the queue; nobody holds more than a few
// places.
type queue struct {
	most    int
	waiting int

	mu    sync.Mutex
	runs  int
	by    map[string]int
	queue []chan struct{}
}

func newQueue(slots int) *queue { return &queue{most: slots, waiting: maxQueued, by: map[string]int{}} }

// Errors of a queue.
var (
	errQueueFull = errors.New("the board is busy: try again in a moment")
	errOwnFull   = errors.New("this log-in has asked for as much at once as the board does: wait for one of the others")
)

// enter waits for a place; leave gives it back and may be called once only.
func (q *queue) enter(ctx context.Context, who string) (leave func(), err error) {
	q.mu.Lock()
	switch {
	case q.by[who] >= maxOfOne:
		q.mu.Unlock()
		return nil, errOwnFull
	case q.runs < q.most && len(q.queue) == 0:
		q.runs++
		q.by[who]++
		q.mu.Unlock()
		return func() { q.leave(who) }, nil
	case len(q.queue) >= q.waiting:
		q.mu.Unlock()
		return nil, errQueueFull
	}
	turn := make(chan struct{})
	q.queue = append(q.queue, turn)
	q.by[who]++
	q.mu.Unlock()
	select {
	case <-turn:
		return func() { q.leave(who) }, nil
	case <-ctx.Done():
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	if i := slices.Index(q.queue, turn); i >= 0 {
		q.queue = slices.Delete(q.queue, i, i+1)
	} else {
		q.next() // the turn came in the same moment: it is passed on
	}
	q.forget(who)
	return nil, ctx.Err()
}

func (q *queue) leave(who string) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.next()
	q.forget(who)
}

// next gives a place that is free to whoever waits longest; mu is held.
func (q *queue) next() {
	if len(q.queue) == 0 {
		q.runs--
		return
	}
	close(q.queue[0])
	q.queue = q.queue[1:]
}

func (q *queue) forget(who string) {
	if q.by[who]--; q.by[who] == 0 {
		delete(q.by, who)
	}
}

// key is whose share of the board's work a request counts under.
func (w Who) key() string {
	if w.ID != "" {
		return w.ID
	}
	return w.Name
}

// errTooLong is that an answer took longer than the board gives one.
var errTooLong = errors.New("this takes the board too long: ask for less of it")

// computed does in its turn what costs the board much, and returns its answer.
func (s *Server) computed(w http.ResponseWriter, r *http.Request, do func(ctx context.Context) (any, error)) (any, error) {
	return s.work(w, r, s.compute, computeFor, do)
}

// work waits for a place in a queue and does what has its turn then, whose
// context ends with the client, and with limit where that is not 0.
func (s *Server) work(w http.ResponseWriter, r *http.Request, q *queue, limit time.Duration, do func(ctx context.Context) (any, error)) (any, error) {
	wait, cancel := context.WithTimeout(r.Context(), waitFor)
	leave, err := q.enter(wait, whoOf(r).key())
	cancel()
	switch {
	case err == nil:
	case r.Context().Err() != nil:
		panic(http.ErrAbortHandler) // nobody is listening
	default:
		if errors.Is(err, context.DeadlineExceeded) {
			err = errQueueFull
		}
		code := http.StatusServiceUnavailable
		if errors.Is(err, errOwnFull) {
			code = http.StatusTooManyRequests
		}
		w.Header().Set("Retry-After", "5")
		return nil, refuse(code, "", err.Error())
	}
	defer leave()
	ctx := r.Context()
	if limit > 0 {
		var stop context.CancelFunc
		ctx, stop = context.WithTimeout(ctx, limit)
		defer stop()
	}
	// Waiting was not the answer's fault. Unsupported only in tests' recorders.
	http.NewResponseController(w).SetWriteDeadline(time.Now().Add(writeTimeout))
	out, err := do(ctx)
	if err != nil && errors.Is(ctx.Err(), context.DeadlineExceeded) {
		err = fmt.Errorf("%w (%w)", errTooLong, err)
	}
	return out, err
}
