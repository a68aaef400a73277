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
)

// programmed is before any clock that was ever set right could stand.
var programmed = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

func (d *doctor) clock() []finding {
	const area = "clock"
	now := d.now()
	var out []finding
	switch {
	case now.Before(programmed):
		out = append(out, finding{Area: area, Mark: markWrong, What: "it says " + now.Format("2 January 2006") + ": the board does not know the date",
			Mend: "connect it to the internet, fit a clock chip, or press \"Use this phone's time\" on the page"})
	case !d.trusted():
		if f, ok := d.clockChip(now); ok {
			out = append(out, f)
			break
		}
		out = append(out, finding{Area: area, Mark: markNote, What: "it says " + now.Format("2 January 2006 15:04") + ", and nothing vouches for it",
			Mend: "connect the board to the internet, fit a clock chip, or press \"Use this phone's time\" on the page; until then readings are kept and dated later"})
	default:
		out = append(out, finding{Area: area, Mark: markGood, What: "set: " + now.Format("2 January 2006 15:04 MST")})
	}
	if sends := d.sends(); sends != "" && (now.Before(programmed) || !d.trusted()) {
		out = append(out, finding{Area: area, Mark: markNote, What: "until the date is known no reading is sent on to " + sends + ", and pushed readings with times of their own are refused where they are old: their senders keep them and try again"})
	}
	if loc := d.cfg.Location(); d.cfg.Shop.Zone == "" && (loc == time.UTC || now.In(loc).Format("MST") == "UTC") {
		out = append(out, finding{Area: area, Mark: markNote, What: "the board keeps UTC, and so does the page",
			Mend: "name the time zone: [shop] zone = \"Europe/London\""})
	}
	return out
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
func (d *doctor) clockChip(now time.Time) (finding, bool) {
	c, ok := d.chip()
	if !ok {
		return finding{}, false
	}
	f := finding{Area: "clock", Mark: markNote}
	if c.At.Sub(now).Abs() >= time.Minute {
		f.What = "it says " + now.Format("2 January 2006 15:04") + ", the clock chip " + c.Name + " shows " + c.At.In(now.Location()).Format("2 January 2006 15:04") + ", and nothing vouches for either"
		f.Mend = "connect the board to the internet for a quarter of an hour, or press \"Use this phone's time\" on the page; if the chip is wrong again after the next start, its battery is flat"
		return f, true
	}
	f.What = "it says " + now.Format("2 January 2006 15:04") + " by the clock chip " + c.Name + ", which was never seen right"
	f.Mend = "connect the board to the internet, or press \"Use this phone's time\" on the page, once: the chip is trusted from then on"
	return f, true
}

// power: a supply that sags resets probes and damages cards.
func (d *doctor) power() []finding {
	const area, mend = "power", "the supply that the board's maker names, a short thick cable, and nothing else on its plug"
	if v := d.read("/sys/devices/platform/soc/soc:firmware/get_throttled"); v != "" {
		// Bit 0: under-voltage now; bit 16: since the board started. From memory
		// of the firmware's documentation.
		if n, err := strconv.ParseUint(strings.TrimPrefix(v, "0x"), 16, 64); err == nil && n&(1|1<<16) != 0 {
			return []finding{{Area: area, Mark: markWrong, What: "the supply's voltage has sagged since the board started", Mend: mend}}
		}
	}
	for _, h := range d.glob("/sys/class/hwmon/hwmon*/name") {
		b, err := os.ReadFile(h)
		if err != nil || strings.TrimSpace(string(b)) != "rpi_volt" {
			continue
		}
		if b, err := os.ReadFile(filepath.Join(filepath.Dir(h), "in0_lcrit_alarm")); err == nil && strings.TrimSpace(string(b)) == "1" {
			return []finding{{Area: area, Mark: markWrong, What: "the supply's voltage sags", Mend: mend}}
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
	const area = "disk"
	dir := d.path(d.cfg.Store.Path)
	at := dir
	for !exists(at) && at != filepath.Dir(at) {
		at = filepath.Dir(at) // the store makes its folder itself
	}
	s, err := d.space(at)
	if err != nil {
		return []finding{{Area: area, Mark: markWrong, What: at + ": " + err.Error()}}
	}
	var out []finding
	free := fmt.Sprintf("%.1f GB free for %s", float64(s.free)/1e9, dir)
	switch {
	case s.readOnly:
		out = append(out, finding{Area: area, Mark: markWrong, What: at + " can't be written: cards do this when they wear out, systems after a bad power cut",
			Mend: "copy what matters (curewright backup), restart; if it comes back, change the card"})
	case s.free < 200e6:
		out = append(out, finding{Area: area, Mark: markWrong, What: free, Mend: "free some room: sudo journalctl --vacuum-size=50M, sudo apt clean"})
	case s.free < 1e9:
		out = append(out, finding{Area: area, Mark: markNote, What: free, Mend: "[store] max_mb bounds the store; sudo apt clean frees room"})
	default:
		out = append(out, finding{Area: area, Mark: markGood, What: free})
	}
	switch s.kind {
	case tmpfsMagic, ramfsMagic:
		out = append(out, finding{Area: area, Mark: markWrong, What: at + " is in memory: what is kept there is gone after a restart", Mend: "--data or [store] path on the card"})
	case overlayMagic:
		out = append(out, finding{Area: area, Mark: markNote, What: at + " lies on an overlay: on a board with a protected card what is written is gone after a restart",
			Mend: "switch the card's write protection off, or [store] path on a stick"})
	}
	return out
}

// lookAtStore checks a store that no daemon has open.
func lookAtStore(ctx context.Context, dir string) []finding {
	const area = "store"
	file := filepath.Join(dir, history.File)
	if _, err := os.Stat(file); errors.Is(err, fs.ErrPermission) {
		return []finding{{Area: area, Mark: markNote, What: dir + " can't be looked into", Mend: "sudo curewright doctor"}}
	} else if err != nil {
		return []finding{{Area: area, Mark: markNote, What: "none yet in " + dir}}
	}
	var out []finding
	if _, err := os.Stat(file + "-wal"); err == nil {
		// The log of a daemon that was cut off is part of the store; the
		// daemon mends it when it starts.
		s, err := history.OpenReadOnly(dir)
		if err != nil {
			out = append(out, storeFault(err))
		} else {
			if t := s.Trouble(); t != "" {
				out = append(out, finding{Area: area, Mark: markNote, What: t})
			}
			s.Close()
		}
	} else if c, err := history.CheckFile(ctx, file); err != nil {
		out = append(out, storeFault(err))
	} else {
		out = append(out, finding{Area: area, Mark: markGood, What: fmt.Sprintf("whole, %.1f MB", float64(c.Bytes)/1e6)})
	}
	if q, _ := filepath.Glob(filepath.Join(dir, "quarantine", "*")); len(q) > 0 {
		out = append(out, finding{Area: area, Mark: markNote, What: fmt.Sprintf("%d things were set aside in %s", len(q), filepath.Join(dir, "quarantine")),
			Mend: "nothing needs to be done; look there if something is missing from a record"})
	}
	if len(out) == 0 {
		out = append(out, finding{Area: area, Mark: markGood, What: "can be read"})
	}
	return out
}

func storeFault(err error) finding {
	const area = "store"
	switch {
	case errors.Is(err, history.ErrInUse):
		return finding{Area: area, Mark: markNote, What: "in use by a daemon that does not answer at this address"}
	case errors.Is(err, history.ErrNewer):
		return finding{Area: area, Mark: markWrong, What: err.Error(), Mend: "install the newer curewright again"}
	}
	return finding{Area: area, Mark: markWrong, What: err.Error(),
		Mend: "the daemon mends what it can when it starts and sets the rest aside; curewright restore brings a copy back"}
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
	const area = "network"
	var out []finding
	if d.cfg.Web.Loopback() {
		out = append(out, finding{Area: area, Mark: markNote, What: "the page is on this board only; no phone can open it",
			Mend: "[web] listen = \"0.0.0.0:8374\" in the configuration; phones then need a code from curewright pair"})
	} else {
		switch as, err := d.addrs(); {
		case err != nil:
			out = append(out, finding{Area: area, Mark: markNote, What: err.Error()})
		case len(as) == 0:
			out = append(out, finding{Area: area, Mark: markWrong, What: "the board is on no network", Mend: "check the Wi-Fi's name and password, or its cable"})
		default:
			out = append(out, finding{Area: area, Mark: markGood, What: "reached at " + strings.Join(as, ", ")})
		}
	}
	if end, ok := d.cfg.Web.CertificateEnds(); ok {
		switch left := end.Sub(d.now()); {
		case left <= 0:
			out = append(out, finding{Area: area, Mark: markWrong, What: "the page's certificate ended on " + end.Format(time.DateOnly) + ": browsers refuse it",
				Mend: "put a new one where [web] tls_cert says; the daemon takes it within two minutes"})
		case left < 14*24*time.Hour:
			out = append(out, finding{Area: area, Mark: markNote, What: "the page's certificate ends on " + end.Format(time.DateOnly), Mend: "put a new one where [web] tls_cert says"})
		}
	}
	if !running {
		if err := d.listen(d.cfg.Web.Listen); errors.Is(err, syscall.EADDRINUSE) {
			out = append(out, finding{Area: area, Mark: markWrong, What: "another program has " + d.cfg.Web.Listen,
				Mend: "sudo ss -ltnp shows which; give [web] listen another port"})
		} else if err != nil {
			out = append(out, finding{Area: area, Mark: markWrong, What: err.Error(), Mend: "put [web] listen right"})
		}
	}
	return out
}
