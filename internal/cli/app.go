// SPDX-License-Identifier: Apache-2.0

// Package cli is the commands that talk to a daemon or work without one: their
// flags, their output, their examples. What the daemon does is not computed
// here a second time; flags common to all and exit codes are cmd/curewright's.
package cli

import (
	"context"
	"encoding/json"
	"fmt"
	"io"

	"curewright/dashboards/client"
	"curewright/internal/argv"
	"curewright/internal/fault"
)

// App is what every command gets: the process without the process, so that
// tests can run commands whole.
type App struct {
	Ctx      context.Context
	In       io.Reader
	Out, Err io.Writer
	Units    Units
	Server   string
	Token    string     // path of the token file
	Build    Build      // the program's own
	Program  *argv.Node // its command line
}

// JSON prints exactly one JSON object.
func (a *App) JSON(v any) error {
	enc := json.NewEncoder(a.Out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

// done says what was done: the facts as one JSON object, or the sentence.
func (a *App) done(asJSON bool, facts map[string]any, format string, args ...any) error {
	if asJSON {
		return a.JSON(facts)
	}
	_, err := fmt.Fprintf(a.Out, format+"\n", args...)
	return err
}

const Caution = "An estimate, not a certificate of cure or strength: confirm with a fingertip, a hardness gauge, a test piece. The resin's data sheet and safety data sheet win over any number here; local codes and licensed practice win over both."

// Client is the daemon as --server names it. Commands that do nothing without
// one take it as an argument of Run.
func (a *App) Client() (*client.Client, error) {
	c, err := client.New(a.Server, a.Token)
	if err != nil {
		return nil, fault.Inputf("%v", err)
	}
	return c, nil
}

// did says what a command has done: one JSON object, or a line for people.
func (a *App) did(asJSON bool, object map[string]any, line string, words ...any) error {
	if asJSON {
		return a.JSON(object)
	}
	_, err := fmt.Fprintf(a.Out, line, words...)
	return err
}
