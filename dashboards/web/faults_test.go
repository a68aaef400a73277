// SPDX-License-Identifier: Apache-2.0

package web_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"sync"
	"testing"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/internal/daemon/daemontest"
	"curewright/model/coat"
	"curewright/sensors"
)

// shop is the real daemon with work in it, bare one with nothing.
func shop(t testing.TB) *daemontest.Daemon {
	return daemontest.NewShop(t, daemontest.Options{InMemory: true})
}

func bare(t testing.TB) *daemontest.Daemon {
	return daemontest.New(t, daemontest.Options{InMemory: true, At: daemontest.ShopAt})
}

// tented is the shop with a heated tent.
func tented(t testing.TB) *daemontest.Daemon {
	return daemontest.NewShop(t, daemontest.Options{InMemory: true, Before: daemontest.Tent(t)})
}

// link is the secret of a message that says what there is to do, good for
// acknowledging once.
func link(t testing.TB, d *daemontest.Daemon) string {
	t.Helper()
	as, err := d.Alerts(t.Context(), false)
	if err != nil || len(as) == 0 {
		t.Fatalf("no alert in the shop: %v", err)
	}
	token := d.Rules().MintAck(as[0].ID)
	if token == "" {
		t.Fatalf("nothing to acknowledge: %+v", as[0])
	}
	return token
}

// faulty is a daemon with what the real one can't be made to have at will: calls
// that fail, parts that are late, figures of a shop that is too large or unruly,
// counts of other ends that refuse.
type faulty struct {
	web.Backend
	err      error
	late     []string
	edit     func(*web.Snapshot)
	store    *web.StoreStats
	channels []web.ChannelStats
	forwards []web.ForwardStats
	intakes  []web.IntakeStats
}

func (b *faulty) Snapshot(ctx context.Context) (web.Snapshot, error) {
	s, err := b.Backend.Snapshot(ctx)
	if b.edit != nil {
		b.edit(&s)
	}
	return s, errors.Join(b.err, err)
}

func (b *faulty) Work(ctx context.Context) (*coat.Work, error) {
	w, err := b.Backend.Work(ctx)
	return w, errors.Join(b.err, err)
}

func (b *faulty) Probes(ctx context.Context) ([]sensors.Health, error) {
	ps, err := b.Backend.Probes(ctx)
	return ps, errors.Join(b.err, err)
}

func (b *faulty) Readings(ctx context.Context, probe string, from, to time.Time, yield func(sensors.Reading) bool) error {
	if b.err != nil {
		return b.err
	}
	return b.Backend.Readings(ctx, probe, from, to, yield)
}

func (b *faulty) PushReadings(ctx context.Context, who web.Who, accept bool, rs []web.PushReading) (web.PushResult, error) {
	if b.err != nil {
		return web.PushResult{}, b.err
	}
	return b.Backend.PushReadings(ctx, who, accept, rs)
}

func (b *faulty) NewPairCode(ctx context.Context, role web.Role, name string, days int) (string, time.Time, error) {
	if b.err != nil {
		return "", time.Time{}, b.err
	}
	return b.Backend.NewPairCode(ctx, role, name, days)
}

func (b *faulty) Ready(ctx context.Context) []string { return b.late }

func (b *faulty) StoreStats() web.StoreStats {
	if b.store != nil {
		return *b.store
	}
	return b.Backend.StoreStats()
}

func (b *faulty) AlertChannels(ctx context.Context) []web.ChannelStats { return b.channels }
func (b *faulty) Forwards(ctx context.Context) []web.ForwardStats      { return b.forwards }
func (b *faulty) IntakeStats() []web.IntakeStats                       { return b.intakes }

// flooded is a daemon whose events the test makes.
type flooded struct {
	web.Backend
	hub *web.Hub
}

func flood(t testing.TB) *flooded { return &flooded{bare(t), web.NewHub(8)} }

func (b *flooded) Subscribe() (<-chan web.Event, func()) { return b.hub.Subscribe() }

// noting writes down each call that would change something, and lets it through.
type noting struct {
	web.Backend
	mu  sync.Mutex
	all []string
}

func (b *noting) note(who web.Who, format string, a ...any) {
	b.mu.Lock()
	b.all = append(b.all, who.Name+" "+fmt.Sprintf(format, a...))
	b.mu.Unlock()
}

// calls are those so far, oldest first.
func (b *noting) calls() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string{}, b.all...)
}

func (b *noting) Create(ctx context.Context, who web.Who, kind string, body json.RawMessage, key string) (string, bool, error) {
	b.note(who, "create %s %s", kind, body)
	return b.Backend.Create(ctx, who, kind, body, key)
}

func (b *noting) Patch(ctx context.Context, who web.Who, kind, id string, body json.RawMessage, key string) error {
	b.note(who, "patch %s %s %s", kind, id, body)
	return b.Backend.Patch(ctx, who, kind, id, body, key)
}

func (b *noting) Delete(ctx context.Context, who web.Who, kind, id, key string) error {
	b.note(who, "delete %s %s", kind, id)
	return b.Backend.Delete(ctx, who, kind, id, key)
}

func (b *noting) EndBatch(ctx context.Context, who web.Who, id string, at time.Time, leftG *float64, key string) error {
	b.note(who, "end %s", id)
	return b.Backend.EndBatch(ctx, who, id, at, leftG, key)
}

func (b *noting) PushReadings(ctx context.Context, who web.Who, accept bool, rs []web.PushReading) (web.PushResult, error) {
	b.note(who, "push %d accept=%v", len(rs), accept)
	return b.Backend.PushReadings(ctx, who, accept, rs)
}

func (b *noting) SetProbe(ctx context.Context, who web.Who, id string, name, role, panel *string, accepted *bool) error {
	b.note(who, "probe %s", id)
	return b.Backend.SetProbe(ctx, who, id, name, role, panel, accepted)
}

func (b *noting) ForgetProbe(ctx context.Context, who web.Who, id string) error {
	b.note(who, "forget %s", id)
	return b.Backend.ForgetProbe(ctx, who, id)
}

func (b *noting) Ack(ctx context.Context, who web.Who, id string) error {
	b.note(who, "ack %s", id)
	return b.Backend.Ack(ctx, who, id)
}

func (b *noting) PutSettings(ctx context.Context, who web.Who, patch json.RawMessage) error {
	b.note(who, "settings %s", patch)
	return b.Backend.PutSettings(ctx, who, patch)
}

func (b *noting) TrustClock(ctx context.Context, who web.Who, phone time.Time, confirm string) error {
	b.note(who, "clock %s", phone)
	return b.Backend.TrustClock(ctx, who, phone, confirm)
}

func (b *noting) AckByLink(ctx context.Context, token string) (alerts.Alert, error) {
	a, err := b.Backend.AckByLink(ctx, token)
	if err == nil {
		b.note(web.Who{Name: "link"}, "ack %s", a.ID)
	}
	return a, err
}

func (b *noting) Restore(ctx context.Context, who web.Who, r io.Reader) (string, error) {
	next, err := b.Backend.Restore(ctx, who, r)
	if err == nil {
		b.note(who, "restore")
	}
	return next, err
}
