// SPDX-License-Identifier: Apache-2.0

package packaging

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"curewright/internal/realpart"
	"curewright/internal/testkit"
)

// tool finds a Debian program; without it the test is skipped, which CI
// does not allow.
func tool(t *testing.T, name, pkg string) string {
	t.Helper()
	p, err := exec.LookPath(name)
	if err != nil {
		realpart.Missing(t, "%s is missing: install Debian's %s", name, pkg)
	}
	return p
}

// unit writes the unit with a program that exists, so that only the unit
// itself can be at fault.
func unit(t *testing.T, change func(string) string) string {
	t.Helper()
	l := Local()
	l.Binary = "/bin/true"
	fs, err := l.Files()
	if err != nil {
		t.Fatal(err)
	}
	text := fs[len(fs)-1].Text
	if change != nil {
		text = change(text)
	}
	p := filepath.Join(t.TempDir(), Service)
	testkit.Write(t, p, text)
	return p
}

// verify is systemd's own word on a unit; "" is good.
func verify(t *testing.T, file string) string {
	t.Helper()
	cmd := exec.Command(tool(t, "systemd-analyze", "systemd"), "verify", "--man=no", "--recursive-errors=no", file)
	out, err := cmd.CombinedOutput()
	var ours []string
	for _, l := range strings.Split(string(out), "\n") {
		if strings.Contains(l, Service) { // other units of this machine are not our trouble
			ours = append(ours, l)
		}
	}
	if err != nil && len(ours) == 0 {
		ours = append(ours, fmt.Sprintf("%v: %s", err, out))
	}
	return strings.Join(ours, "\n")
}

// Outside check: systemd-analyze verify.
func TestUnitIsValid(t *testing.T) {
	if said := verify(t, unit(t, nil)); said != "" {
		t.Errorf("systemd does not like the unit:\n%s", said)
	}
	// The check must be able to fail: systemd only warns of a misspelt key.
	bad := unit(t, func(s string) string { return strings.Replace(s, "WatchdogSec=", "WatchdogSecs=", 1) })
	if said := verify(t, bad); !strings.Contains(said, "WatchdogSecs") {
		t.Errorf("a misspelt key went unnoticed: %q", said)
	}
}

// Outside check: systemd-analyze security. A service that needs buses and the
// network cannot be at nought; 2.5 is "OK" on its scale from 0 to 10.
func TestUnitIsConfined(t *testing.T) {
	sa := tool(t, "systemd-analyze", "systemd")
	exposure := func(file string) (float64, string) {
		out, err := exec.Command(sa, "security", "--offline=true", "--no-pager", file).CombinedOutput()
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		m := regexp.MustCompile(`exposure level for \S+: ([\d.]+)`).FindSubmatch(out)
		if m == nil {
			t.Fatalf("no exposure level in:\n%s", out)
		}
		var x float64
		fmt.Sscan(string(m[1]), &x)
		return x, string(out)
	}
	if x, out := exposure(unit(t, nil)); x > 2.5 {
		t.Errorf("exposure %g, want 2.5 at most\n%s", x, out)
	}
	loose := regexp.MustCompile(`(?m)^(Protect|Restrict|NoNew|Capability|SystemCall|Device|User|Private).*\n`)
	if x, _ := exposure(unit(t, func(s string) string { return loose.ReplaceAllString(s, "") })); x < 8 {
		t.Errorf("without its directives the unit is at %g: the measure measures nothing", x)
	}
}

// The kernel is asked whether the clock is synchronised (adjtimex): with
// ProtectClock, or a filter without that call, no time would be trusted.
func TestUnitLetsTheClockBeAsked(t *testing.T) {
	sa := tool(t, "systemd-analyze", "systemd")
	file := unit(t, nil)
	b := testkit.MustRead(t, file)
	if regexp.MustCompile(`(?m)^ProtectClock=(yes|true|1|on)`).Match(b) {
		t.Error("ProtectClock refuses adjtimex")
	}
	set := func(name string) string {
		out, err := exec.Command(sa, "syscall-filter", "--no-pager", name).Output()
		if err != nil {
			t.Fatal(err)
		}
		return string(out)
	}
	if !strings.Contains(set("@clock"), "adjtimex") {
		t.Fatal("adjtimex is no longer in @clock: look at the filter again")
	}
	lines := regexp.MustCompile(`(?m)^SystemCallFilter=(.*)$`).FindAllSubmatch(b, -1)
	last := string(lines[len(lines)-1][1])
	if last != "adjtimex" {
		t.Errorf("the last filter is %q: what follows @privileged must allow adjtimex again", last)
	}
}

// Outside check: systemd-sysusers makes the user in an empty root.
func TestSysusers(t *testing.T) {
	if os.Getuid() != 0 {
		t.Skip("only root can make users, even below another root")
	}
	bin := tool(t, "systemd-sysusers", "systemd")
	fs, err := Local().Files()
	if err != nil {
		t.Fatal(err)
	}
	root := t.TempDir()
	conf := filepath.Join(root, fs[0].Path)
	if err := os.MkdirAll(filepath.Dir(conf), 0o755); err != nil {
		t.Fatal(err)
	}
	// gpio exists with a member, as on a system made for such boards.
	testkit.Write(t, conf, fs[0].Text)
	testkit.Write(t, root+"/etc/group", "root:x:0:\ngpio:x:997:me\n")
	testkit.Write(t, root+"/etc/passwd", "root:x:0:0:root:/root:/bin/sh\nme:x:1000:1000::/home/me:/bin/sh\n")
	for range 2 { // twice is as good as once
		if out, err := exec.Command(bin, "--root="+root).CombinedOutput(); err != nil || bytes.Contains(out, []byte("rror")) {
			t.Fatalf("%v\n%s", err, out)
		}
	}
	group, _ := os.ReadFile(root + "/etc/group")
	passwd, _ := os.ReadFile(root + "/etc/passwd")
	for _, want := range []string{`(?m)^gpio:x:997:(curewright,me|me,curewright)$`, `(?m)^i2c:x:\d+:curewright$`, `(?m)^curewright:x:\d+:$`} {
		if !regexp.MustCompile(want).Match(group) {
			t.Errorf("no %s in group:\n%s", want, group)
		}
	}
	if !regexp.MustCompile(`(?m)^curewright:x:\d+:\d+:curewright daemon:/var/lib/curewright:/usr/sbin/nologin$`).Match(passwd) {
		t.Errorf("passwd:\n%s", passwd)
	}
}

func TestFilesRefuse(t *testing.T) {
	for _, bad := range []string{"", "curewright", "/opt/cure wright", "/opt/%h", "/opt/a;b", "/opt/$X"} {
		l := Local()
		l.Binary = bad
		if fs, err := l.Files(); err == nil || fs != nil {
			t.Errorf("binary %q: %d files, %v; want none and an error", bad, len(fs), err)
		}
	}
}

// Every user and group that the files name is the same one.
func TestNames(t *testing.T) {
	for _, l := range []Layout{Local(), Packaged()} {
		fs, err := l.Files()
		if err != nil {
			t.Fatal(err)
		}
		all := ""
		for _, f := range fs {
			all += f.Text
			if strings.Contains(f.Text, "{{") || strings.Contains(f.Text, "<no value>") {
				t.Errorf("%s: not filled in", f.Path)
			}
		}
		for _, want := range append([]string{"User=" + User, "StateDirectory=" + filepath.Base(StateDir), "u " + User + " ", l.Binary + " watch --config " + l.Config}, Groups...) {
			if !strings.Contains(all, want) {
				t.Errorf("no %q", want)
			}
		}
		for _, g := range Groups {
			if !strings.Contains(all, "m "+User+" "+g) || !strings.Contains(all, `GROUP="`+g+`"`) {
				t.Errorf("group %s: not both of a member and a rule", g)
			}
		}
	}
}
