// SPDX-License-Identifier: Apache-2.0

package client

import (
	"bytes"
	"context"
	"encoding/json"
	"net/url"
)

// Memory returns what was learnt, as the daemon's JSON.
func (c *Client) Memory(ctx context.Context) (out json.RawMessage, err error) {
	err = c.call(ctx, "GET", api+"/memory", nil, nil, "", &out)
	return out, err
}

// ForgetMemory forgets what fits {"all"} or any of "coat", "resin", "lot",
// "person".
func (c *Client) ForgetMemory(ctx context.Context, q map[string]any) (out json.RawMessage, err error) {
	err = c.call(ctx, "POST", api+"/memory/forget", nil, q, "", &out)
	return out, err
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
func (c *Client) ImportMemory(ctx context.Context, file []byte) (out json.RawMessage, err error) {
	err = c.call(ctx, "POST", api+"/memory/file", nil, json.RawMessage(file), "", &out)
	return out, err
}
