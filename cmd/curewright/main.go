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

// version is set by the linker.
var version = "unknown"

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal kills at once
	os.Exit(daemon.Main(ctx, version, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}
