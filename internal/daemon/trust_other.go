// SPDX-License-Identifier: Apache-2.0

//go:build !linux

package daemon

import "time"

// ClockSynchronised: elsewhere than on a board the system keeps the clock.
func ClockSynchronised() bool { return true }

func kernelSynchronised() bool { return true }

func clockChip() bool { return false }

// sinceBoot is as good as the process's own time: only differences are used.
func sinceBoot() time.Duration { return time.Since(processStart) }
