// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"bytes"
	"cmp"
	"fmt"
	"runtime"
	"runtime/debug"

	"curewright/internal/fault"
	"curewright/internal/manual"
)

// Build says which program this is.
type Build struct {
	Version string `json:"version"`   // such as 0.1.0, or 0.1.0-dev.20261128+gcc2d1963 before it
	Commit  string `json:"commit"`    // full hash; "" is not known
	Go      string `json:"toolchain"` // such as go1.26.10
	System  string `json:"system"`    // such as linux/arm
}

// Known fills in what the linker was not told: a build by hand has its commit
// from the toolchain where the checkout has its history.
func (b Build) Known() Build {
	b.Go, b.System = runtime.Version(), runtime.GOOS+"/"+runtime.GOARCH
	if bi, ok := debug.ReadBuildInfo(); ok {
		for _, s := range bi.Settings {
			if s.Key == "vcs.revision" {
				b.Commit = cmp.Or(b.Commit, s.Value)
			}
		}
	}
	b.Version = cmp.Or(b.Version, "unknown")
	return b
}

// String is what --version prints.
func (b Build) String() string {
	return fmt.Sprintf("curewright %s (commit %.12s, %s, %s)", b.Version, cmp.Or(b.Commit, "unknown"), b.Go, b.System)
}

type VersionCmd struct {
	JSON bool `name:"json" help:"Print one JSON object."`
}

func (c VersionCmd) Run(a *App) error {
	if c.JSON {
		return a.JSON(a.Build)
	}
	_, err := fmt.Fprintln(a.Out, a.Build)
	return err
}

type CompletionCmd struct {
	Format string `arg:"" enum:"bash,zsh,fish,man" help:"bash, zsh or fish; man is the page of the manual."`
}

func (CompletionCmd) Help() string {
	return "The Debian package brings them along; by hand:\n\n  curewright completion bash > /etc/bash_completion.d/curewright\n\nExample:\n\n  curewright completion man | man -l -"
}

func (c CompletionCmd) Run(a *App) error {
	var b bytes.Buffer
	if err := manual.Write(&b, c.Format, a.Program, a.Build.Version); err != nil {
		return fault.Inputf("%v", err)
	}
	_, err := a.Out.Write(b.Bytes())
	return err
}
