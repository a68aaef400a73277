// SPDX-License-Identifier: Apache-2.0

// Command vouch tells Linux that its clock is right, or not any more, as the
// programs do that keep it by a network's time (adjtimex(2)).
package main

import (
	"os"

	"golang.org/x/sys/unix"
)

func main() {
	t := unix.Timex{Modes: unix.ADJ_STATUS | unix.ADJ_MAXERROR | unix.ADJ_ESTERROR, Maxerror: 1000, Esterror: 1000}
	if len(os.Args) > 1 {
		t.Status = unix.STA_UNSYNC
	}
	if _, err := unix.Adjtimex(&t); err != nil {
		println(err.Error())
		os.Exit(1)
	}
}
