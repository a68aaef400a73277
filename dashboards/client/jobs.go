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
	var a struct{ Jobs []web.JobHead }
	err := c.call(ctx, "GET", at("jobs"), nil, nil, "", &a)
	return a.Jobs, err
}

// Job is one job with its steps.
func (c *Client) Job(ctx context.Context, id string) (v web.JobView, err error) {
	err = c.call(ctx, "GET", at("jobs", id), nil, nil, "", &v)
	return v, err
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
	var a struct {
		At   time.Time
		Next []job.Next
	}
	err = c.call(ctx, "GET", at("next"), q, nil, "", &a)
	return a.At, a.Next, err
}

// NewJob writes a job.
func (c *Client) NewJob(ctx context.Context, q web.NewJob) (e web.Entered, err error) {
	err = c.call(ctx, "POST", at("jobs"), nil, q, Key(), &e)
	return e, err
}

// Enter makes an entry of a job: what is done, mixed, feel, skip, later,
// repeat, reopen, settle or insert. A finger test may be of no job, "".
func (c *Client) Enter(ctx context.Context, jobID, what string, q any) (e web.Entered, err error) {
	p := at("jobs", jobID, what)
	if jobID == "" {
		p = at(what)
	}
	err = c.call(ctx, "POST", p, nil, q, Key(), &e)
	return e, err
}

// Entries lists what was entered, newest first.
func (c *Client) Entries(ctx context.Context, limit int) ([]web.EntryView, error) {
	var a struct{ Entries []web.EntryView }
	err := c.call(ctx, "GET", at("entries"), url.Values{"limit": {strconv.Itoa(limit)}}, nil, "", &a)
	return a.Entries, err
}

// Undo takes an entry back as a whole; "" is the newest.
func (c *Client) Undo(ctx context.Context, id string) (u web.Undone, err error) {
	p := at("undo")
	if id != "" {
		p = at("entries", id, "undo")
	}
	err = c.call(ctx, "POST", p, nil, nil, Key(), &u)
	return u, err
}

// Recorded is a record as it stands, with all its versions.
func (c *Client) Recorded(ctx context.Context, kinds, id string, into any) error {
	return c.call(ctx, "GET", at(kinds, id), nil, nil, "", into)
}
