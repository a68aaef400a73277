// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"crypto/sha256"
	"debug/buildinfo"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	cdx "github.com/CycloneDX/cyclonedx-go"

	"curewright/packaging/licence"
)

// part is one component of the program and the text of its licence files.
type part struct {
	cdx.Component
	text string
}

// vendored are the parts that are not Go modules: copied into the tree whole,
// with their licence beside them.
const vendorDir = "dashboards/web/assets/vendor"

// parts are all parts of a built program but its own code, sorted. It reads the
// module list that the Go toolchain put into the program itself, so it cannot
// name what is not in it, and looks for licences in the module cache.
func (b *build) parts(program string) ([]part, error) {
	bi, err := buildinfo.ReadFile(program)
	if err != nil {
		return nil, err
	}
	cache, err := moduleDirs(b.root)
	if err != nil {
		return nil, err
	}
	var out []part
	add := func(name, version, purl, text string, c cdx.Component) {
		c.Type, c.Name, c.Version, c.PackageURL, c.BOMRef = cdx.ComponentTypeLibrary, name, version, purl, purl
		var ls cdx.Licenses
		for _, id := range licence.Identify(text) {
			ls = append(ls, cdx.LicenseChoice{License: &cdx.License{ID: id}})
		}
		if len(ls) > 0 {
			c.Licenses = &ls
		}
		out = append(out, part{c, text})
	}
	goVersion, _, _ := strings.Cut(strings.TrimPrefix(bi.GoVersion, "go"), " ")
	goroot, err := output("", "go", "env", "GOROOT")
	if err != nil {
		return nil, err
	}
	add("std", goVersion, "pkg:golang/std@"+goVersion, licence.Text(goroot), cdx.Component{})
	for _, m := range bi.Deps {
		if m.Replace != nil {
			m = m.Replace
		}
		c := cdx.Component{}
		if m.Sum != "" {
			// Not a hash of any file, so it is no CycloneDX hash: it is the sum
			// of the module's tree as go.sum has it.
			c.Properties = &[]cdx.Property{{Name: "go:sum", Value: m.Sum}}
		}
		add(m.Path, m.Version, "pkg:golang/"+m.Path+"@"+m.Version, licence.Text(cache[m.Path+"@"+m.Version]), c)
	}
	vendored, err := licence.Vendored(filepath.Join(b.root, vendorDir))
	if err != nil {
		return nil, err
	}
	for _, v := range vendored {
		c := cdx.Component{Hashes: &[]cdx.Hash{{Algorithm: cdx.HashAlgoSHA256, Value: fmt.Sprintf("%x", sha256.Sum256(v.Code))}}}
		add(v.Name, v.Version, "pkg:npm/"+v.Name+"@"+v.Version, v.Text, c)
	}
	slices.SortFunc(out, func(a, b part) int { return strings.Compare(a.PackageURL, b.PackageURL) })
	return out, nil
}

// moduleDirs are the folders of all modules of the build, by path@version.
func moduleDirs(root string) (map[string]string, error) {
	cmd := exec.Command("go", "list", "-m", "-json", "all")
	cmd.Dir = root
	cmd.Env = append(os.Environ(), "GOFLAGS=") // the checkout's go.sum stays as it is
	cmd.Stderr = os.Stderr
	b, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("go list: %w", err)
	}
	out := map[string]string{}
	dec := json.NewDecoder(bytes.NewReader(b))
	for {
		var m struct{ Path, Version, Dir string }
		if err := dec.Decode(&m); err == io.EOF {
			return out, nil
		} else if err != nil {
			return nil, fmt.Errorf("go list: %w", err)
		}
		out[m.Path+"@"+m.Version] = m.Dir
	}
}

// writeBOM writes a CycloneDX 1.5 bill of materials in JSON. Its number and its
// time follow from the program, so that the same program always gives the same
// file.
func (b *build) writeBOM(w io.Writer, program string, parts []part) error {
	code, err := os.ReadFile(program)
	if err != nil {
		return err
	}
	bi, err := buildinfo.ReadFile(program)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(code)
	name := filepath.Base(program)
	u := sum
	u[6], u[8] = u[6]&0x0f|0x80, u[8]&0x3f|0x80 // RFC 9562, version 8
	d := cdx.NewBOM()
	d.SerialNumber = fmt.Sprintf("urn:uuid:%x-%x-%x-%x-%x", u[0:4], u[4:6], u[6:8], u[8:10], u[10:16])
	props := []cdx.Property{{Name: "go:version", Value: bi.GoVersion}, {Name: "vcs.revision", Value: b.commit}}
	for _, s := range bi.Settings {
		switch s.Key {
		case "GOOS", "GOARCH", "GOARM", "CGO_ENABLED":
			props = append(props, cdx.Property{Name: "go:build:" + s.Key, Value: s.Value})
		}
	}
	d.Metadata = &cdx.Metadata{
		Timestamp: b.at.Format(time.RFC3339),
		Component: &cdx.Component{Type: cdx.ComponentTypeApplication, BOMRef: name, Name: "curewright", Version: b.version,
			Licenses:   &cdx.Licenses{{License: &cdx.License{ID: "Apache-2.0"}}},
			Hashes:     &[]cdx.Hash{{Algorithm: cdx.HashAlgoSHA256, Value: fmt.Sprintf("%x", sum)}},
			Properties: &props},
	}
	var components []cdx.Component
	var refs []string
	for _, p := range parts {
		components = append(components, p.Component)
		refs = append(refs, p.BOMRef)
	}
	d.Components = &components
	d.Dependencies = &[]cdx.Dependency{{Ref: name, Dependencies: &refs}}
	return cdx.NewBOMEncoder(w, cdx.BOMFileFormatJSON).SetPretty(true).SetEscapeHTML(false).EncodeVersion(d, cdx.SpecVersion1_5)
}

// writeNotices writes the licence texts that must go with the program.
func writeNotices(w io.Writer, parts []part) error {
	var without []string
	fmt.Fprint(w, "curewright contains the following, each under its own licence.\n")
	for _, p := range parts {
		if p.text == "" {
			without = append(without, p.PackageURL)
			continue
		}
		fmt.Fprintf(w, "\n%s\n%s %s\n\n%s\n", strings.Repeat("=", 78), p.Name, p.Version, p.text)
	}
	if len(without) > 0 {
		return fmt.Errorf("no licence found for %s", strings.Join(without, ", "))
	}
	return nil
}
