// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"time"

	"golang.org/x/sys/unix"
)

// kernelSynchronised reports whether the kernel says that something outside
// keeps the wall clock right.
func kernelSynchronised() bool {
	var t unix.Timex
	// TIME_ERROR is the state of a clock that nobody has set (adjtimex(2)).
	state, err := unix.Adjtimex(&t)
	return err == nil && state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0
}

// BoardChip reads this board's clock chip.
func BoardChip() (Chip, bool) { return readChip(rtcRoot) }

// sinceBoot is the time since the kernel started, with the time it was asleep.
func sinceBoot() time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &t); err != nil {
		return time.Since(processStart)
	}
	return time.Duration(t.Nano())
}
