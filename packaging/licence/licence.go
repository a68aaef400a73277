// SPDX-License-Identifier: Apache-2.0

// Package licence finds out under which licence a part of the program is, from
// the licence files that the part itself brings.
package licence

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Allowed are the licences, by SPDX id, that a part may be under: permissive
// ones, and one that asks for changes to its own files only.
var Allowed = []string{"0BSD", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "ISC", "MIT", "MPL-2.0", "Unlicense"}

// Either are licences that are fine where one of the allowed stands beside
// them: the receiver chooses.
var Either = []string{"EPL-2.0"}

// Text is the text of all licence files at the top of a folder, "" where there
// are none.
func Text(dir string) string {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return ""
	}
	var text strings.Builder
	for _, e := range entries {
		if e.Type()&fs.ModeType != 0 || !named(e.Name()) {
			continue
		}
		if b, err := os.ReadFile(filepath.Join(dir, e.Name())); err == nil {
			fmt.Fprintf(&text, "%s\n", strings.TrimSpace(string(b)))
		}
	}
	return text.String()
}

// named reports whether a file's name is that of a licence; the last two are
// those of the Eclipse foundation's choice of two.
func named(file string) bool {
	for _, p := range []string{"LICEN", "COPYING", "NOTICE", "EDL-", "EPL-"} {
		if strings.HasPrefix(strings.ToUpper(file), p) {
			return true
		}
	}
	return false
}

// marks are sentences that only one licence has: all of a row's stand in its text.
var marks = []struct {
	id        string
	sentences []string
}{
	{"Apache-2.0", []string{"Apache License", "Version 2.0"}},
	{"MPL-2.0", []string{"Mozilla Public License", "2.0"}},
	{"EPL-2.0", []string{"Eclipse Public License - v 2.0"}},
	{"MIT", []string{"Permission is hereby granted, free of charge, to any person obtaining a copy"}},
	{"ISC", []string{"Permission to use, copy, modify, and", "distribute this software for any purpose with or without fee"}},
	{"Unlicense", []string{"This is free and unencumbered software released into the public domain"}},
}

// Identify names the licences of a text by sentences that only they have. What
// it does not know it does not guess.
func Identify(text string) (ids []string) {
	t := strings.Join(strings.Fields(text), " ")
	has := func(s string) bool { return strings.Contains(t, s) }
	for _, m := range marks {
		if !slices.ContainsFunc(m.sentences, func(s string) bool { return !has(s) }) {
			ids = append(ids, m.id)
		}
	}
	if has("Redistribution and use in source and binary forms") {
		if has("Neither the name") || has("may not be used to endorse") || has("names of its contributors may be used") {
			ids = append(ids, "BSD-3-Clause")
		} else {
			ids = append(ids, "BSD-2-Clause")
		}
	}
	return ids
}

// Check says why a part under these licences may not be used, nil where it
// may: one is known and allowed, and none is there that is neither allowed nor
// left to choose.
func Check(ids []string) error {
	good := false
	for _, id := range ids {
		switch {
		case slices.Contains(Allowed, id):
			good = true
		case !slices.Contains(Either, id):
			return fmt.Errorf("licence %s is not one that we take", id)
		}
	}
	if len(ids) == 0 {
		return fmt.Errorf("no licence that we know")
	}
	if !good {
		return fmt.Errorf("licence %s alone is not one that we take", strings.Join(ids, " "))
	}
	return nil
}

// Package is one npm package of a lock file.
type Package struct{ Name, Version, Licence string }

// Packages are those of the lock file in a folder, by name, with the licence
// that each gives itself there or, once it is installed, in its own file; "" is
// not known.
func Packages(dir string) ([]Package, error) {
	b, err := os.ReadFile(filepath.Join(dir, "package-lock.json"))
	if err != nil {
		return nil, err
	}
	var lock struct {
		Packages map[string]struct{ Version, License string }
	}
	if err := json.Unmarshal(b, &lock); err != nil {
		return nil, fmt.Errorf("%s: %w", dir, err)
	}
	var out []Package
	for at, p := range lock.Packages {
		if at == "" {
			continue // the folder itself
		}
		if p.License == "" {
			if b, err := os.ReadFile(filepath.Join(dir, at, "package.json")); err == nil {
				var own struct{ License any }
				if json.Unmarshal(b, &own) == nil {
					p.License, _ = own.License.(string)
				}
			}
		}
		_, name, _ := strings.Cut("/"+at, "/node_modules/")
		out = append(out, Package{name, p.Version, p.License})
	}
	slices.SortFunc(out, func(a, b Package) int { return strings.Compare(a.Name, b.Name) })
	return out, nil
}

// Part is what was copied into the tree whole from an npm package.
type Part struct {
	Name, Version string
	Code          []byte // the script
	Text          string // of its licence
}

// Vendored are the parts of a folder that were copied from npm packages: each
// NAME.js with its version, such as v1.6.32, in the first kilobyte, and its
// licence in NAME.LICENSE.txt. A script without either is an error: it could
// not be handed out.
func Vendored(dir string) ([]Part, error) {
	scripts, err := filepath.Glob(filepath.Join(dir, "*.js"))
	if err != nil {
		return nil, err
	}
	var out []Part
	var faults []error
	for _, file := range scripts {
		name := strings.TrimSuffix(filepath.Base(file), ".js")
		code, err := os.ReadFile(file)
		if err != nil {
			return nil, err
		}
		text, err := os.ReadFile(filepath.Join(dir, name+".LICENSE.txt"))
		if err != nil {
			faults = append(faults, err)
			continue
		}
		version := versionIn(code)
		if version == "" {
			faults = append(faults, fmt.Errorf("%s: no version such as v1.6.32 in its first kilobyte", file))
			continue
		}
		out = append(out, Part{name, version, code, string(text)})
	}
	return out, errors.Join(faults...)
}

// versionIn finds "v1.2.3" in the first kilobyte.
func versionIn(b []byte) string {
	for _, f := range strings.FieldsFunc(string(b[:min(len(b), 1024)]), func(r rune) bool { return strings.ContainsRune(" \t\n()*,;@", r) }) {
		if v, ok := strings.CutPrefix(f, "v"); ok && strings.Count(v, ".") == 2 && strings.Trim(v, "0123456789.") == "" {
			return v
		}
	}
	return ""
}
