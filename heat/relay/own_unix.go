// SPDX-License-Identifier: Apache-2.0

//go:build unix

package relay

import (
	"os/exec"
	"syscall"
)

// own puts the guard into a process group of its own, so that a Ctrl-C on the
// terminal does not reach it: it ends with its input, after the daemon has sent off.
func own(cmd *exec.Cmd) { cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} }
