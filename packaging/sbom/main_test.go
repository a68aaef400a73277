package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"

	"curewright/packaging/licence"

	"curewright/internal/realpart"
)

// The bill of materials of this very test program, against what the Go
// toolchain's own `go version -m` says is in it.
func TestBOM(t *testing.T) {
	t.Chdir("../..")
	self := filepath.Join(t.TempDir(), "part")
	// A small program of ours that has outside parts.
	if out, err := exec.Command("go", "build", "-o", self, "./packaging/sbom/testdata/part").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	var b bytes.Buffer
	if err := run(&b, self, false); err != nil {
		t.Fatal(err)
	}
	var d bom
	dec := json.NewDecoder(bytes.NewReader(b.Bytes()))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&d); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("go", "version", "-m", self).Output()
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	for _, m := range regexp.MustCompile(`(?m)^\s+dep\s+(\S+)\s+(\S+)`).FindAllStringSubmatch(string(out), -1) {
		want = append(want, "pkg:golang/"+m[1]+"@"+m[2])
	}
	if len(want) == 0 {
		t.Fatal("the program has no outside part: nothing is tested")
	}
	want = append(want, "pkg:golang/std@"+strings.TrimPrefix(runtime.Version(), "go"))
	var got []string
	refs := map[string]bool{}
	for _, c := range d.Components {
		if !strings.HasPrefix(c.PURL, "pkg:npm/") {
			got = append(got, c.PURL)
		}
		if len(c.Licenses) == 0 {
			t.Errorf("%s: licence not known", c.PURL)
		}
		if refs[c.Ref] {
			t.Errorf("%s is there twice", c.Ref)
		}
		refs[c.Ref] = true
	}
	slices.Sort(want)
	slices.Sort(got)
	if !slices.Equal(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
	for _, r := range d.Dependencies[0].DependsOn {
		if !refs[r] {
			t.Errorf("depends on %s, which is no component", r)
		}
	}
	// The pattern of serialNumber in CycloneDX's JSON schema, bom-1.5.
	if !regexp.MustCompile(`^urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$`).MatchString(d.Serial) {
		t.Errorf("serial number %q", d.Serial)
	}
	sum, err := exec.Command("sha256sum", self).Output()
	if err != nil {
		t.Fatal(err)
	}
	if h := d.Metadata.Component.Hashes[0].Content; !strings.HasPrefix(string(sum), h) {
		t.Errorf("sum %s, sha256sum says %s", h, sum)
	}
	var again bytes.Buffer
	if err := run(&again, self, false); err != nil || !bytes.Equal(again.Bytes(), b.Bytes()) {
		t.Errorf("a second run differs (%v)", err)
	}
}

// Outside check: CycloneDX's own library (npm @cyclonedx/cyclonedx-library
// 10.3.0) holds the file against the standard's JSON schema.
func TestBOMBySchema(t *testing.T) {
	realpart.Program(t, "node")
	modules := filepath.Dir(filepath.Dir(realpart.NPM(t, "@cyclonedx", "cyclonedx-library")))
	t.Chdir("../..")
	self := filepath.Join(t.TempDir(), "part")
	if out, err := exec.Command("go", "build", "-o", self, "./packaging/sbom/testdata/part").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	var b bytes.Buffer
	if err := run(&b, self, false); err != nil {
		t.Fatal(err)
	}
	validate := func(text string) string {
		cmd := exec.Command("node", "-e", `
const C = require('@cyclonedx/cyclonedx-library')
const text = require('fs').readFileSync(0, 'utf8')
new C.Validation.JsonStrictValidator(C.Spec.Version.v1dot5).validate(text).then(
  faults => console.log(faults === null ? 'valid' : JSON.stringify(faults)),
  err => { console.error(err); process.exit(1) })`)
		cmd.Env = append(os.Environ(), "NODE_PATH="+modules)
		cmd.Stdin = strings.NewReader(text)
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		return strings.TrimSpace(string(out))
	}
	if got := validate(b.String()); got != "valid" {
		t.Errorf("against the schema: %s", got)
	}
	if got := validate(strings.Replace(b.String(), `"library"`, `"librarian"`, 1)); got == "valid" {
		t.Error("the schema lets anything pass")
	}
}

// Licence texts as SPDX lists them, by their first lines; from memory.
func TestIdentify(t *testing.T) {
	for text, want := range map[string]string{
		"Permission is hereby granted, free of charge, to any person\nobtaining a copy of this software": "MIT",
		"Apache License\n   Version 2.0, January 2004":                                                   "Apache-2.0",
		"Mozilla Public License, version 2.0":                                                            "MPL-2.0",
		"Redistribution and use in source and binary forms ... Neither the name of":                      "BSD-3-Clause",
		"Redistribution and use in source and binary forms, with or without":                             "BSD-2-Clause",
		"Eclipse Public License - v 2.0":                                                                 "EPL-2.0",
		"All rights reserved.":                                                                           "",
	} {
		if got := strings.Join(licence.Identify(text), ","); got != want {
			t.Errorf("%q: got %q, want %q", text, got, want)
		}
	}
}

func TestNoProgram(t *testing.T) {
	f := filepath.Join(t.TempDir(), "text")
	if err := os.WriteFile(f, []byte("no program"), 0o644); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := run(&b, f, false); err == nil || b.Len() > 0 {
		t.Errorf("a text file: %v and %d bytes; want an error and none", err, b.Len())
	}
}
