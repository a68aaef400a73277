// SPDX-License-Identifier: Apache-2.0

// Command release makes what is handed out: static programs for amd64, arm64
// and the weakest 32-bit boards (GOARM=6), a bill of materials and a Debian
// package for each, the licence texts, the sums of all, and with -repository
// the folder that apt reads packages from. One commit gives the same bytes on
// any machine, whatever GOFLAGS and the clock say.
//
//	cd packaging/release && go run . -out ../../dist [amd64] [arm64] [armv6]
//
// It is a module of its own, so that nothing of what it needs is linked into
// the program or stands in its go.mod.
package main

import (
	"crypto/sha256"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// target is one kind of board.
type target struct {
	name          string // in file names
	goarch, goarm string
	debian        string // architecture in Debian's words
}

var targets = []target{
	{"amd64", "amd64", "", "amd64"},
	{"arm64", "arm64", "", "arm64"},
	{"armv6", "arm", "6", "armhf"},
}

// build is what is known of the tree that is handed out.
type build struct {
	root      string // of the checkout
	out       string // folder for what is made
	version   string // such as 0.1.0 or 0.1.0-dev.20261128+gcc2d1963
	commit    string
	at        time.Time // of the commit
	toolchain string    // the Go that builds, as GOTOOLCHAIN takes it
}

func main() {
	out := flag.String("out", "../../dist", "the folder to make; what is in it goes")
	version := flag.String("version", "", "the version (default: what scripts/version.sh says)")
	repository := flag.Bool("repository", false, "make the folder of an apt repository too")
	key := flag.String("key", "", "with -repository: the OpenPGP key that signs it, as gpg --local-user takes it")
	toolchain := flag.String("toolchain", "", "the Go to build with (default: what packaging/toolchain names)")
	flag.Parse()
	if err := run(build{out: *out, version: *version, toolchain: *toolchain}, *repository, *key, flag.Args()); err != nil {
		fmt.Fprintln(os.Stderr, "release:", err)
		os.Exit(1)
	}
}

func run(b build, repository bool, key string, names []string) error {
	var chosen []target
	for _, n := range names {
		i := slices.IndexFunc(targets, func(t target) bool { return t.name == n })
		if i < 0 {
			return fmt.Errorf("%s: not one of amd64, arm64, armv6", n)
		}
		chosen = append(chosen, targets[i])
	}
	if len(chosen) == 0 {
		chosen = targets
	}
	if err := b.look(); err != nil {
		return err
	}
	out, err := filepath.Abs(b.out)
	if err != nil {
		return err
	}
	b.out = out
	if err := os.RemoveAll(b.out); err != nil {
		return err
	}
	if err := os.MkdirAll(b.out, 0o755); err != nil {
		return err
	}
	// The pages of the manual and the words that a shell completes come from
	// the program itself, one that runs on this machine.
	own := filepath.Join(os.TempDir(), fmt.Sprintf("curewright-%d", os.Getpid()))
	defer os.Remove(own)
	if err := b.compile(own, target{}); err != nil {
		return err
	}
	var packages []string
	for _, t := range chosen {
		bin := filepath.Join(b.out, "curewright-linux-"+t.name)
		if err := b.compile(bin, t); err != nil {
			return err
		}
		parts, err := b.parts(bin)
		if err != nil {
			return err
		}
		if err := writeFile(bin+".cdx.json", func(f *os.File) error { return b.writeBOM(f, bin, parts) }); err != nil {
			return err
		}
		if err := writeFile(filepath.Join(b.out, "THIRD-PARTY.txt"), func(f *os.File) error { return writeNotices(f, parts) }); err != nil {
			return err
		}
		deb, err := b.debian(t, bin, own)
		if err != nil {
			return err
		}
		packages = append(packages, deb)
	}
	if repository {
		if err := b.repository(packages, key); err != nil {
			return err
		}
	}
	return sums(b.out)
}

// look fills in what was not said of the version, from the checkout.
func (b *build) look() (err error) {
	if b.root, err = output("", "git", "rev-parse", "--show-toplevel"); err != nil {
		return err
	}
	if b.version == "" {
		if b.version, err = output(b.root, "scripts/version.sh"); err != nil {
			return err
		}
	}
	if b.commit, err = output(b.root, "git", "rev-parse", "HEAD"); err != nil {
		return err
	}
	if b.toolchain == "" {
		text, err := os.ReadFile(filepath.Join(b.root, "packaging/toolchain"))
		if err != nil {
			return err
		}
		b.toolchain = strings.TrimSpace(string(text))
	}
	at := os.Getenv("SOURCE_DATE_EPOCH")
	if at == "" {
		if at, err = output(b.root, "git", "log", "-1", "--format=%ct"); err != nil {
			return err
		}
	}
	s, err := strconv.ParseInt(at, 10, 64)
	if err != nil {
		return fmt.Errorf("SOURCE_DATE_EPOCH: %w", err)
	}
	b.at = time.Unix(s, 0).UTC()
	return nil
}

// output runs a command and returns what it prints, without blanks around it.
func output(dir, name string, args ...string) (string, error) {
	cmd := exec.Command(name, args...)
	cmd.Dir = dir
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		return "", fmt.Errorf("%s: %w", name, err)
	}
	return strings.TrimSpace(string(out)), nil
}

// compile builds the program for a target; the empty one is this machine.
// Nothing of the surroundings may change the bytes: not GOFLAGS, not whether
// the checkout has its history, not where it lies.
func (b *build) compile(bin string, t target) error {
	cmd := exec.Command("go", "build", "-trimpath", "-buildvcs=false",
		"-ldflags", "-s -w -buildid= -X main.version="+b.version+" -X main.commit="+b.commit, "-o", bin, "./cmd/curewright")
	cmd.Dir = b.root
	cmd.Stderr = os.Stderr
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOFLAGS=", "GOWORK=off", "GOEXPERIMENT=", "GOAMD64=v1", "GOARM64=v8.0",
		"GOTOOLCHAIN="+b.toolchain)
	if t.goarch != "" {
		cmd.Env = append(cmd.Env, "GOOS=linux", "GOARCH="+t.goarch, "GOARM="+t.goarm)
	}
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("build for %s: %w", t.name, err)
	}
	return nil
}

func writeFile(name string, write func(*os.File) error) error {
	f, err := os.Create(name)
	if err != nil {
		return err
	}
	if err := write(f); err != nil {
		f.Close()
		return fmt.Errorf("%s: %w", filepath.Base(name), err)
	}
	return f.Close()
}

// sums writes SHA256SUMS as sha256sum does, for all files of a folder.
func sums(dir string) error {
	var lines strings.Builder
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(dir, path)
		if err != nil {
			return err
		}
		fmt.Fprintf(&lines, "%x  %s\n", sha256.Sum256(text), filepath.ToSlash(rel))
		return nil
	})
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, "SHA256SUMS"), []byte(lines.String()), 0o644)
}
