// SPDX-License-Identifier: Apache-2.0

package client

import (
	"context"
	"encoding/json"
	"io"

	"curewright/dashboards/web"
)

// Mix asks what to mix and how the pouring stands.
func (c *Client) Mix(ctx context.Context, q web.MixQuery) (out json.RawMessage, err error) {
	err = c.call(ctx, "POST", api+"/mix", nil, q, "", &out)
	return out, err
}

// Stock returns every container with what is left of it.
func (c *Client) Stock(ctx context.Context) (out json.RawMessage, err error) {
	err = c.call(ctx, "GET", api+"/stock", nil, nil, "", &out)
	return out, err
}

// StockCSV writes the containers as a file.
func (c *Client) StockCSV(ctx context.Context, w io.Writer) error {
	return c.copy(ctx, w, api+"/stock.csv", nil)
}

// ImportStock sends a file of containers and returns their ids.
func (c *Client) ImportStock(ctx context.Context, csv string) ([]string, error) {
	var out struct{ IDs []string }
	err := c.call(ctx, "POST", api+"/stock/import", nil, map[string]string{"csv": csv}, Key(), &out)
	return out.IDs, err
}
