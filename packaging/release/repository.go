// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"crypto/md5"
	"crypto/sha256"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
)

// repository makes dist/apt, a folder that any web server can hand out and apt
// reads: pool/ with the packages, dists/stable with their index for each
// architecture, and Release with the sums of the indexes. With a key gpg signs
// Release (Release.gpg, InRelease) and the public half is laid beside it; apt
// takes an unsigned one only from somebody who says [trusted=yes].
//
// The layout is that of Debian's repository format.
func (b *build) repository(packages []string, key string) error {
	apt := filepath.Join(b.out, "apt")
	pool := filepath.Join(apt, "pool/main/c/curewright")
	if err := os.MkdirAll(pool, 0o755); err != nil {
		return err
	}
	indexes := map[string]*bytes.Buffer{}
	for _, deb := range packages {
		text, err := os.ReadFile(deb)
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(pool, filepath.Base(deb)), text, 0o644); err != nil {
			return err
		}
		fields, err := control(deb)
		if err != nil {
			return err
		}
		arch, err := output("", "dpkg-deb", "--field", deb, "Architecture")
		if err != nil {
			return err
		}
		if indexes[arch] == nil {
			indexes[arch] = &bytes.Buffer{}
		}
		fmt.Fprintf(indexes[arch], "%s\nFilename: pool/main/c/curewright/%s\nSize: %d\nMD5sum: %x\nSHA256: %x\n\n",
			strings.TrimSpace(fields), filepath.Base(deb), len(text), md5.Sum(text), sha256.Sum256(text))
	}
	suite := filepath.Join(apt, "dists/stable")
	var archs []string
	var sums strings.Builder
	for arch := range indexes {
		archs = append(archs, arch)
	}
	slices.Sort(archs)
	for _, arch := range archs {
		dir := filepath.Join(suite, "main/binary-"+arch)
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return err
		}
		plain := indexes[arch].Bytes()
		for _, x := range []struct {
			name string
			text []byte
		}{{"Packages", plain}, {"Packages.gz", gzipped(plain)}} {
			if err := os.WriteFile(filepath.Join(dir, x.name), x.text, 0o644); err != nil {
				return err
			}
			fmt.Fprintf(&sums, " %x %d main/binary-%s/%s\n", sha256.Sum256(x.text), len(x.text), arch, x.name)
		}
	}
	release := fmt.Sprintf("Origin: curewright\nLabel: curewright\nSuite: stable\nCodename: stable\nDate: %s\nArchitectures: %s\nComponents: main\nDescription: curewright for small boards\nSHA256:\n%s",
		b.at.Format("Mon, 02 Jan 2006 15:04:05 UTC"), strings.Join(archs, " "), sums.String())
	file := filepath.Join(suite, "Release")
	if err := os.WriteFile(file, []byte(release), 0o644); err != nil {
		return err
	}
	if key == "" {
		fmt.Fprintln(os.Stderr, "release: the repository is not signed: give -key the owner's key (DEVELOPERS.md says how)")
		return nil
	}
	for _, args := range [][]string{
		{"--armor", "--detach-sign", "--output", file + ".gpg", file},
		{"--clear-sign", "--output", filepath.Join(suite, "InRelease"), file},
		{"--armor", "--export", "--output", filepath.Join(apt, "curewright.asc"), key},
	} {
		cmd := exec.Command("gpg", append([]string{"--batch", "--yes", "--local-user", key}, args...)...)
		if said, err := cmd.CombinedOutput(); err != nil {
			return fmt.Errorf("gpg: %w\n%s", err, said)
		}
	}
	return nil
}
