// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/daemon/access"
)

const day = 24 * time.Hour

func (d *Daemon) openAccess() *access.Access {
	return access.Open(access.Options{Store: d.store, Now: d.clk.Wall, DateKnown: d.clockTrusted.Load,
		Note: func(kind, subject, text string) { d.event(kind, subject, text, d.clk.Now()) }})
}

// Authenticate finds whose token it is. Open event streams ask again at each
// heartbeat.
func (d *Daemon) Authenticate(ctx context.Context, token string) (web.Who, bool) {
	return d.access.Authenticate(ctx, token)
}

// NewPairCode makes a one-time code for a role.
func (d *Daemon) NewPairCode(_ context.Context, role web.Role, name string, days int) (string, time.Time, error) {
	return d.access.NewPairCode(role, name, days)
}

// Redeem turns a code into a token, once.
func (d *Daemon) Redeem(ctx context.Context, code, device string) (string, web.Who, error) {
	token, who, err := d.access.Redeem(ctx, code, device)
	return token, who, webError(err)
}

// ListTokens lists the tokens that are good, without their secrets.
func (d *Daemon) ListTokens(context.Context) ([]web.TokenInfo, error) { return d.access.List(), nil }

// RevokeToken shuts a token out at once.
func (d *Daemon) RevokeToken(ctx context.Context, id string) error {
	return named("token", id, webError(d.access.Revoke(ctx, id)))
}
