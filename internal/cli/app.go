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
	"strings"
	"time"

	"curewright/dashboards/client"
	"curewright/internal/argv"
	"curewright/internal/daemon"
	"curewright/internal/fault"
	"curewright/model/coat"
	"curewright/model/words"
)

// facts are what a sentence of the catalogue is filled with.
type facts = words.Facts

// App is what every command gets: the process without the process, so that
// tests can run commands whole.
type App struct {
	Ctx      context.Context
	In       io.Reader
	Out, Err io.Writer
	Units    string           // what people see: "si" or "us"; files and JSON never change
	Words    *words.Catalogue // of the person at the terminal, in their unit, but for JSON; nil is English
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

// orJSON ends a command that has nothing to say in words: by what went wrong, or
// with its answer as one JSON object.
func (a *App) orJSON(v any, err error) error {
	if err != nil {
		return err
	}
	return a.JSON(v)
}

// answer is what the daemon answered, read as a T.
func answer[T any](raw json.RawMessage) (v T, err error) {
	if err := json.Unmarshal(raw, &v); err != nil {
		return v, fmt.Errorf("the daemon's answer: %w", err)
	}
	return v, nil
}

// jsonFlag is the flag of a command that has no other.
type jsonFlag struct {
	JSON bool `help:"Print one JSON object."`
}

// Language reads the file that --language names; nil, English, for "".
func Language(path string) (*words.Catalogue, error) {
	c, err := daemon.Language(path)
	if err != nil {
		return nil, fault.Inputf("--language: %v", err)
	}
	return c, nil
}

// done says what was done: one JSON object, or a sentence of the catalogue.
func (a *App) done(asJSON bool, object map[string]any, code string, f facts) error {
	if asJSON {
		return a.JSON(object)
	}
	_, err := fmt.Fprintln(a.Out, a.say(code, f))
	return err
}

// view is how the person at the terminal reads: language, this machine's clock
// and unit.
func (a *App) view() words.View {
	return words.View{Words: a.Words, Loc: time.Local}
}

// say is the catalogue's sentence of a code below "cli".
func (a *App) say(code string, f facts) string { return a.view().Say("cli."+code, f) }

// tell prints what say says, folded to the width of a terminal.
func (a *App) tell(code string, f facts) { fmt.Fprintln(a.Out, Wrap(a.say(code, f), 78)) }

// row prints one figure under a heading: what it is, in so many columns, and
// then the text, hanging.
func (a *App) row(columns int, code, text string) {
	fmt.Fprintln(a.Out, hang(fmt.Sprintf("  %-*s ", columns, a.say(code, nil)), text))
}

// state and kind are a state's and a coat's word in the reader's language.
func (a *App) state(s coat.State) string { return a.view().Words.Text("state." + string(s)) }

func (a *App) kind(k string) any { return words.Known("kind."+k, k) }

// caution is what stands below every estimate.
func (a *App) caution() string { return cautionIn(a.Words) }

func cautionIn(c *words.Catalogue) string {
	return c.Text("record.caution.1") + " " + c.Text("record.caution.2")
}

// Caution is the same in English, for the help.
var Caution = cautionIn(nil)

// epoxy names a resin as the trade does, without saying "epoxy" twice.
func (a *App) epoxy(name string) string {
	if strings.HasSuffix(strings.ToLower(name), "epoxy") {
		return name
	}
	return a.say("epoxy", facts{"name": name})
}

// Client is the daemon as --server names it. Commands that do nothing without
// one take it as an argument of Run.
func (a *App) Client() (*client.Client, error) {
	c, err := client.New(a.Server, a.Token)
	if err != nil {
		return nil, fault.Inputf("%v", err)
	}
	c.Fahrenheit = a.Words.Fahrenheit()
	return c, nil
}

// degrees is a temperature by itself.
func (a *App) degrees(c float64) string { return a.view().Tenth(c) }
