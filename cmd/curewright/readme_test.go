// SPDX-License-Identifier: Apache-2.0

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"curewright/internal/daemon"

	"curewright/internal/demo"
	"curewright/internal/testkit"
	"curewright/sensors/shopsim"
)

// shLines are the commands of a document's ```sh blocks, comments cut off.
func shLines(t *testing.T, doc string) []string {
	t.Helper()
	var out []string
	for _, m := range regexp.MustCompile("(?s)```sh\n(.*?)```").FindAllStringSubmatch(doc, -1) {
		for _, l := range strings.Split(m[1], "\n") {
			if i := strings.Index(l, "  #"); i >= 0 {
				l = l[:i]
			}
			if l = strings.TrimSpace(l); l != "" {
				out = append(out, l)
			}
		}
	}
	return out
}

// shellWords splits a command as a shell does, for what the documents use: single
// and double quotes.
func shellWords(s string) []string {
	var out []string
	var b strings.Builder
	quote, any := rune(0), false
	for _, r := range s {
		switch {
		case quote != 0 && r == quote:
			quote = 0
		case quote == 0 && (r == '"' || r == '\''):
			quote, any = r, true
		case quote == 0 && r == ' ':
			if any || b.Len() > 0 {
				out = append(out, b.String())
			}
			b.Reset()
			any = false
		default:
			b.WriteRune(r)
		}
	}
	if any || b.Len() > 0 {
		out = append(out, b.String())
	}
	return out
}

// Every command of the README works as written, in its order, beside the
// examples that it names.
func TestReadmeCommands(t *testing.T) {
	readme := string(testkit.MustRead(t, "../../README.md"))
	// The guide's configuration is the example, but for its first lines.
	guide := regexp.MustCompile("(?s)```toml\n(.*?)```").FindStringSubmatch(string(testkit.MustRead(t, "../../docs/first-board.md")))
	if guide == nil || !strings.HasSuffix(string(testkit.MustRead(t, "../../examples/curewright.toml")), guide[1]) {
		t.Error("examples/curewright.toml is not the configuration of docs/first-board.md")
	}
	// A store at rest, for what is read without a daemon.
	cfg := daemon.DefaultConfig()
	cfg.Store.Path = t.TempDir()
	s, err := demo.NewShow(t.Context(), cfg, shopsim.New(shopsim.Config{Seed: 1}), 60, testkit.NoLog())
	testkit.OK(t, err)
	testkit.OK(t, s.Daemon.Store().Close())
	root, _ := testkit.W1Tree(t)
	t.Setenv(daemon.W1Env, root)
	// The example's board, but for its piezo: this machine has no such line.
	board, _, _ := strings.Cut(string(testkit.MustRead(t, "../../examples/curewright.toml")), "[[alert.channel]]")
	conf := filepath.Join(t.TempDir(), "curewright.toml")
	testkit.Write(t, conf, board)
	url, _, _ := startWatch(t, "--config", conf, "--data", t.TempDir(), "--listen", "127.0.0.1:0")
	t.Setenv("CUREWRIGHT_SERVER", url)

	dir := t.TempDir()
	examples, err := filepath.Abs("../../examples")
	testkit.OK(t, err)
	testkit.OK(t, os.Symlink(examples, filepath.Join(dir, "examples")))
	t.Chdir(dir)
	ran := 0
	for _, l := range shLines(t, readme) {
		l = strings.ReplaceAll(l, "/var/lib/curewright", cfg.Store.Path)
		w := shellWords(l)
		switch {
		case w[0] == "make": // the two commands themselves: one runs this test, the other its demo
			continue
		case w[0] == "curewright" && w[1] == "watch": // runs until it is stopped; it is what answers here
			continue
		case w[0] == "curl":
			if _, err := exec.LookPath("curl"); err != nil {
				t.Log("curl is not installed: its line was not run")
				continue
			}
			out, err := exec.Command("curl", append([]string{"-sf"}, strings.Split(strings.ReplaceAll(strings.Join(w[1:], "\x00"), "http://127.0.0.1:8374", url), "\x00")...)...).CombinedOutput()
			if err != nil || !strings.Contains(string(out), "name this probe") {
				t.Errorf("%s: %v: %s", l, err, out)
			}
		case w[0] == "curewright":
			if code, _, errs := runCmd(t, w[1:]...); code != exitDone {
				t.Errorf("%s: exit %d: %s", l, code, errs)
			}
		default:
			t.Errorf("a command that this test does not know: %s", l)
			continue
		}
		ran++
	}
	if ran < 12 {
		t.Errorf("only %d commands were found", ran)
	}
	for _, made := range []string{"club-epoxy.toml", "day.html", "day.ics", "lid-a.html"} {
		if _, err := os.Stat(made); err != nil {
			t.Errorf("%s was not made", made)
		}
	}
}
