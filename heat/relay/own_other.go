//go:build !unix

package relay

import "os/exec"

func own(*exec.Cmd) {}
