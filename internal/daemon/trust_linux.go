package daemon

import (
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// ClockSynchronised reports whether the kernel says that the wall clock is
// synchronised, or a clock chip is there to have set it at boot.
func ClockSynchronised() bool {
	var t unix.Timex
	// TIME_ERROR is the state of a clock that nobody has set (adjtimex(2)).
	if state, err := unix.Adjtimex(&t); err == nil && state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0 {
		return true
	}
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
