// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"strings"

	"github.com/goreleaser/nfpm/v2"
	_ "github.com/goreleaser/nfpm/v2/deb"
	"github.com/goreleaser/nfpm/v2/files"

	"curewright/packaging"
)

const description = `follows epoxy as it cures, coat by coat
 Logs shop air and panel temperature and humidity from cheap probes, integrates
 the cure of every coat, says what each one is, what comes next and when, warns,
 holds a heated tent and keeps the record. An estimate, not a certificate of
 cure or strength.`

const maintainer = "The curewright authors <maintainers@curewright.invalid>"

// debianVersion is a version in Debian's order: what comes before a release
// sorts before it.
func debianVersion(v string) string { return strings.Replace(v, "-", "~", 1) }

// contents are the files of a package, by their place in the system.
type contents struct {
	b    *build
	dir  string // where texts wait until the package is written
	list files.Contents
	err  error
}

// file adds a file of the checkout, text one that is made here.
func (c *contents) file(src, dst string, mode os.FileMode, kind string) {
	c.list = append(c.list, &files.Content{Source: src, Destination: dst, Type: kind,
		FileInfo: &files.ContentFileInfo{Owner: "root", Group: "root", Mode: mode, MTime: c.b.at}})
}

func (c *contents) text(text []byte, dst string, kind string) {
	src := filepath.Join(c.dir, fmt.Sprint(len(c.list)))
	if err := os.WriteFile(src, text, 0o644); err != nil && c.err == nil {
		c.err = err
	}
	c.file(src, dst, 0o644, kind)
}

// folder adds all files of a folder of the checkout whose names end so.
func (c *contents) folder(src, dst string, endings ...string) {
	root := filepath.Join(c.b.root, src)
	err := filepath.WalkDir(root, func(p string, d os.DirEntry, err error) error {
		if err == nil && d.IsDir() && d.Name() == "testdata" {
			return filepath.SkipDir
		}
		if err != nil || d.IsDir() {
			return err
		}
		for _, e := range endings {
			if strings.HasSuffix(p, e) {
				rel, err := filepath.Rel(root, p)
				if err != nil {
					return err
				}
				c.file(p, path.Join(dst, filepath.ToSlash(rel)), 0o644, "")
				break
			}
		}
		return nil
	})
	if err != nil && c.err == nil {
		c.err = err
	}
}

// gzipped packs as Debian wants it: no name, no time.
func gzipped(text []byte) []byte {
	var b bytes.Buffer
	z, _ := gzip.NewWriterLevel(&b, gzip.BestCompression) // the level is good
	z.Write(text)
	z.Close()
	return b.Bytes()
}

// contents are the files of one target's package. Texts wait in dir; the program
// own runs on this machine and tells its manual and its completions.
func (b *build) contents(bin, own, dir string) (files.Contents, error) {
	c := &contents{b: b, dir: dir}
	const doc = "/usr/share/doc/curewright/"

	c.file(bin, "/usr/bin/curewright", 0o755, "")
	fs, err := packaging.Packaged().Files()
	if err != nil {
		return nil, err
	}
	for _, f := range fs {
		kind := ""
		if f.Keep {
			kind = files.TypeConfigNoReplace
		}
		c.text([]byte(f.Text), f.Path, kind)
	}
	c.folder("docs", doc, ".md", ".svg", ".yml", ".yaml", ".json")
	c.folder("dashboards/boards", "/usr/share/curewright/monitoring", ".json", ".yml", ".yaml")
	c.folder("examples", doc+"examples", ".toml", ".csv")
	changes, err := os.ReadFile(b.in("CHANGELOG.md"))
	if err != nil {
		return nil, err
	}
	c.text(gzipped([]byte(b.debianChanges())), doc+"changelog.gz", "")
	c.text(gzipped(changes), doc+"CHANGELOG.md.gz", "")
	c.file(b.in("packaging/deb/copyright"), doc+"copyright", 0o644, "")
	c.file(b.in("NOTICE"), doc+"NOTICE", 0o644, "")
	notices, err := os.ReadFile(filepath.Join(b.out, "THIRD-PARTY.txt"))
	if err != nil {
		return nil, err
	}
	c.text(gzipped(notices), doc+"THIRD-PARTY.txt.gz", "")
	c.file(bin+".cdx.json", doc+"sbom.cdx.json", 0o644, "")
	c.file(b.in("packaging/deb/lintian-overrides"), "/usr/share/lintian/overrides/curewright", 0o644, "")
	for _, x := range []struct {
		arg, dst string
		pack     bool
	}{
		{"man", "/usr/share/man/man1/curewright.1.gz", true},
		{"bash", "/usr/share/bash-completion/completions/curewright", false},
		{"zsh", "/usr/share/zsh/vendor-completions/_curewright", false},
		{"fish", "/usr/share/fish/vendor_completions.d/curewright.fish", false},
	} {
		text, err := exec.Command(own, "completion", x.arg).Output()
		if err != nil {
			return nil, fmt.Errorf("curewright completion %s: %w", x.arg, err)
		}
		if x.pack {
			text = gzipped(text)
		}
		c.text(text, x.dst, "")
	}
	return c.list, c.err
}

// in is a file of the checkout.
func (b *build) in(p string) string { return filepath.Join(b.root, p) }

// debian makes the package of one target and returns its path.
func (b *build) debian(t target, bin, own string) (string, error) {
	dir, err := os.MkdirTemp("", "curewright-deb-")
	if err != nil {
		return "", err
	}
	defer os.RemoveAll(dir)
	list, err := b.contents(bin, own, dir)
	if err != nil {
		return "", err
	}
	info := nfpm.WithDefaults(&nfpm.Info{
		Name: "curewright", Arch: t.debian, Platform: "linux", Version: debianVersion(b.version), VersionSchema: "none",
		Section: "science", Priority: "optional", Maintainer: maintainer, Description: description,
		License: "Apache-2.0", MTime: b.at, DisableGlobbing: true,
		Overridables: nfpm.Overridables{
			Depends:    []string{"passwd"},
			Recommends: []string{"systemd", "udev", "ca-certificates"},
			Suggests:   []string{"avahi-daemon"},
			Contents:   list,
			Scripts: nfpm.Scripts{PostInstall: b.in("packaging/deb/postinst"), PreRemove: b.in("packaging/deb/prerm"),
				PostRemove: b.in("packaging/deb/postrm")},
			Deb: nfpm.Deb{Arch: t.debian, Compression: "xz"},
		},
	})
	if err := nfpm.PrepareForPackager(info, "deb"); err != nil {
		return "", err
	}
	packager, err := nfpm.Get("deb")
	if err != nil {
		return "", err
	}
	file := filepath.Join(b.out, fmt.Sprintf("curewright_%s_%s.deb", debianVersion(b.version), t.debian))
	return file, writeFile(file, func(f *os.File) error { return packager.Package(info, f) })
}

// debianChanges is the Debian changelog of the package (Debian Policy 4.4): one
// entry, for this version; what changed stands in CHANGELOG.md beside it.
func (b *build) debianChanges() string {
	var w strings.Builder
	fmt.Fprintf(&w, "curewright (%s) unstable; urgency=medium\n\n", debianVersion(b.version))
	fmt.Fprintf(&w, "  * Built from commit %.12s; what changed stands in CHANGELOG.md.gz.\n\n", b.commit)
	fmt.Fprintf(&w, " -- %s  %s\n", maintainer, b.at.Format("Mon, 02 Jan 2006 15:04:05 -0700"))
	return w.String()
}

// control reads the control paragraph of a package, with dpkg-deb.
func control(deb string) (string, error) { return output("", "dpkg-deb", "--field", deb) }
