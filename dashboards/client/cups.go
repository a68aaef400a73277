// SPDX-License-Identifier: Apache-2.0

package client

import (
	"context"
	"encoding/json"
	"io"

	"curewright/dashboards/web"
)

// Mix asks what to mix and how the pouring stands.
func (c *Client) Mix(ctx context.Context, q web.MixQuery) (json.RawMessage, error) {
	return ask[json.RawMessage](ctx, c, "POST", api+"/mix", nil, q, "")
}

// Stock returns every container with what is left of it.
func (c *Client) Stock(ctx context.Context) (json.RawMessage, error) {
	return get[json.RawMessage](ctx, c, api+"/stock", nil)
}

// StockCSV writes the containers as a file.
func (c *Client) StockCSV(ctx context.Context, w io.Writer) error {
	return c.copy(ctx, w, api+"/stock.csv", nil)
}

// ImportStock sends a file of containers and returns their ids.
func (c *Client) ImportStock(ctx context.Context, csv string) ([]string, error) {
	out, err := ask[struct{ IDs []string }](ctx, c, "POST", api+"/stock/import", nil, map[string]string{"csv": csv}, Key())
	return out.IDs, err
}
