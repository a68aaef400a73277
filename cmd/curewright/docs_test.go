// SPDX-License-Identifier: Apache-2.0

package main

import (
	"crypto/tls"
	"crypto/x509"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/realpart"
	"curewright/internal/testkit"
)

// docBlock is a block of commands in a guide. One that begins with "```sh board"
// wants what a test has not: root, a board's buses, its heater, another machine.
var docBlock = regexp.MustCompile("(?s)```sh( board)?\n(.*?)```")

// Every command of the guides works as written, in each guide's order, beside the
// examples and a running daemon with one probe; what wants the board itself is
// marked in the guide, and there every line that can be is still read as its
// command reads it.
func TestDocCommands(t *testing.T) {
	files, err := filepath.Glob("../../docs/*.md")
	testkit.OK(t, err)
	examples, err := filepath.Abs("../../examples")
	testkit.OK(t, err)
	guides := map[string]string{}
	for _, f := range files {
		if text := string(testkit.MustRead(t, f)); docBlock.MatchString(text) {
			guides[filepath.Base(f)] = text
		}
	}
	ran, marked := 0, 0
	for name, text := range guides {
		t.Run(name, func(t *testing.T) {
			url, _, _ := startWatch(t, "--data", t.TempDir(), "--listen", "127.0.0.1:0")
			t.Setenv("CUREWRIGHT_SERVER", url)
			api := &testkit.API{T: t, URL: url}
			api.Do("POST", "/api/v1/readings", []web.PushReading{{Probe: "panel-1", TempC: new(18.0)}}, 202)
			api.Do("PUT", "/api/v1/probes/panel-1", map[string]any{"accepted": true, "role": "panel"}, 200)
			t.Chdir(t.TempDir())
			for _, e := range []string{"lids.toml", "shed.csv", "day.toml", "sheet.toml"} {
				testkit.Write(t, e, string(testkit.MustRead(t, filepath.Join(examples, e))))
			}
			if name == "plan.md" { // the job that the guide writes
				_, job, _ := strings.Cut(text, "```toml\n")
				job, _, _ = strings.Cut(job, "```")
				testkit.Write(t, "lids.toml", job)
			}
			for _, m := range docBlock.FindAllStringSubmatch(text, -1) {
				for _, l := range strings.Split(strings.ReplaceAll(m[2], "\\\n", " "), "\n") {
					if i := strings.Index(l, "  #"); i >= 0 {
						l = l[:i]
					}
					w := shellWords(strings.TrimSpace(l))
					if len(w) > 0 && w[0] == "sudo" {
						w = w[1:]
					}
					switch {
					case len(w) == 0:
					case m[1] != "":
						marked++
						if w[0] == "curewright" && !parses(t, w[1:]...) {
							t.Errorf("%s: not a command of ours", l)
						}
					case w[0] == "curewright":
						ran++
						if code, _, errs := runCmd(t, w[1:]...); code != exitDone {
							t.Errorf("%s: exit %d: %s", l, code, errs)
						}
					case w[0] == "openssl" || w[0] == "printf":
						ran++
						realpart.Program(t, "openssl")
						cmd := exec.CommandContext(t.Context(), "sh", "-c", l)
						cmd.Env = append(os.Environ(), "t=1791619200", "body={}", "secret=not a real one")
						if out, err := cmd.CombinedOutput(); err != nil {
							t.Errorf("%s: %v: %s", l, err, out)
						}
					default:
						t.Errorf("%s: a command that this test does not know: mark its block \"```sh board\" if it wants the board", l)
					}
				}
			}
			if name == "service.md" {
				certificateOf(t)
			}
		})
	}
	if ran < 12 || marked < 12 {
		t.Errorf("only %d commands ran and %d are marked", ran, marked)
	}
}

// parses reports whether a line is a command with its flags, without running it.
func parses(t *testing.T, args ...string) bool {
	t.Helper()
	_, _, bad := newProgram(new(commandLine)).Parse(args)
	return !bad.Any()
}

// certificateOf holds the guide's certificate to what a phone asks of one: it is
// signed by the guide's authority, for the board's name and address, for servers,
// and for no longer than 825 days (the bound of Apple's iOS 13 and later, support
// document 103769, from memory).
func certificateOf(t *testing.T) {
	t.Helper()
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(testkit.MustRead(t, "ca.pem")) {
		t.Fatal("no authority was made")
	}
	pair, err := tls.LoadX509KeyPair("cert.pem", "key.pem")
	testkit.OK(t, err)
	for _, name := range []string{"shed.local", "192.168.1.20"} {
		if _, err := pair.Leaf.Verify(x509.VerifyOptions{DNSName: name, Roots: pool, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if d := pair.Leaf.NotAfter.Sub(pair.Leaf.NotBefore); d > 825*24*time.Hour {
		t.Errorf("good for %v, which phones refuse", d)
	}
}
