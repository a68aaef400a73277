// SPDX-License-Identifier: Apache-2.0

package client

import (
	"context"
	"io"
	"net/url"
	"strconv"
	"time"

	"curewright/dashboards/web"
	"curewright/model/job"
)

// Jobs lists the jobs, newest first.
func (c *Client) Jobs(ctx context.Context) ([]web.JobHead, error) {
	return list[web.JobHead](ctx, c, "jobs", nil)
}

// Job is one job with its steps.
func (c *Client) Job(ctx context.Context, id string) (web.JobView, error) {
	return get[web.JobView](ctx, c, at("jobs", id), nil)
}

// JobFile writes a job as a job file.
func (c *Client) JobFile(ctx context.Context, w io.Writer, id string) error {
	return c.copy(ctx, w, at("jobs", id, "file"), nil)
}

// NextSteps are the next steps of all panels that lie up, or of one.
func (c *Client) NextSteps(ctx context.Context, panel string) (now time.Time, next []job.Next, err error) {
	q := url.Values{}
	if panel != "" {
		q.Set("panel", panel)
	}
	a, err := get[struct {
		At   time.Time
		Next []job.Next
	}](ctx, c, at("next"), q)
	return a.At, a.Next, err
}

// NewJob writes a job.
func (c *Client) NewJob(ctx context.Context, q web.NewJob) (web.Entered, error) {
	return ask[web.Entered](ctx, c, "POST", at("jobs"), nil, q, Key())
}

// Enter makes an entry of a job: what is done, mixed, feel, skip, later,
// repeat, reopen, settle or insert. A finger test may be of no job, "".
func (c *Client) Enter(ctx context.Context, jobID, what string, q any) (web.Entered, error) {
	p := at("jobs", jobID, what)
	if jobID == "" {
		p = at(what)
	}
	return ask[web.Entered](ctx, c, "POST", p, nil, q, Key())
}

// Entries lists what was entered, newest first.
func (c *Client) Entries(ctx context.Context, limit int) ([]web.EntryView, error) {
	return list[web.EntryView](ctx, c, "entries", url.Values{"limit": {strconv.Itoa(limit)}})
}

// Undo takes an entry back as a whole; "" is the newest.
func (c *Client) Undo(ctx context.Context, id string) (web.Undone, error) {
	p := at("undo")
	if id != "" {
		p = at("entries", id, "undo")
	}
	return ask[web.Undone](ctx, c, "POST", p, nil, nil, Key())
}

// Recorded is a record as it stands, with all its versions.
func (c *Client) Recorded(ctx context.Context, kinds, id string, into any) error {
	return c.call(ctx, "GET", at(kinds, id), nil, nil, "", into)
}
