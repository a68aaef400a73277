package main

import (
	"context"
	"errors"
)

var errNotYet = errors.New("not built yet")

func recordOffline(ctx context.Context, dir, panel, format string) ([]byte, error) {
	return nil, errNotYet
}
