// SPDX-License-Identifier: Apache-2.0

package client

import (
	"bytes"
	"context"
	"encoding/json"
	"net/url"
)

// Memory returns what was learnt, as the daemon's JSON.
func (c *Client) Memory(ctx context.Context) (json.RawMessage, error) {
	return get[json.RawMessage](ctx, c, api+"/memory", nil)
}

// ForgetMemory forgets what fits {"all"} or any of "coat", "resin", "lot",
// "person".
func (c *Client) ForgetMemory(ctx context.Context, q map[string]any) (json.RawMessage, error) {
	return ask[json.RawMessage](ctx, c, "POST", api+"/memory/forget", nil, q, "")
}

// MemoryFile returns what was learnt as one file; lots alone for a yard.
func (c *Client) MemoryFile(ctx context.Context, lots bool) ([]byte, error) {
	q := url.Values{}
	if lots {
		q.Set("what", "lots")
	}
	var b bytes.Buffer
	err := c.copy(ctx, &b, api+"/memory/file", q)
	return b.Bytes(), err
}

// ImportMemory sends such a file.
func (c *Client) ImportMemory(ctx context.Context, file []byte) (json.RawMessage, error) {
	return ask[json.RawMessage](ctx, c, "POST", api+"/memory/file", nil, json.RawMessage(file), "")
}
