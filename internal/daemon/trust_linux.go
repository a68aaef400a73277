// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// ClockSynchronised reports whether the kernel says that the wall clock is
// synchronised, or a clock chip is there to have set it at boot.
func ClockSynchronised() bool { return kernelSynchronised() || clockChip() }

// kernelSynchronised reports whether the kernel says that something outside
// keeps the wall clock right.
func kernelSynchronised() bool {
	var t unix.Timex
	// TIME_ERROR is the state of a clock that nobody has set (adjtimex(2)).
	state, err := unix.Adjtimex(&t)
	return err == nil && state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0
}

// clockChip reports whether there is a clock chip that set the clock at boot.
// Its battery may be flat: it counts only where its date is after the last
// record.
func clockChip() bool {
	_, err := os.Stat("/dev/rtc0")
	return err == nil
}

// sinceBoot is the time since the kernel started, with the time it was asleep.
func sinceBoot() time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &t); err != nil {
		return time.Since(processStart)
	}
	return time.Duration(t.Nano())
}
