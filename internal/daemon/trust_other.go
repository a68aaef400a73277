//go:build !linux

package daemon

import "time"

// clockSynchronised: elsewhere than on a board the system keeps the clock.
func clockSynchronised() bool { return true }

// sinceBoot is as good as the process's own time: only differences are used.
func sinceBoot() time.Duration { return time.Since(processStart) }
