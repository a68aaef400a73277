// SPDX-License-Identifier: Apache-2.0

package client

import (
	"context"
	"encoding/json"

	"curewright/dashboards/web"
)

// HoldTent asks for a plain set point, °C, inside the file's limits, and
// returns the tent.
func (c *Client) HoldTent(ctx context.Context, setPointC float64) (t web.TentView, err error) {
	err = c.call(ctx, "PUT", api+"/tent/setpoint", nil, map[string]float64{"set_point_c": setPointC}, "", &t)
	return t, err
}

// AimTent asks for set points that land a coat's window; the request and the
// answer are the daemon's own JSON.
func (c *Client) AimTent(ctx context.Context, body json.RawMessage) (out json.RawMessage, err error) {
	err = c.call(ctx, "POST", api+"/tent/aim", nil, body, "", &out)
	return out, err
}

// DropTentAim goes back to the plain hold.
func (c *Client) DropTentAim(ctx context.Context) error {
	return c.call(ctx, "DELETE", api+"/tent/aim", nil, nil, "", nil)
}
