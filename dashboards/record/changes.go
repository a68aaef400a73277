// SPDX-License-Identifier: Apache-2.0

package record

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"curewright/model/words"
)

// Struck is a coat that was taken back: it stands under no side's coats, but
// what was entered stays in the record.
type Struck struct {
	Panel   string   `json:"-"`       // the side on which it was
	Changes []Change `json:"changes"` // of the coat and its finger tests
}

// corrections are entries that were added to, changed or struck out afterwards:
// when, what it says now and said before, and who.
func (w reader) corrections(side Side) [][3]string {
	type correction struct {
		at   time.Time
		said [3]string
	}
	var all []correction
	list := func(changes []Change) {
		for i, ch := range changes {
			if ch.Op == "create" {
				continue
			}
			var before map[string]any
			for _, old := range changes[:i] {
				if old.Kind == ch.Kind && old.ID == ch.ID {
					before = fields(old.Body)
				}
			}
			by := ch.By
			if by == "" {
				by = w.t("change.nobody", nil)
			}
			all = append(all, correction{ch.At, [3]string{w.at(ch.At), w.change(ch, before), w.t("page.by", nil) + " " + by}})
		}
	}
	for _, c := range side.Coats {
		list(c.Changes)
	}
	for _, g := range side.Struck {
		list(g.Changes)
	}
	slices.SortStableFunc(all, func(a, b correction) int { return a.at.Compare(b.at) })
	out := make([][3]string, len(all))
	for i, c := range all {
		out[i] = c.said
	}
	return out
}

// fields are the entries of a record of work; nil where it holds none.
func fields(body json.RawMessage) map[string]any {
	var m map[string]any
	if json.Unmarshal(body, &m) != nil {
		return nil
	}
	delete(m, "id")
	return m
}

// change says one version in words: what was added, and of what was changed
// both what it says and what it said.
func (w reader) change(ch Change, before map[string]any) string {
	kind := w.Known("record.change.kind."+ch.Kind, ch.Kind)
	now := fields(ch.Body)
	if ch.Op == "delete" {
		var said []string
		for _, k := range []string{"kind", "state", "resin", "resin_g", "applied", "mixed", "at"} {
			if v, ok := now[k]; ok && v != nil {
				said = append(said, w.entry(k, v))
			}
		}
		if len(said) == 0 {
			return w.t("change.struck", words.Facts{"kind": kind, "id": ch.ID})
		}
		return w.t("change.struck_said", words.Facts{"kind": kind, "id": ch.ID, "said": strings.Join(said, ", ")})
	}
	var added, changed []string
	all := maps.Clone(now)
	if all == nil {
		all = map[string]any{}
	}
	maps.Copy(all, before)
	for _, k := range slices.Sorted(maps.Keys(all)) {
		a, b := w.value(k, before[k]), w.value(k, now[k])
		switch {
		case a == b:
		case before[k] == nil:
			added = append(added, w.entry(k, now[k]))
		case now[k] == nil:
			changed = append(changed, w.t("change.out", words.Facts{"entry": w.label(k), "was": a}))
		default:
			changed = append(changed, w.t("change.was", words.Facts{"entry": w.entry(k, now[k]), "was": a}))
		}
	}
	verb := "change.corrected"
	if len(changed) == 0 && len(added) > 0 && before != nil {
		verb = "change.added"
	}
	s := w.t(verb, words.Facts{"kind": kind, "id": ch.ID, "version": ch.Version})
	if before == nil { // the version before it is not at hand: which are new is not known
		return s
	}
	if said := append(changed, added...); len(said) > 0 {
		s += ": " + strings.Join(said, "; ")
	}
	return s
}

// label is an entry's key as the page says it.
func (w reader) label(key string) string {
	if code := "record.entry." + key; words.English.Has(code) {
		return w.Say(code, nil)
	}
	for _, unit := range []string{"_g", "_c", "_mm", "_m2"} {
		key = strings.TrimSuffix(key, unit)
	}
	return strings.ReplaceAll(key, "_", " ")
}

func (w reader) entry(key string, v any) string { return w.label(key) + " " + w.value(key, v) }

// value is one entry in the reader's clock and units.
func (w reader) value(key string, v any) string {
	switch x := v.(type) {
	case nil:
		return w.t("change.nothing", nil)
	case string:
		if t, err := time.Parse(time.RFC3339, x); err == nil {
			return w.at(t)
		}
		return x
	case float64:
		if strings.HasSuffix(key, "_c") {
			return w.temp(&x)
		}
		s := fmt.Sprintf("%.6g", x)
		switch {
		case strings.HasSuffix(key, "g_m2"):
			s += " g/m²"
		case strings.HasSuffix(key, "_m2"):
			s += " m²"
		case strings.HasSuffix(key, "_mm"):
			s += " mm"
		case strings.HasSuffix(key, "_g"):
			s += " g"
		}
		return s
	case []any:
		var parts []string
		for _, e := range x {
			m, ok := e.(map[string]any)
			if !ok {
				parts = append(parts, w.value("", e))
				continue
			}
			var of []string
			if name, ok := m["name"]; ok {
				of = append(of, w.value("name", name))
			}
			for _, k := range slices.Sorted(maps.Keys(m)) {
				switch {
				case k == "name" || m[k] == nil:
				case k == "g_m2":
					of = append(of, w.value(k, m[k]))
				default:
					of = append(of, w.entry(k, m[k]))
				}
			}
			parts = append(parts, strings.Join(of, " "))
		}
		if len(parts) == 0 {
			return w.t("change.nothing", nil)
		}
		return strings.Join(parts, w.t("change.and", nil))
	}
	return fmt.Sprint(v)
}
