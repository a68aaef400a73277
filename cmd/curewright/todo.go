package main

import (
	"context"
	"encoding/json"
	"errors"

	"curewright/model/job"
	"curewright/model/plan"
)

var errNotYet = errors.New("not built yet")

func (c *planCmd) write(j *job.Job, res plan.Result) error { return errNotYet }

func fitSheet(sheet json.RawMessage) (json.RawMessage, error) { return nil, errNotYet }

type fitCmd struct{}

func (fitCmd) Run(*app) error { return errNotYet }

func recordOffline(ctx context.Context, dir, panel, format string) ([]byte, error) {
	return nil, errNotYet
}
