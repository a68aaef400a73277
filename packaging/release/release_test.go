// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	cdx "github.com/CycloneDX/cyclonedx-go"

	"curewright/internal/realpart"
)

// need finds a program of Debian's; CI does not allow that it is missing.
func need(t *testing.T, name, pkg string) {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		realpart.Missing(t, "%s is missing: install Debian's %s", name, pkg)
	}
}

func tool(t *testing.T, env []string, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Env = append(os.Environ(), env...)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

// TestRelease makes what is handed out once, for this kind of machine, with a
// key of its own, and holds it against Debian's lintian, dpkg and apt.
func TestRelease(t *testing.T) {
	for name, pkg := range map[string]string{"dpkg-deb": "dpkg", "lintian": "lintian", "gpg": "gnupg", "apt-get": "apt"} {
		need(t, name, pkg)
	}
	home := t.TempDir()
	t.Setenv("GNUPGHOME", home)
	tool(t, nil, "gpg", "--batch", "--pinentry-mode", "loopback", "--passphrase", "", "--quick-generate-key", "Test of curewright <test@curewright.invalid>", "ed25519", "sign", "never")
	t.Cleanup(func() { exec.Command("gpgconf", "--kill", "gpg-agent").Run() })

	b := build{out: t.TempDir(), toolchain: "local"}
	if err := run(b, true, "test@curewright.invalid", []string{"amd64"}); err != nil {
		t.Fatal(err)
	}
	debs, _ := filepath.Glob(filepath.Join(b.out, "*.deb"))
	if len(debs) != 1 {
		t.Fatalf("packages: %v", debs)
	}
	deb := debs[0]
	bin := filepath.Join(b.out, "curewright-linux-amd64")

	t.Run("lintian", func(t *testing.T) {
		out, err := exec.Command("lintian", "--fail-on", "error,warning", "--allow-root", "--suppress-tags", "bad-distribution-in-changes-file", deb).CombinedOutput()
		if err != nil {
			t.Errorf("%v\n%s", err, out)
		}
	})
	t.Run("contents", func(t *testing.T) {
		list := tool(t, nil, "dpkg-deb", "-c", deb)
		for _, want := range []string{"./usr/bin/curewright", "./usr/lib/systemd/system/curewright.service", "./etc/curewright/curewright.toml",
			"./usr/share/man/man1/curewright.1.gz", "./usr/share/bash-completion/completions/curewright",
			"./usr/share/zsh/vendor-completions/_curewright", "./usr/share/fish/vendor_completions.d/curewright.fish",
			"./usr/share/doc/curewright/copyright", "./usr/share/doc/curewright/changelog.gz", "./usr/share/doc/curewright/THIRD-PARTY.txt.gz",
			"./usr/share/doc/curewright/first-board.md", "./usr/share/doc/curewright/examples/day.toml",
			"./usr/share/curewright/monitoring/rules.yml", "./usr/share/curewright/monitoring/yard.json", "./usr/share/curewright/monitoring/fleet/prometheus.yml"} {
			if !strings.Contains(list, " "+want+"\n") {
				t.Errorf("%s is not in the package", want)
			}
		}
		if strings.Contains(list, "testdata") {
			t.Error("tests are in the package")
		}
		if conf := tool(t, nil, "dpkg-deb", "--info", deb, "conffiles"); strings.TrimSpace(conf) != "/etc/curewright/curewright.toml" {
			t.Errorf("conffiles: %q", conf)
		}
	})
	t.Run("sums", func(t *testing.T) {
		cmd := exec.Command("sha256sum", "--check", "--strict", "--quiet", "SHA256SUMS")
		cmd.Dir = b.out
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Errorf("%v\n%s", err, out)
		}
	})
	t.Run("version", func(t *testing.T) {
		want, err := output("../..", "scripts/version.sh")
		if err != nil {
			t.Fatal(err)
		}
		var got struct{ Version, Commit, Toolchain string }
		if err := json.Unmarshal([]byte(tool(t, nil, bin, "version", "--json")), &got); err != nil {
			t.Fatal(err)
		}
		head, _ := output("../..", "git", "rev-parse", "HEAD")
		if got.Version != want || got.Commit != head || !strings.HasPrefix(got.Toolchain, "go1.") {
			t.Errorf("the program says %+v; want version %s of commit %s", got, want, head)
		}
	})
	// The surroundings must not change the bytes.
	t.Run("same bytes", func(t *testing.T) {
		if err := b.look(); err != nil {
			t.Fatal(err)
		}
		t.Setenv("GOFLAGS", "-buildvcs=true -ldflags=-compressdwarf=false")
		t.Setenv("GOAMD64", "v2")
		again := filepath.Join(t.TempDir(), "again")
		if err := b.compile(again, targets[0]); err != nil {
			t.Fatal(err)
		}
		if x, y := fileSum(t, bin), fileSum(t, again); x != y {
			t.Errorf("%s and %s", x, y)
		}
		again = filepath.Join(t.TempDir(), "deb")
		c := b
		c.out = t.TempDir()
		for _, f := range []string{filepath.Base(bin), filepath.Base(bin) + ".cdx.json", "THIRD-PARTY.txt"} {
			text, err := os.ReadFile(filepath.Join(b.out, f))
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(c.out, f), text, 0o755); err != nil {
				t.Fatal(err)
			}
		}
		second, err := c.debian(targets[0], filepath.Join(c.out, filepath.Base(bin)), bin)
		if err != nil {
			t.Fatal(err)
		}
		if x, y := fileSum(t, deb), fileSum(t, second); x != y {
			t.Errorf("packages: %s and %s", x, y)
		}
	})
	t.Run("bill of materials", func(t *testing.T) { checkBOM(t, bin) })
	// apt itself takes the package from the folder, with the key and without
	// being told to trust it blindly; with a damaged index it refuses.
	t.Run("apt", func(t *testing.T) {
		root := t.TempDir()
		for _, d := range []string{"state/lists/partial", "cache/archives/partial", "etc"} {
			if err := os.MkdirAll(filepath.Join(root, d), 0o755); err != nil {
				t.Fatal(err)
			}
		}
		apt := filepath.Join(b.out, "apt")
		source := fmt.Sprintf("deb [arch=amd64 signed-by=%s/curewright.asc] file:%s stable main\n", apt, apt)
		if err := os.WriteFile(filepath.Join(root, "sources.list"), []byte(source), 0o644); err != nil {
			t.Fatal(err)
		}
		options := []string{"-o", "Dir::State=" + root + "/state", "-o", "Dir::Cache=" + root + "/cache", "-o", "Dir::Etc=" + root + "/etc",
			"-o", "Dir::Etc::SourceList=" + root + "/sources.list", "-o", "Dir::State::status=/dev/null", "-o", "APT::Sandbox::User=root", "-o", "APT::Architecture=amd64"}
		tool(t, nil, "apt-get", append(options, "update", "--error-on=any")...)
		if out := tool(t, nil, "apt-cache", append(options, "policy", "curewright")...); !strings.Contains(out, "Candidate: "+debianVersion(strings.TrimSpace(tool(t, nil, "../../scripts/version.sh")))) {
			t.Errorf("apt does not know the package:\n%s", out)
		}
		index := filepath.Join(apt, "dists/stable/main/binary-amd64/Packages.gz")
		if err := os.WriteFile(index, gzipped([]byte("Package: other\n")), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := os.Remove(strings.TrimSuffix(index, ".gz")); err != nil {
			t.Fatal(err)
		}
		os.RemoveAll(filepath.Join(root, "state/lists"))
		os.MkdirAll(filepath.Join(root, "state/lists/partial"), 0o755)
		if out, err := exec.Command("apt-get", append(options, "update", "--error-on=any")...).CombinedOutput(); err == nil {
			t.Errorf("a damaged index was taken:\n%s", out)
		}
	})
	t.Run("manual and completions", func(t *testing.T) { checkManual(t, bin) })
}

func fileSum(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprintf("%x", sha256.Sum256(b))
}

// checkBOM holds the bill of materials against what the Go toolchain's own
// `go version -m` says is in the program.
func checkBOM(t *testing.T, bin string) {
	f, err := os.Open(bin + ".cdx.json")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var d cdx.BOM
	if err := cdx.NewBOMDecoder(f, cdx.BOMFileFormatJSON).Decode(&d); err != nil {
		t.Fatal(err)
	}
	out := tool(t, nil, "go", "version", "-m", bin)
	var want []string
	for _, m := range regexp.MustCompile(`(?m)^\s+dep\s+(\S+)\s+(\S+)`).FindAllStringSubmatch(out, -1) {
		want = append(want, "pkg:golang/"+m[1]+"@"+m[2])
	}
	m := regexp.MustCompile(`: go(\S+)`).FindStringSubmatch(out)
	if len(want) == 0 || m == nil {
		t.Fatalf("the program has no outside part: nothing is tested\n%s", out)
	}
	want = append(want, "pkg:golang/std@"+m[1])
	var got []string
	refs := map[string]bool{}
	npm := 0
	for _, c := range *d.Components {
		if strings.HasPrefix(c.PackageURL, "pkg:npm/") {
			npm++
		} else {
			got = append(got, c.PackageURL)
		}
		if c.Licenses == nil || len(*c.Licenses) == 0 {
			t.Errorf("%s: licence not known", c.PackageURL)
		}
		if refs[c.BOMRef] {
			t.Errorf("%s is there twice", c.BOMRef)
		}
		refs[c.BOMRef] = true
	}
	slices.Sort(want)
	slices.Sort(got)
	if !slices.Equal(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
	if npm == 0 {
		t.Error("nothing of the page's vendored scripts")
	}
	for _, r := range *(*d.Dependencies)[0].Dependencies {
		if !refs[r] {
			t.Errorf("depends on %s, which is no component", r)
		}
	}
	// The pattern of serialNumber in CycloneDX's JSON schema, bom-1.5.
	if !regexp.MustCompile(`^urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$`).MatchString(d.SerialNumber) {
		t.Errorf("serial number %q", d.SerialNumber)
	}
	if h := (*d.Metadata.Component.Hashes)[0].Value; h != fileSum(t, bin) {
		t.Errorf("sum %s, the program's is %s", h, fileSum(t, bin))
	}
}

// checkManual has man's own parser and the shells themselves read what the
// program prints for them.
func checkManual(t *testing.T, bin string) {
	for name, pkg := range map[string]string{"groff": "groff-base", "lexgrog": "man-db", "bash": "bash", "zsh": "zsh", "fish": "fish"} {
		need(t, name, pkg)
	}
	dir := t.TempDir()
	for _, f := range []string{"man", "bash", "zsh", "fish"} {
		if err := os.WriteFile(filepath.Join(dir, f), []byte(tool(t, nil, bin, "completion", f)), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	page := filepath.Join(dir, "man")
	if out := tool(t, nil, "groff", "-Kutf8", "-man", "-Tutf8", "-ww", "-z", page); out != "" {
		t.Errorf("groff warns:\n%s", out)
	}
	if out := tool(t, nil, "lexgrog", page); !strings.Contains(out, "curewright - ") {
		t.Errorf("man-db finds no name: %s", out)
	}
	path := "PATH=" + dir + ":" + os.Getenv("PATH")
	if err := os.Symlink(bin, filepath.Join(dir, "curewright")); err != nil {
		t.Fatal(err)
	}
	// What each shell offers after these words.
	for _, c := range []struct{ line, want, not string }{
		{"curewright coat st", "start", "list"},
		{"curewright coat start --pan", "--panel", "--resin"},
		{"curewright --units ", "us", "watch"},
	} {
		ws := strings.Split(c.line, " ")
		script := fmt.Sprintf(". %s/bash; COMP_WORDS=(%s); COMP_CWORD=%d; COMP_LINE=%q; [ -n \"${COMP_WORDS[COMP_CWORD]+x}\" ] || COMP_WORDS+=(''); _curewright; printf '%%s\\n' \"${COMPREPLY[@]}\"", dir, c.line, len(ws)-1, c.line)
		if out := strings.Fields(tool(t, []string{path}, "bash", "--norc", "-c", script)); !slices.Contains(out, c.want) || slices.Contains(out, c.not) {
			t.Errorf("bash offers %q after %q", out, c.line)
		}
		out := tool(t, []string{path, "HOME=" + dir, "XDG_CONFIG_HOME=" + dir}, "fish", "--no-config", "-c", fmt.Sprintf("source %s/fish; complete -C %q", dir, c.line))
		if !regexp.MustCompile(`(?m)^`+regexp.QuoteMeta(c.want)+`\b`).MatchString(out) || regexp.MustCompile(`(?m)^`+regexp.QuoteMeta(c.not)+`\b`).MatchString(out) {
			t.Errorf("fish offers %q after %q", out, c.line)
		}
	}
	tool(t, nil, "zsh", "-n", filepath.Join(dir, "zsh"))
}

func TestDebianVersion(t *testing.T) {
	need(t, "dpkg", "dpkg")
	// Outside check: dpkg's own order.
	order := []string{"0.1.0-dev.20261128+gcc2d1963", "0.1.0-dev.20261129+g0000000", "0.1.0", "0.1.1-dev.1", "0.2.0"}
	for i := 1; i < len(order); i++ {
		a, b := debianVersion(order[i-1]), debianVersion(order[i])
		if err := exec.Command("dpkg", "--compare-versions", a, "lt", b).Run(); err != nil {
			t.Errorf("%s is not before %s", a, b)
		}
	}
}

func TestRunRefuses(t *testing.T) {
	b := build{out: t.TempDir()}
	if err := run(b, false, "", []string{"mips"}); err == nil || !strings.Contains(err.Error(), "mips") {
		t.Errorf("an unknown target: %v", err)
	}
	var w bytes.Buffer
	if err := writeNotices(&w, []part{{Component: cdx.Component{PackageURL: "pkg:golang/x@v1"}}}); err == nil {
		t.Error("a part without a licence was taken")
	}
}
