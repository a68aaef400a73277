// SPDX-License-Identifier: Apache-2.0

//go:build !linux

package relay

import (
	"errors"
	"io"
	"os"
)

type noLine struct{ Line }

func openChip(string, bool) (*noLine, error) { return nil, ErrNoLine }

func lookChip(string) error { return ErrNoLine }

func lockFile(*os.File) error { return nil }

type nothing struct{}

func (nothing) Close() error { return nil }

func claimName(string) (io.Closer, error) { return nothing{}, nil }

func watchdogTimeout(*os.File, int) (int, error) {
	return 0, errors.New("not on this system")
}
