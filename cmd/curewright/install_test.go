// SPDX-License-Identifier: Apache-2.0

package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"curewright/internal/testkit"
)

func TestInstall(t *testing.T) {
	root := t.TempDir()
	// Without --write: everything is shown, nothing written.
	out := cmdOK(t, "install", "--root", root, "--binary", "/usr/local/bin/curewright")
	for _, want := range []string{"/etc/systemd/system/curewright.service", "Type=notify", "User=curewright", "ExecStart=/usr/local/bin/curewright watch --config /etc/curewright/curewright.toml", "/etc/sysusers.d/curewright.conf", "/etc/udev/rules.d/60-curewright.rules"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q", want)
		}
	}
	if e, _ := os.ReadDir(root); len(e) != 0 {
		t.Fatalf("written without being asked: %v", e)
	}
	out = cmdOK(t, "install", "--write", "--root", root)
	for _, want := range []string{"systemd-sysusers", "udevadm trigger", "daemon-reload", "enable --now curewright"} {
		if !strings.Contains(out, want) {
			t.Errorf("the next step %q is not named:\n%s", want, out)
		}
	}
	// The configuration is the person's: it must be good as it is shipped, and
	// is left alone once it is theirs.
	conf := filepath.Join(root, "etc/curewright/curewright.toml")
	cmdOK(t, "check", "--config", conf)
	testkit.Write(t, conf, "# mine\n")
	unit := filepath.Join(root, "etc/systemd/system/curewright.service")
	testkit.Write(t, unit, "old")
	cmdOK(t, "install", "--write", "--root", root)
	if b, _ := os.ReadFile(conf); string(b) != "# mine\n" {
		t.Errorf("the person's configuration was overwritten: %s", b)
	}
	if b, _ := os.ReadFile(unit); !strings.Contains(string(b), "Type=notify") {
		t.Error("an old unit was not renewed")
	}
}

func TestInstallRefuses(t *testing.T) {
	root := t.TempDir()
	for _, args := range [][]string{
		{"--binary", "/home/me/curewright"}, {"--binary", "/tmp/curewright"}, {"--binary", "curewright"},
		{"--binary", "/usr/local/bin/curewright", "--config", "/home/me/c.toml"}, {"--binary", "/opt/cure wright"},
	} {
		code, out, errs := runCmd(t, append([]string{"install", "--write", "--root", root}, args...)...)
		if code != exitUsage || out != "" || !strings.HasPrefix(errs, "curewright: install: ") {
			t.Errorf("%v: exit %d, %q, %q", args, code, out, errs)
		}
	}
	if e, _ := os.ReadDir(root); len(e) != 0 {
		t.Errorf("written all the same: %v", e)
	}
}

func TestInstallWithoutRights(t *testing.T) {
	root := t.TempDir()
	testkit.Write(t, filepath.Join(root, "etc"), "a file where a folder should be")
	code, _, errs := runCmd(t, "install", "--write", "--root", root)
	if code != exitFailed || strings.Count(errs, "\n") < 4 {
		t.Errorf("exit %d, want %d and every file named:\n%s", code, exitFailed, errs)
	}
}
