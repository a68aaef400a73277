// SPDX-License-Identifier: Apache-2.0

package board

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"curewright/internal/testkit"
)

// shell is what a Debian's systemd starts for the test.
const shell = `[Unit]
After=multi-user.target
[Service]
Type=idle
ExecStart=/bin/sh -c 'stty -echo; echo BOOTED; while read -r line; do eval "$line"; done'
Environment=HOME=/root PATH=/usr/local/bin:/usr/sbin:/usr/bin
StandardInput=tty-force
StandardOutput=tty
TTYPath=/dev/ttymxc1
[Install]
WantedBy=multi-user.target
`

// debian boots the i.MX6 board from a card with a small Debian on it, whose
// systemd starts. What the test brings lies in /root; nothing that is written
// to the card outlives the board.
func debian(t *testing.T, files map[string]string) (g *guest, url string) {
	t.Helper()
	p := fetch(t)
	out, err := exec.Command("../../scripts/board-parts.sh", "--debian").Output()
	if err != nil {
		t.Fatalf("scripts/board-parts.sh --debian: %v", err)
	}
	if strings.TrimSpace(string(out)) != p.dir {
		t.Fatalf("the Debian is not in %s", p.dir)
	}
	all := map[string]string{"run/host.service": shell}
	for name, text := range files {
		all["run/root-"+name] = text
	}
	g, url = imx(t, p, p.initramfs(t, p.modules(t, "gpio-mxc", "sdhci-esdhc-imx", "crc32c_generic", "ext4"), all),
		"systemd.show_status=0 systemd.mask=getty.target systemd.mask=systemd-update-utmp.service systemd.mask=getty-static.service",
		append(hurried, "-drive", "if=none,id=card,format=raw,snapshot=on,file="+filepath.Join(p.dir, "debian.img"),
			"-device", "sd-card,drive=card")...)
	g.must("date -u -s @%d >/dev/null; until [ -b /dev/mmcblk3 ]; do sleep 1; done; mount -t ext4 /dev/mmcblk3 /mnt", time.Now().Unix())
	g.must("echo options imx2_wdt %s >/mnt/etc/modprobe.d/board.conf", settings["imx2_wdt.ko"])
	g.must("for f in /run/root-*; do cp $f /mnt/root/${f#/run/root-}; done; cp /run/host.service /mnt/etc/systemd/system/; mkdir -p /mnt/etc/systemd/system/multi-user.target.wants; ln -s ../host.service /mnt/etc/systemd/system/multi-user.target.wants/")
	began := time.Now()
	if _, err := fmt.Fprintln(g.ser, "umount /proc /sys /tmp; mount -o move /dev /mnt/dev; exec switch_root /mnt /sbin/init"); err != nil {
		t.Fatal(err)
	}
	g.expect(`BOOTED\n`)
	t.Logf("systemd has started all in %v", time.Since(began).Round(time.Second))
	return g, url
}

// read is a file of this machine's as text.
func read(t *testing.T, name string) string {
	t.Helper()
	b := testkit.MustRead(t, name)
	return string(b)
}

// deb makes the Debian package of this tree for the weakest boards;
// CUREWRIGHT_DEB names one that is made.
func deb(t *testing.T) string {
	t.Helper()
	if made := os.Getenv("CUREWRIGHT_DEB"); made != "" {
		return read(t, made)
	}
	out := t.TempDir()
	c := exec.Command("go", "run", ".", "-out", out, "-toolchain", runtime.Version(), "armv6")
	c.Dir = "../../packaging/release"
	c.Env = append(os.Environ(), "GOFLAGS=-mod=mod")
	if said, err := c.CombinedOutput(); err != nil {
		t.Fatalf("no package: %v: %s", err, said)
	}
	all, err := filepath.Glob(filepath.Join(out, "*_armhf.deb"))
	if err != nil || len(all) != 1 {
		t.Fatalf("packages: %v %v", all, err)
	}
	return read(t, all[0])
}

// tented is the heater's scene with the service's own folder.
var tented = strings.Replace(heater, "[store]\npath = \"/tmp/store\"\n", "", 1)

// The program as it is installed, under a real systemd: the unit with all that
// it forbids, its own user, udev's rules, on a board whose I2C no program can
// reach at first. By doctor --fix alone, by the Debian package, by install.
func TestService(t *testing.T) {
	if !whole() {
		t.Skip("boots a Debian and waits for its watchdog, minutes: make board")
	}
	g, url := debian(t, map[string]string{"curewright.deb": deb(t), "tented.toml": tented})
	g.celsius("panel", 23.75)
	g.celsius("air", 21)
	g.must("until [ -e /sys/class/i2c-adapter/i2c-2 ] && [ -e /dev/watchdog ] && [ -e /sys/class/net/eth0 ]; do sleep 1; done")
	g.must("busybox ip addr add 10.0.2.15/24 dev eth0; busybox ip link set eth0 up")

	t.Run("fix", func(t *testing.T) {
		g.must("%s", unpack+" && { modprobe -r i2c-dev; true; }")
		out, _ := g.sh("curewright doctor 2>&1")
		if !strings.Contains(said(out), "but nothing loads i2c-dev") {
			t.Errorf("doctor before:\n%s", out)
		}
		out, _ = g.sh("curewright doctor --fix 2>&1")
		if !strings.Contains(said(out), "written: /etc/modules-load.d/curewright.conf") {
			t.Errorf("doctor --fix:\n%s", out)
		}
		g.sh("systemctl restart systemd-modules-load; systemctl --failed --no-legend") // as the board does when it starts
		out, _ = g.sh("curewright doctor 2>&1")
		if !strings.Contains(said(out), "good on: i2c-0, i2c-1, i2c-2") {
			t.Errorf("doctor after:\n%s", out)
		}
		f := find(t, g)
		f.want(t, "after doctor --fix", "i2c-2:0x48", "tmp102", 23.75)
		f.want(t, "after doctor --fix", "i2c-2:0x49", "tmp102", 21)
		g.must("rm /etc/modules-load.d/curewright.conf /usr/local/bin/curewright; modprobe -r i2c-dev")
	})
	t.Run("package", func(t *testing.T) {
		g.must("dpkg -i /root/curewright.deb >/root/dpkg 2>&1 || { cat /root/dpkg; false; }")
		serves(t, g)
		// Whatever its configuration names: a heater too.
		g.must("cp /root/tented.toml /etc/curewright/curewright.toml; systemctl restart curewright")
		c := paired(t, g, url, "control")
		t.Log(g.must("curewright tent accept --yes 2>&1"))
		testkit.OK(t, patient(func() error { _, err := c.HoldTent(t.Context(), 30); return err }))
		on := func() {
			t.Helper()
			for end := time.Now().Add(slack); !line(g); time.Sleep(100 * time.Millisecond) {
				if time.Now().After(end) {
					out, _ := g.sh("curewright tent show; journalctl --no-pager -n 30 -u curewright")
					t.Fatalf("no heat:\n%s", out)
				}
			}
		}
		on()
		if out, rc := g.sh("curewright doctor 2>&1"); rc != 0 {
			t.Errorf("doctor finds something wrong with a sound board:\n%s", out)
		}

		for _, x := range []struct {
			what, do string
			most     int // s
		}{
			{"killed", "kill -9 $M", 60},
			// The watchdog's two minutes, and 20 s in which it was to stop in order.
			{"stopped", "kill -STOP $M", 200},
		} {
			before := g.must("systemctl show -p NRestarts --value curewright")
			took := g.must("M=$(systemctl show -p MainPID --value curewright); read a b </proc/uptime; %s; until [ $(systemctl show -p NRestarts --value curewright) != %s ]; do sleep 1; done; read c b </proc/uptime; echo $((${c%%%%.*}-${a%%%%.*}))", x.do, before)
			low := !line(g)
			g.must("until [ $(systemctl is-active curewright) = active ]; do sleep 1; done")
			t.Logf("%s: started anew after %s s", x.what, took)
			if s := int(number(t, took)); s > x.most || !low {
				t.Errorf("%s: started anew after %d s, most %d; line low: %v", x.what, s, x.most, low)
			}
			serves(t, g)
		}
		g.must("dpkg -P curewright >/root/dpkg 2>&1 || { cat /root/dpkg; false; }")
		if line(g) {
			t.Error("high after the package was taken away")
		}
		t.Log(g.must("tail -2 /root/dpkg; rm -rf /var/lib/curewright /etc/curewright; modprobe -r i2c-dev"))
	})
	t.Run("install", func(t *testing.T) {
		g.must("%s", unpack)
		out := g.must("curewright install --write 2>&1")
		_, steps, _ := strings.Cut(out, "Then, once:")
		steps, _, _ = strings.Cut(steps, "and look how")
		typed := 0
		for l := range strings.Lines(steps) {
			if l, ok := strings.CutPrefix(strings.TrimSpace(l), "sudo "); ok {
				g.must("%s", strings.ReplaceAll(l, "sudo ", ""))
				typed++
			}
		}
		if typed == 0 {
			t.Fatalf("nothing to type:\n%s", out)
		}
		serves(t, g)
		if out, rc := g.sh("curewright doctor 2>&1"); rc != 0 {
			t.Errorf("doctor finds something wrong with a sound board:\n%s", out)
		}
	})
}

// unpack is the program alone, where a person would put it.
const unpack = "dpkg-deb -x /root/curewright.deb /root/deb && install -D -t /usr/local/bin /root/deb/usr/bin/curewright && rm -r /root/deb"

// said is what a command says, without the breaks of its lines.
func said(out string) string { return strings.Join(strings.Fields(out), " ") }

// serves waits until the service reads both chips, and looks at who it is.
func serves(t *testing.T, g *guest) {
	t.Helper()
	began := time.Now()
	for {
		out, _ := g.sh("curewright probes --server http://127.0.0.1:8374 2>&1")
		if strings.Contains(out, "23.8 °C") && strings.Contains(out, "21.0 °C") {
			break
		}
		if time.Since(began) > slack {
			more, _ := g.sh("journalctl --no-pager -n 30 -u curewright; ls -l /dev/i2c* /dev/watchdog*")
			t.Fatalf("the service does not read its chips:\n%s\n%s", out, more)
		}
		g.must("sleep 5")
	}
	t.Logf("reads its chips after %v", time.Since(began).Round(time.Second))
	out := g.must("stat -c %%U /proc/$(systemctl show -p MainPID --value curewright); grep -h -e CapEff -e Seccomp: /proc/$(systemctl show -p MainPID --value curewright)/status; stat -c '%%n %%G %%a' /dev/i2c-2 /dev/watchdog /dev/gpiochip0")
	for _, want := range []string{"curewright\n", "CapEff:\t0000000000000000", "Seccomp:\t2", "/dev/i2c-2 i2c 660", "/dev/watchdog curewright 660", "/dev/gpiochip0 gpio 660"} {
		if !strings.Contains(out+"\n", want) {
			t.Errorf("not so: %q in\n%s", want, out)
		}
	}
}
