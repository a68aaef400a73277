// Command sbom writes what is inside a built curewright: a CycloneDX 1.5 bill
// of materials in JSON, or the licence texts that must go with the program. It
// reads the module list that the Go toolchain put into the program itself, so
// it cannot name what is not in it, and looks for licences in the module cache.
//
//	go run ./packaging/sbom dist/curewright-linux-arm64 > dist/curewright-linux-arm64.cdx.json
//	go run ./packaging/sbom -notices dist/curewright-linux-arm64 > dist/THIRD-PARTY.txt
package main

import (
	"bytes"
	"crypto/sha256"
	"debug/buildinfo"
	"encoding/hex"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"curewright/packaging/licence"
)

func main() {
	notices := flag.Bool("notices", false, "write the licence texts instead")
	flag.Parse()
	if flag.NArg() != 1 {
		fmt.Fprintln(os.Stderr, "usage: sbom [-notices] PROGRAM")
		os.Exit(2)
	}
	if err := run(os.Stdout, flag.Arg(0), *notices); err != nil {
		fmt.Fprintln(os.Stderr, "sbom:", err)
		os.Exit(1)
	}
}

// Component is a part of the program, in CycloneDX's words.
type component struct {
	Type     string    `json:"type"`
	Ref      string    `json:"bom-ref"`
	Name     string    `json:"name"`
	Version  string    `json:"version"`
	PURL     string    `json:"purl,omitempty"`
	Hashes   []hash    `json:"hashes,omitempty"`
	Licenses []license `json:"licenses,omitempty"`
	Props    []prop    `json:"properties,omitempty"`

	text string // of the licence files
}

type hash struct {
	Alg     string `json:"alg"`
	Content string `json:"content"`
}

type license struct {
	License struct {
		ID string `json:"id"` // SPDX
	} `json:"license"`
}

type prop struct {
	Name  string `json:"name"`
	Value string `json:"value"`
}

type dependency struct {
	Ref       string   `json:"ref"`
	DependsOn []string `json:"dependsOn,omitempty"`
}

type bom struct {
	Format   string `json:"bomFormat"`
	Spec     string `json:"specVersion"`
	Serial   string `json:"serialNumber"`
	Version  int    `json:"version"`
	Metadata struct {
		Timestamp string    `json:"timestamp"`
		Component component `json:"component"`
	} `json:"metadata"`
	Components   []component  `json:"components"`
	Dependencies []dependency `json:"dependencies"`
}

func run(w io.Writer, program string, notices bool) error {
	bi, err := buildinfo.ReadFile(program)
	if err != nil {
		return err
	}
	parts, err := components(bi)
	if err != nil {
		return err
	}
	if notices {
		return writeNotices(w, parts)
	}
	b, err := os.ReadFile(program)
	if err != nil {
		return err
	}
	return writeBOM(w, filepath.Base(program), b, bi, parts)
}

// vendored are the parts that are not Go modules: copied into the tree whole,
// with their licence beside them.
var vendored = []struct{ purl, name, licence, file string }{
	{"pkg:npm/uplot@", "uplot", "dashboards/web/assets/vendor/uplot.LICENSE.txt", "dashboards/web/assets/vendor/uplot.js"},
}

// components are all parts of the program but its own, sorted.
func components(bi *debug.BuildInfo) ([]component, error) {
	cache, err := moduleDirs()
	if err != nil {
		return nil, err
	}
	var out []component
	goVersion, _, _ := strings.Cut(strings.TrimPrefix(bi.GoVersion, "go"), " ")
	std := component{Type: "library", Name: "std", Version: goVersion, PURL: "pkg:golang/std@" + goVersion}
	if root, err := exec.Command("go", "env", "GOROOT").Output(); err == nil {
		std.licence(strings.TrimSpace(string(root)))
	}
	out = append(out, std)
	for _, m := range bi.Deps {
		if m.Replace != nil {
			m = m.Replace
		}
		c := component{Type: "library", Name: m.Path, Version: m.Version, PURL: "pkg:golang/" + m.Path + "@" + m.Version}
		if m.Sum != "" {
			// Not a hash of any file, so it is no CycloneDX hash: it is the sum
			// of the module's tree as go.sum has it.
			c.Props = []prop{{"go:sum", m.Sum}}
		}
		c.licence(cache[m.Path+"@"+m.Version])
		out = append(out, c)
	}
	for _, v := range vendored {
		b, err := os.ReadFile(v.file)
		if err != nil {
			return nil, err
		}
		version := vendoredVersion(b)
		if version == "" {
			return nil, fmt.Errorf("%s: no version such as \"v1.6.32\" in its first lines", v.file)
		}
		sum := sha256.Sum256(b)
		c := component{Type: "library", Name: v.name, Version: version, PURL: v.purl + version, Hashes: []hash{{"SHA-256", hex.EncodeToString(sum[:])}}}
		text, err := os.ReadFile(v.licence)
		if err != nil {
			return nil, err
		}
		c.set(string(text))
		out = append(out, c)
	}
	for i := range out {
		out[i].Ref = out[i].PURL
	}
	slices.SortFunc(out, func(a, b component) int { return strings.Compare(a.PURL, b.PURL) })
	return out, nil
}

// vendoredVersion finds "v1.2.3" in the first kilobyte.
func vendoredVersion(b []byte) string {
	for _, f := range strings.FieldsFunc(string(b[:min(len(b), 1024)]), func(r rune) bool { return strings.ContainsRune(" \t\n()*,;", r) }) {
		if v, ok := strings.CutPrefix(f, "v"); ok && strings.Count(v, ".") == 2 && strings.Trim(v, "0123456789.") == "" {
			return v
		}
	}
	return ""
}

// moduleDirs are the folders of all modules of the build, by path@version.
func moduleDirs() (map[string]string, error) {
	cmd := exec.Command("go", "list", "-m", "-json", "all")
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

// licence reads the licence files at the top of a module.
func (c *component) licence(dir string) {
	if dir == "" {
		return
	}
	c.set(licence.Text(dir))
}

func (c *component) set(text string) {
	c.text = text
	for _, id := range licence.Identify(text) {
		var l license
		l.License.ID = id
		c.Licenses = append(c.Licenses, l)
	}
}

func writeBOM(w io.Writer, name string, program []byte, bi *debug.BuildInfo, parts []component) error {
	sum := sha256.Sum256(program)
	d := bom{Format: "CycloneDX", Spec: "1.5", Version: 1, Components: parts}
	// The number and the time follow from the program, so that the same program
	// always gives the same file.
	u := sum
	u[6], u[8] = u[6]&0x0f|0x80, u[8]&0x3f|0x80 // RFC 9562, version 8
	d.Serial = fmt.Sprintf("urn:uuid:%x-%x-%x-%x-%x", u[0:4], u[4:6], u[6:8], u[8:10], u[10:16])
	version, at := bi.Main.Version, ""
	props := []prop{{"go:version", bi.GoVersion}}
	for _, s := range bi.Settings {
		switch s.Key {
		case "GOOS", "GOARCH", "GOARM", "CGO_ENABLED", "vcs.revision", "vcs.modified":
			props = append(props, prop{"go:build:" + s.Key, s.Value})
		case "vcs.time":
			at = s.Value
		}
	}
	if at == "" {
		at = time.Unix(0, 0).UTC().Format(time.RFC3339) // built outside a checkout
	}
	if version == "" {
		version = "unknown"
	}
	d.Metadata.Timestamp = at
	d.Metadata.Component = component{Type: "application", Ref: name, Name: "curewright", Version: version,
		Hashes: []hash{{"SHA-256", hex.EncodeToString(sum[:])}}, Props: props}
	all := dependency{Ref: name}
	for _, c := range parts {
		all.DependsOn = append(all.DependsOn, c.Ref)
	}
	d.Dependencies = []dependency{all}
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(d)
}

func writeNotices(w io.Writer, parts []component) error {
	var without []string
	fmt.Fprint(w, "curewright contains the following, each under its own licence.\n")
	for _, c := range parts {
		if c.text == "" {
			without = append(without, c.PURL)
			continue
		}
		fmt.Fprintf(w, "\n%s\n%s %s\n\n%s\n", strings.Repeat("=", 78), c.Name, c.Version, c.text)
	}
	if len(without) > 0 {
		return fmt.Errorf("no licence found for %s", strings.Join(without, ", "))
	}
	return nil
}
