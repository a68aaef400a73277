// Command curewright watches epoxy cure coat by coat: a daemon on a small
// board, and the command line that talks to it or computes offline.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // small boards often have no zone data of their own

	"curewright/internal/daemon"
)

// The linker sets these; "" where it was not told.
var version, commit string

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal kills at once
	os.Exit(daemon.Main(ctx, daemon.Build{Version: version, Commit: commit}, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}
