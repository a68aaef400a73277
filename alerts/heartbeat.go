// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"time"
)

// Heartbeat fetches an address at intervals for as long as every part of the
// daemon makes progress. Whoever keeps the address notices the silence when
// the board, its power or its network is gone: the daemon itself can't tell.
type Heartbeat struct {
	URL     string
	Every   time.Duration // default 5 min, at least 1 min
	Healthy func() bool   // every part has made progress within its own limit
	Client  *http.Client  // nil for one that follows no redirects
	Log     *slog.Logger

	lastErr string // "" after a successful fetch
}

// Run fetches the address at intervals until ctx ends.
func (h *Heartbeat) Run(ctx context.Context) error {
	every := h.Every
	if every <= 0 {
		every = 5 * time.Minute
	}
	every = max(every, time.Minute)
	t := time.NewTicker(every)
	defer t.Stop()
	for {
		h.beat(ctx)
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-t.C:
		}
	}
}

func (h *Heartbeat) beat(ctx context.Context) {
	if h.Healthy != nil && !h.Healthy() {
		return
	}
	err := h.send(ctx)
	switch {
	case err == nil:
		h.lastErr = ""
	case ctx.Err() == nil:
		if h.Log != nil && h.lastErr != err.Error() {
			h.Log.Warn("heartbeat not taken", "err", err)
		}
		h.lastErr = err.Error()
	}
}

func (h *Heartbeat) send(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	// The address is often a secret by itself and is kept out of errors.
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, h.URL, nil)
	if err != nil {
		return errors.New("heartbeat: not a usable address")
	}
	req.Header.Set("User-Agent", "curewright")
	c := h.Client
	if c == nil {
		c = plainClient
	}
	res, err := c.Do(req)
	if err != nil {
		return fmt.Errorf("heartbeat: %w", withoutURL(err))
	}
	defer res.Body.Close()
	io.Copy(io.Discard, io.LimitReader(res.Body, 64<<10))
	if res.StatusCode/100 != 2 {
		return fmt.Errorf("heartbeat: answered %s", res.Status)
	}
	return nil
}
