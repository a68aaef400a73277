// SPDX-License-Identifier: Apache-2.0

package client

import (
	"context"
	"encoding/json"

	"curewright/dashboards/web"
)

// HoldTent asks for a plain set point, °C, inside the file's limits, and
// returns the tent.
func (c *Client) HoldTent(ctx context.Context, setPointC float64) (web.TentView, error) {
	return ask[web.TentView](ctx, c, "PUT", api+"/tent/setpoint", nil, map[string]float64{"set_point_c": setPointC}, "")
}

// AimTent asks for set points that land a coat's window; the request and the
// answer are the daemon's own JSON.
func (c *Client) AimTent(ctx context.Context, body json.RawMessage) (json.RawMessage, error) {
	return ask[json.RawMessage](ctx, c, "POST", api+"/tent/aim", nil, body, "")
}

// DropTentAim goes back to the plain hold.
func (c *Client) DropTentAim(ctx context.Context) error {
	return c.call(ctx, "DELETE", api+"/tent/aim", nil, nil, "", nil)
}
