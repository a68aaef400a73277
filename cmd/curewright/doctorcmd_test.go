// SPDX-License-Identifier: Apache-2.0

package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"curewright/internal/testkit"
)

// A card in another computer: what is off is said and switched on, once.
func TestDoctorFix(t *testing.T) {
	root := testkit.Tree(t, map[string]string{"boot/firmware/config.txt": testkit.StockBoot, "boot/config.txt": "moved\n"})
	boot, modules := filepath.Join(root, "boot/firmware/config.txt"), filepath.Join(root, "etc/modules-load.d/curewright.conf")
	code, out, errs := runCmd(t, "doctor", "--root", root)
	if code != exitFailed || !strings.Contains(errs, "curewright: doctor: 2 things are wrong") {
		t.Errorf("exit %d, %q", code, errs)
	}
	for _, want := range []string{"not switched on in /boot/firmware/config.txt", "doctor --fix", "I2C", "1-wire"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in:\n%s", want, out)
		}
	}
	if b, _ := os.ReadFile(boot); string(b) != testkit.StockBoot || there(modules) {
		t.Fatal("something was changed without --fix")
	}
	for _, l := range strings.Split(out, "\n") {
		if n := len([]rune(l)); n > 80 && !strings.Contains(l, root) {
			t.Errorf("%d columns: %s", n, l)
		}
	}

	out = cmdOK(t, "doctor", "--root", root, "--fix")
	if !strings.Contains(out, "mended") || !strings.Contains(out, "reboot") {
		t.Errorf("after --fix:\n%s", out)
	}
	b, _ := os.ReadFile(boot)
	if want := testkit.StockBoot + "\n# Added by curewright doctor --fix.\n[all]\ndtparam=i2c_arm=on\ndtoverlay=w1-gpio\n"; string(b) != want {
		t.Errorf("boot file:\n%s", b)
	}
	if old, _ := os.ReadFile(boot + ".before-curewright"); string(old) != testkit.StockBoot {
		t.Errorf("kept as it was: %q", old)
	}
	// modules-load.d(5): one name a line.
	if m, _ := os.ReadFile(modules); !strings.Contains(string(m), "\ni2c-dev\nw1-gpio\nw1-therm\n") {
		t.Errorf("modules: %q", m)
	}

	m := oneObject(t, cmdOK(t, "doctor", "--root", root, "--fix", "--json"))
	hasKeys(t, "doctor", m, "findings", "wrong", "restart_needed")
	if m["wrong"] != 0.0 || m["restart_needed"] != false {
		t.Errorf("a second --fix: %v", m)
	}
	if again, _ := os.ReadFile(boot); string(again) != string(b) {
		t.Error("a second --fix changed the boot file")
	}
}

// A card that can't be written: said, and nothing half done.
func TestDoctorFixRefused(t *testing.T) {
	root := testkit.Tree(t, map[string]string{"boot/firmware/config.txt": testkit.StockBoot, "etc": "no folder"})
	code, _, errs := runCmd(t, "doctor", "--root", root, "--fix")
	if code != exitFailed || !strings.Contains(errs, "etc") {
		t.Errorf("exit %d, %q", code, errs)
	}
	if b, _ := os.ReadFile(filepath.Join(root, "boot/firmware/config.txt")); string(b) != testkit.StockBoot {
		t.Errorf("half done: %s", b)
	}
}

// What the doctor sees of this very machine fits a terminal and names every
// part once a line.
func TestDoctorHere(t *testing.T) {
	code, out, _ := runCmd(t, "--server", "http://127.0.0.1:1", "doctor", "--data", t.TempDir())
	if code != exitDone && code != exitFailed {
		t.Fatalf("exit %d", code)
	}
	for _, want := range []string{"service", "settings", "I2C", "1-wire", "clock", "disk", "network", "store"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in:\n%s", want, out)
		}
	}
}

func there(name string) bool {
	_, err := os.Stat(name)
	return err == nil
}
