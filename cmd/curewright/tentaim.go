package main

import (
	"context"
	"encoding/json"
	"sync"

	"curewright/dashboards/web"
	"curewright/heat"
)

// aims is what the tent's plan is made for.
type aims struct {
	mu sync.Mutex
}

func (a *aims) profile() (heat.Profile, bool) { return heat.Profile{}, false }
func (a *aims) view() json.RawMessage         { return nil }
func (a *aims) learned() json.RawMessage      { return nil }
func (a *aims) drop()                         {}

func (t *tent) runAims(ctx context.Context) error { <-ctx.Done(); return ctx.Err() }

// TentAim is refused until it is built.
func (d tentDaemon) TentAim(context.Context, web.Who, json.RawMessage) (json.RawMessage, error) {
	return nil, web.ErrNotFound
}

// TentAimOff goes back to the plain hold.
func (d tentDaemon) TentAimOff(context.Context, web.Who) error { return nil }
