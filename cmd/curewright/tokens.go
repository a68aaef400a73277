package main

import (
	"context"
	"fmt"
	"time"

	"curewright/dashboards/web"
	"curewright/history"
)

// pairFor is how long a pairing code is good, and it is good once.
const pairFor = 10 * time.Minute

// Authenticate finds whose token it is. Tokens live on the board's own clock:
// a simulated weekend must not let them expire.
func (d *daemon) Authenticate(_ context.Context, token string) (web.Who, bool) {
	now := time.Now()
	t, ok := d.store.TokenByHash(web.HashToken(token), now)
	if !ok {
		return web.Who{}, false
	}
	d.store.UseToken(t.ID, now)
	return web.Who{Name: t.Name, Role: web.Role(t.Role)}, true
}

// NewPairCode makes a one-time code for a role.
func (d *daemon) NewPairCode(ctx context.Context, role web.Role, name string) (string, time.Time, error) {
	if err := checkRole(role); err != nil {
		return "", time.Time{}, err
	}
	code := web.NewCode()
	now := time.Now()
	err := d.store.PutPairCode(ctx, history.PairCode{Hash: web.HashToken(code), Role: string(role), Name: name, Expires: now.Add(pairFor)}, now)
	return code, now.Add(pairFor), err
}

func checkRole(role web.Role) error {
	switch role {
	case web.Look, web.Record, web.Push, web.Control:
		return nil
	}
	return web.Faults{{Field: "role", What: fmt.Sprintf("%q is not look, record, push or control", role)}}
}

// Redeem turns a code into a token, once.
func (d *daemon) Redeem(ctx context.Context, code, device string) (string, web.Who, error) {
	c, ok, err := d.store.TakePairCode(ctx, web.HashToken(web.CleanCode(code)), time.Now())
	if err != nil {
		return "", web.Who{}, err
	}
	if !ok {
		return "", web.Who{}, web.ErrNotFound
	}
	name := c.Name
	if name == "" {
		name = device
	}
	if name == "" {
		name = "a " + c.Role + " device"
	}
	token := web.NewToken()
	hash := web.HashToken(token)
	if err := d.store.PutToken(ctx, history.Token{ID: hash[:8], Name: name, Role: c.Role, Hash: hash, Made: time.Now()}); err != nil {
		return "", web.Who{}, err
	}
	d.event("paired", name, "let in with the role "+c.Role, d.clk.Now())
	return token, web.Who{Name: name, Role: web.Role(c.Role)}, nil
}

// ListTokens lists the tokens that are good, without their secrets.
func (d *daemon) ListTokens(context.Context) ([]web.TokenInfo, error) {
	out := []web.TokenInfo{}
	for _, t := range d.store.Tokens() {
		if t.Revoked == nil {
			out = append(out, web.TokenInfo{ID: t.ID, Name: t.Name, Role: web.Role(t.Role), Made: t.Made, Used: t.Used, Expires: t.Expires})
		}
	}
	return out, nil
}

// RevokeToken shuts a token out at once.
func (d *daemon) RevokeToken(ctx context.Context, id string) error {
	if err := d.store.RevokeToken(ctx, id, time.Now()); err != nil {
		return webError(err)
	}
	d.event("revoked", id, "token revoked", d.clk.Now())
	return nil
}
