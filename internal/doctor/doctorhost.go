// SPDX-License-Identifier: Apache-2.0

package doctor

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"curewright/history"
	"curewright/internal/daemon"
)

// programmed is before any clock that was ever set right could stand.
var programmed = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

func (d *doctor) clock() []finding {
	r := report{area: "clock"}
	now := d.now()
	switch {
	case now.Before(programmed):
		r.wrong("it says "+now.Format("2 January 2006")+": the board does not know the date",
			"connect it to the internet, fit a clock chip, or press \"Use this phone's time\" on the page")
	case !d.trusted():
		if c, ok := d.chip(); ok {
			r.clockChip(c, now)
			break
		}
		r.note("it says "+now.Format("2 January 2006 15:04")+", and nothing vouches for it",
			"connect the board to the internet, fit a clock chip, or press \"Use this phone's time\" on the page; until then readings are kept and dated later")
	default:
		r.good("set: " + now.Format("2 January 2006 15:04 MST"))
	}
	if sends := d.sends(); sends != "" && (now.Before(programmed) || !d.trusted()) {
		r.note("until the date is known no reading is sent on to "+sends+", and pushed readings with times of their own are refused where they are old: their senders keep them and try again", "")
	}
	if loc := d.cfg.Location(); d.cfg.Shop.Zone == "" && (loc == time.UTC || now.In(loc).Format("MST") == "UTC") {
		r.note("the board keeps UTC, and so does the page",
			"name the time zone: [shop] zone = \"Europe/London\"")
	}
	return r.found
}

// sends is where readings go beside the store, "" for nowhere.
func (d *doctor) sends() string {
	var to []string
	if d.cfg.Influx.URL != "" {
		to = append(to, "InfluxDB")
	}
	if m := d.cfg.MQTT; m.URL != "" && (m.Readings == nil || *m.Readings) {
		to = append(to, "MQTT")
	}
	return strings.Join(to, " and ")
}

// clockChip says what is wrong with a clock chip that does not vouch for the
// date.
func (r *report) clockChip(c daemon.Chip, now time.Time) {
	const day = "2 January 2006 15:04"
	if c.At.Sub(now).Abs() >= time.Minute {
		r.note("it says "+now.Format(day)+", the clock chip "+c.Name+" shows "+c.At.In(now.Location()).Format(day)+", and nothing vouches for either",
			"connect the board to the internet for a quarter of an hour, or press \"Use this phone's time\" on the page; if the chip is wrong again after the next start, its battery is flat")
		return
	}
	r.note("it says "+now.Format(day)+" by the clock chip "+c.Name+", which was never seen right",
		"connect the board to the internet, or press \"Use this phone's time\" on the page, once: the chip is trusted from then on")
}

// power: a supply that sags resets probes and damages cards.
func (d *doctor) power() []finding {
	r := report{area: "power"}
	const mend = "the supply that the board's maker names, a short thick cable, and nothing else on its plug"
	if v := d.read("/sys/devices/platform/soc/soc:firmware/get_throttled"); v != "" {
		// Bit 0: under-voltage now; bit 16: since the board started. From memory
		// of the firmware's documentation.
		if n, err := strconv.ParseUint(strings.TrimPrefix(v, "0x"), 16, 64); err == nil && n&(1|1<<16) != 0 {
			return r.wrong("the supply's voltage has sagged since the board started", mend)
		}
	}
	for _, h := range d.glob("/sys/class/hwmon/hwmon*/name") {
		b, err := os.ReadFile(h)
		if err != nil || strings.TrimSpace(string(b)) != "rpi_volt" {
			continue
		}
		if b, err := os.ReadFile(filepath.Join(filepath.Dir(h), "in0_lcrit_alarm")); err == nil && strings.TrimSpace(string(b)) == "1" {
			return r.wrong("the supply's voltage sags", mend)
		}
	}
	return nil
}

// diskInfo is what the kernel says of a file system.
type diskInfo struct {
	free, size uint64 // bytes; free to who asks
	readOnly   bool
	kind       int64 // its magic number
}

// Magic numbers of statfs(2).
const (
	tmpfsMagic   = 0x01021994
	ramfsMagic   = 0x858458f6
	overlayMagic = 0x794c7630
)

func diskSpace(dir string) (diskInfo, error) {
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil {
		return diskInfo{}, err
	}
	bs := uint64(st.Bsize)
	const rdOnly = 0x1 // ST_RDONLY
	return diskInfo{free: st.Bavail * bs, size: st.Blocks * bs, readOnly: st.Flags&rdOnly != 0, kind: int64(uint32(st.Type))}, nil
}

func (d *doctor) disk() []finding {
	r := report{area: "disk"}
	dir := d.path(d.cfg.Store.Path)
	at := dir
	for !exists(at) && at != filepath.Dir(at) {
		at = filepath.Dir(at) // the store makes its folder itself
	}
	s, err := d.space(at)
	if err != nil {
		return r.wrong(at+": "+err.Error(), "")
	}
	free := fmt.Sprintf("%.1f GB free for %s", float64(s.free)/1e9, dir)
	switch {
	case s.readOnly:
		r.wrong(at+" can't be written: cards do this when they wear out, systems after a bad power cut",
			"copy what matters (curewright backup), restart; if it comes back, change the card")
	case s.free < 200e6:
		r.wrong(free, "free some room: sudo journalctl --vacuum-size=50M, sudo apt clean")
	case s.free < 1e9:
		r.note(free, "[store] max_mb bounds the store; sudo apt clean frees room")
	default:
		r.good(free)
	}
	switch s.kind {
	case tmpfsMagic, ramfsMagic:
		r.wrong(at+" is in memory: what is kept there is gone after a restart", "--data or [store] path on the card")
	case overlayMagic:
		r.note(at+" lies on an overlay: on a board with a protected card what is written is gone after a restart",
			"switch the card's write protection off, or [store] path on a stick")
	}
	return r.found
}

// lookAtStore checks a store that no daemon has open.
func lookAtStore(ctx context.Context, dir string) []finding {
	r := report{area: "store"}
	file := filepath.Join(dir, history.File)
	if _, err := os.Stat(file); errors.Is(err, fs.ErrPermission) {
		return r.note(dir+" can't be looked into", "sudo curewright doctor")
	} else if err != nil {
		return r.note("none yet in "+dir, "")
	}
	if _, err := os.Stat(file + "-wal"); err == nil {
		// The log of a daemon that was cut off is part of the store; the
		// daemon mends it when it starts.
		s, err := history.OpenReadOnly(dir)
		if err != nil {
			r.storeFault(err)
		} else {
			if t := s.Trouble(); t != "" {
				r.note(t, "")
			}
			s.Close()
		}
	} else if c, err := history.CheckFile(ctx, file); err != nil {
		r.storeFault(err)
	} else {
		r.good(fmt.Sprintf("whole, %.1f MB", float64(c.Bytes)/1e6))
	}
	if q, _ := filepath.Glob(filepath.Join(dir, "quarantine", "*")); len(q) > 0 {
		r.note(fmt.Sprintf("%d things were set aside in %s", len(q), filepath.Join(dir, "quarantine")),
			"nothing needs to be done; look there if something is missing from a record")
	}
	if len(r.found) == 0 {
		r.good("can be read")
	}
	return r.found
}

func (r *report) storeFault(err error) {
	switch {
	case errors.Is(err, history.ErrInUse):
		r.note("in use by a daemon that does not answer at this address", "")
	case errors.Is(err, history.ErrNewer):
		r.wrong(err.Error(), "install the newer curewright again")
	default:
		r.wrong(err.Error(), "the daemon mends what it can when it starts and sets the rest aside; curewright restore brings a copy back")
	}
}

// canListen reports why the page's address can't be served.
func canListen(addr string) error {
	ln, err := net.Listen("tcp", addr)
	if err != nil {
		return err
	}
	return ln.Close()
}

func (d *doctor) network(running bool) []finding {
	r := report{area: "network"}
	if d.cfg.Web.Loopback() {
		r.note("the page is on this board only; no phone can open it",
			"[web] listen = \"0.0.0.0:8374\" in the configuration; phones then need a code from curewright pair")
	} else {
		switch as, err := d.addrs(); {
		case err != nil:
			r.note(err.Error(), "")
		case len(as) == 0:
			r.wrong("the board is on no network", "check the Wi-Fi's name and password, or its cable")
		default:
			r.good("reached at " + strings.Join(as, ", "))
		}
	}
	if end, ok := d.cfg.Web.CertificateEnds(); ok {
		switch left := end.Sub(d.now()); {
		case left <= 0:
			r.wrong("the page's certificate ended on "+end.Format(time.DateOnly)+": browsers refuse it",
				"put a new one where [web] tls_cert says; the daemon takes it within two minutes")
		case left < 14*24*time.Hour:
			r.note("the page's certificate ends on "+end.Format(time.DateOnly), "put a new one where [web] tls_cert says")
		}
	}
	if !running {
		if err := d.listen(d.cfg.Web.Listen); errors.Is(err, syscall.EADDRINUSE) {
			r.wrong("another program has "+d.cfg.Web.Listen,
				"sudo ss -ltnp shows which; give [web] listen another port")
		} else if err != nil {
			r.wrong(err.Error(), "put [web] listen right")
		}
	}
	return r.found
}
