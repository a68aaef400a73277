// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"curewright/dashboards/client"
	"curewright/internal/fault"
	"curewright/model/coat"
	"curewright/model/job"
	"curewright/model/words"
)

// correctable are the records that may be put right by hand, by the words
// people use, with the API's word and their shape.
var correctable = map[string]struct {
	kinds string
	shape reflect.Type
}{
	"batch": {"batches", reflect.TypeFor[coat.Batch]()},
	"cup":   {"batches", reflect.TypeFor[coat.Batch]()},
	"coat":  {"coats", reflect.TypeFor[coat.Coat]()},
	"feel":  {"feels", reflect.TypeFor[coat.Feel]()},
	"panel": {"panels", reflect.TypeFor[coat.Panel]()},
	"piece": {"pieces", reflect.TypeFor[coat.Piece]()},
	"tick":  {"ticks", reflect.TypeFor[job.Tick]()},
}

// CorrectCmd puts any record right, at any time.
type CorrectCmd struct {
	Kind   string   `arg:"" enum:"batch,cup,coat,feel,panel,piece,tick" help:"batch (or cup), coat, feel, panel, piece or tick."`
	ID     string   `arg:"" name:"id" help:"Its short name."`
	Values []string `arg:"" optional:"" name:"key=value" help:"What is right; an empty value clears it."`
	Delete bool     `help:"It is void altogether; the record keeps it."`
	JSON   bool     `help:"Print one JSON object."`
}

func (CorrectCmd) Help() string {
	return "Keys are the API's: a cup's resin, resin_g, hardener_g, mixed, ended, lot; a\n" +
		"coat's kind, applied, batches, cloth, cover, next, ended; a finger test's at and\n" +
		"state; a panel's name, probe, core, area_m2. Times as everywhere: 15m (ago),\n" +
		"14:05, or RFC 3339. The record shows what stood there and what stands now.\n\n" +
		"Example:\n\n  curewright correct cup batch-3 resin_g=112 hardener_g=34 mixed=09:40\n" +
		"  curewright correct coat coat-2 batches=batch-3,batch-4 next=fill"
}

func (c *CorrectCmd) Run(a *App, cl *client.Client) error {
	k := correctable[c.Kind]
	if c.Delete {
		if len(c.Values) > 0 {
			return fault.Inputf("--delete: takes no values")
		}
		what := c.what(names{a, cl})
		if err := cl.Delete(a.Ctx, k.kinds, c.ID); err != nil {
			return err
		}
		if c.JSON {
			return a.JSON(map[string]string{"id": c.ID})
		}
		fmt.Fprintln(a.Out, hang("", a.say("correct.void", facts{"what": words.Upper(what)})))
		return nil
	}
	if len(c.Values) == 0 {
		return fault.Inputf("arguments: what is right? KEY=VALUE, or --delete")
	}
	now, _, err := cl.Coats(a.Ctx, false)
	if err != nil {
		return err
	}
	fields, err := correction(k.shape, c.Values, now)
	if err != nil {
		return err
	}
	what := words.Upper(c.what(names{a, cl}))
	before, _ := recordOf(a, cl, k.kinds, c.ID)
	if err := cl.Patch(a.Ctx, k.kinds, c.ID, fields); err != nil {
		return err
	}
	if c.JSON {
		return a.JSON(map[string]string{"id": c.ID})
	}
	after, _ := recordOf(a, cl, k.kinds, c.ID)
	for _, key := range slices.Sorted(maps.Keys(fields)) {
		fmt.Fprintln(a.Out, hang("", a.say("correct.changed", facts{"what": what, "key": key, "was": a.shown(key, before[key], now), "is": a.shown(key, after[key], now)})))
	}
	a.tell("correct.both", nil)
	return nil
}

// what is the record as people call it, with its id.
func (c *CorrectCmd) what(n names) string {
	s := ""
	switch c.Kind {
	case "coat":
		s = n.coat(c.ID)
	case "batch", "cup":
		s = n.cup(c.ID)
	case "panel":
		s = n.panel(c.ID)
	case "feel":
		var out struct{ Record coat.Feel }
		if n.cl.Recorded(n.a.Ctx, "feels", c.ID, &out) == nil && out.Record.Coat != "" {
			s = n.a.say("name.feel", facts{"coat": n.coat(out.Record.Coat), "at": n.clock(out.Record.At)})
		}
	case "piece":
		var out struct{ Record coat.Piece }
		if n.cl.Recorded(n.a.Ctx, "pieces", c.ID, &out) == nil {
			s = out.Record.Name
		}
	}
	if s == "" || s == c.ID || s == n.plain(c.Kind, c.ID) {
		return n.plain(c.Kind, c.ID)
	}
	return s + " (" + c.ID + ")"
}

// recordOf is a record's fields as they stand; none where it cannot be read,
// as of a tick.
func recordOf(a *App, cl *client.Client, kinds, id string) (map[string]any, error) {
	var out struct{ Record map[string]any }
	err := cl.Recorded(a.Ctx, kinds, id, &out)
	return out.Record, err
}

// shown is a field's value in a sentence.
func (a *App) shown(key string, v any, now time.Time) string {
	switch v := v.(type) {
	case nil:
		return a.say("correct.empty", nil)
	case string:
		if key == "state" {
			return a.state(coat.State(v))
		}
		if t, err := time.Parse(time.RFC3339Nano, v); err == nil {
			t = t.In(now.Location())
			return a.day(t) + " " + a.dayClock(t)
		}
		return fmt.Sprintf("%q", v)
	}
	b, err := json.Marshal(v)
	if err != nil {
		return "?"
	}
	return string(b)
}

// correction reads KEY=VALUE by the record's own types; every fault at once.
func correction(shape reflect.Type, values []string, now time.Time) (map[string]any, error) {
	types := map[string]reflect.Type{}
	var names []string
	for i := range shape.NumField() {
		key, _, _ := strings.Cut(shape.Field(i).Tag.Get("json"), ",")
		if key == "id" || key == "" || key == "-" {
			continue
		}
		types[key] = shape.Field(i).Type
		names = append(names, key)
	}
	out := map[string]any{}
	var lines []string
	bad := func(key, format string, args ...any) {
		lines = append(lines, key+": "+fmt.Sprintf(format, args...))
	}
	for _, v := range values {
		key, text, ok := strings.Cut(v, "=")
		t, known := types[key]
		switch {
		case !ok:
			bad("arguments", "%q is not KEY=VALUE", v)
			continue
		case !known:
			bad(key, "no such key: one of %s", strings.Join(names, ", "))
			continue
		}
		x, err := value(t, key, text, now)
		if err != nil {
			bad(key, "%v", err)
		}
		out[key] = x
	}
	return out, fault.Lines(lines)
}

// value reads a field's text by its type, "" as nothing.
func value(t reflect.Type, key, text string, now time.Time) (x any, err error) {
	if text == "" {
		return nil, nil
	}
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	what := errors.New("JSON")
	switch {
	case t == reflect.TypeFor[time.Time]():
		x, err = when(key, text, now)
		what = errors.New("a time: 15m (ago), 14:05 or 2026-10-10T14:05:00+01:00")
	case t.Kind() == reflect.Float64:
		x, err = strconv.ParseFloat(text, 64)
		what = errors.New("a number")
	case t.Kind() == reflect.Bool:
		x, err = strconv.ParseBool(text)
		what = errors.New("true or false")
	case t == reflect.TypeFor[[]string]():
		x = strings.Split(text, ",")
	case t == reflect.TypeFor[[]coat.Cloth]():
		x = job.Cloths(text, nil)
	case t.Kind() == reflect.String:
		x = text
	default:
		err = json.Unmarshal([]byte(text), &x)
	}
	if err != nil {
		return nil, fmt.Errorf("%q is not %w", text, what)
	}
	return x, nil
}

// UndoCmd takes back what was entered, as a whole.
type UndoCmd struct {
	Entry string `arg:"" optional:"" help:"Entry, as --list names it; the newest when not given."`
	List  bool   `help:"List what was entered, newest first; nothing is taken back."`
	JSON  bool   `help:"Print one JSON object."`
}

func (UndoCmd) Help() string {
	return "An entry is taken back with all that it did: coat, cups, cloth, step. Again\n" +
		"takes back the one before. The record shows that it was there.\n\n" +
		"Example:\n\n  curewright undo --list\n  curewright undo"
}

func (c *UndoCmd) Run(a *App, cl *client.Client) error {
	if c.List {
		es, err := cl.Entries(a.Ctx, 20)
		if err != nil || c.JSON {
			return a.orJSON(map[string]any{"entries": es}, err)
		}
		if len(es) == 0 {
			a.tell("undo.none", nil)
		}
		for _, e := range es {
			state := ""
			if e.Undone {
				state = " " + a.say("undo.undone", nil)
			}
			fmt.Fprintln(a.Out, hang(fmt.Sprintf("%-6s %s  ", e.ID, a.weekday(e.At)), e.Say+" "+e.By+state))
		}
		return nil
	}
	u, err := cl.Undo(a.Ctx, c.Entry)
	if err != nil || c.JSON {
		return a.orJSON(u, err)
	}
	fmt.Fprintln(a.Out, hang("", u.Say))
	return a.printSteps(cl, u.Next)
}
