// SPDX-License-Identifier: Apache-2.0

//go:build !linux

package daemon

import "time"

// kernelSynchronised: elsewhere than on a board the system keeps the clock.
func kernelSynchronised() bool { return true }

// BoardChip: elsewhere than on a board nobody asks for it.
func BoardChip() (Chip, bool) { return Chip{}, false }

// sinceBoot is as good as the process's own time: only differences are used.
func sinceBoot() time.Duration { return time.Since(processStart) }
