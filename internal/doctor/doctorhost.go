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
	"curewright/model/words"
)

// programmed is before any clock that was ever set right could stand.
var programmed = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

func (d *doctor) clock() []finding {
	r := d.report("clock")
	now := d.now()
	says := r.date(now)
	switch {
	case now.Before(programmed):
		r.wrong("no_date", words.Facts{"at": says})
	case !d.trusted():
		if c, ok := d.chip(); ok {
			r.clockChip(c, now)
			break
		}
		r.note("unvouched", words.Facts{"at": says})
	default:
		r.good("set", words.Facts{"at": says + now.Format(" MST")})
	}
	if sends := d.sends(); sends != "" && (now.Before(programmed) || !d.trusted()) {
		r.note("senders_wait", words.Facts{"to": sends})
	}
	if loc := d.cfg.Location(); d.cfg.Shop.Zone == "" && (loc == time.UTC || now.In(loc).Format("MST") == "UTC") {
		r.note("utc", nil)
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
	if len(to) == 2 {
		return words.View{Words: d.words}.Say("doctor.both", words.Facts{"a": to[0], "b": to[1]})
	}
	return strings.Join(to, "")
}

// clockChip says what is wrong with a clock chip that does not vouch for the
// date.
func (r *report) clockChip(c daemon.Chip, now time.Time) {
	facts := words.Facts{"at": r.date(now), "chip": c.Name, "shows": r.date(c.At.In(now.Location()))}
	if c.At.Sub(now).Abs() >= time.Minute {
		r.note("chip_away", facts)
		return
	}
	r.note("chip_new", facts)
}

// date is "10 October 2026 14:05".
func (r *report) date(t time.Time) string {
	return t.Format("2 ") + r.read.Words.DateName("months", t) + t.Format(" 2006 15:04")
}

// power: a supply that sags resets probes and damages cards.
func (d *doctor) power() []finding {
	r := d.report("power")
	if v := d.read("/sys/devices/platform/soc/soc:firmware/get_throttled"); v != "" {
		// Bit 0: under-voltage now; bit 16: since the board started. From memory
		// of the firmware's documentation.
		if n, err := strconv.ParseUint(strings.TrimPrefix(v, "0x"), 16, 64); err == nil && n&(1|1<<16) != 0 {
			return r.wrong("sagged", nil)
		}
	}
	for _, h := range d.glob("/sys/class/hwmon/hwmon*/name") {
		b, err := os.ReadFile(h)
		if err != nil || strings.TrimSpace(string(b)) != "rpi_volt" {
			continue
		}
		if b, err := os.ReadFile(filepath.Join(filepath.Dir(h), "in0_lcrit_alarm")); err == nil && strings.TrimSpace(string(b)) == "1" {
			return r.mended(markWrong, "sags", "sagged", nil, nil)
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
	r := d.report("disk")
	dir := d.path(d.cfg.Store.Path)
	at := dir
	for !exists(at) && at != filepath.Dir(at) {
		at = filepath.Dir(at) // the store makes its folder itself
	}
	s, err := d.space(at)
	if err != nil {
		return r.said(markWrong, at+": "+err.Error(), "")
	}
	free := words.Facts{"gb": fmt.Sprintf("%.1f", float64(s.free)/1e9), "dir": dir}
	switch {
	case s.readOnly:
		r.wrong("read_only", words.Facts{"dir": at})
	case s.free < 200e6:
		r.mended(markWrong, "free", "full", free, nil)
	case s.free < 1e9:
		r.mended(markNote, "free", "filling", free, nil)
	default:
		r.good("free", free)
	}
	switch s.kind {
	case tmpfsMagic, ramfsMagic:
		r.wrong("in_memory", words.Facts{"dir": at})
	case overlayMagic:
		r.note("overlay", words.Facts{"dir": at})
	}
	return r.found
}

// lookAtStore checks a store that no daemon has open.
func lookAtStore(ctx context.Context, r *report, dir string) []finding {
	file := filepath.Join(dir, history.File)
	if _, err := os.Stat(file); errors.Is(err, fs.ErrPermission) {
		return r.note("store_shut", words.Facts{"dir": dir})
	} else if err != nil {
		return r.note("store_none", words.Facts{"dir": dir})
	}
	if _, err := os.Stat(file + "-wal"); err == nil {
		// The log of a daemon that was cut off is part of the store; the
		// daemon mends it when it starts.
		s, err := history.OpenReadOnly(dir)
		if err != nil {
			r.storeFault(err)
		} else {
			if t := s.Trouble(); t != "" {
				r.said(markNote, t, "")
			}
			s.Close()
		}
	} else if c, err := history.CheckFile(ctx, file); err != nil {
		r.storeFault(err)
	} else {
		r.good("store_whole", words.Facts{"mb": fmt.Sprintf("%.1f", float64(c.Bytes)/1e6)})
	}
	if q, _ := filepath.Glob(filepath.Join(dir, "quarantine", "*")); len(q) > 0 {
		r.note("set_aside", words.Facts{"n": len(q), "dir": filepath.Join(dir, "quarantine")})
	}
	if len(r.found) == 0 {
		r.good("store_read", nil)
	}
	return r.found
}

func (r *report) storeFault(err error) {
	switch {
	case errors.Is(err, history.ErrInUse):
		r.note("store_used", nil)
	case errors.Is(err, history.ErrNewer):
		r.wrong("store_newer", words.Facts{"why": err.Error()})
	default:
		r.wrong("store_bad", words.Facts{"why": err.Error()})
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
	r := d.report("network")
	if d.cfg.Web.Loopback() {
		r.note("page_here", nil)
	} else {
		switch as, err := d.addrs(); {
		case err != nil:
			r.said(markNote, err.Error(), "")
		case len(as) == 0:
			r.wrong("no_network", nil)
		default:
			r.good("reached", words.Facts{"addresses": strings.Join(as, ", ")})
		}
	}
	if end, ok := d.cfg.Web.CertificateEnds(); ok {
		switch left := end.Sub(d.now()); {
		case left <= 0:
			r.wrong("certificate_over", words.Facts{"date": end.Format(time.DateOnly)})
		case left < 14*24*time.Hour:
			r.note("certificate_ends", words.Facts{"date": end.Format(time.DateOnly)})
		}
	}
	if !running {
		if err := d.listen(d.cfg.Web.Listen); errors.Is(err, syscall.EADDRINUSE) {
			r.wrong("port_taken", words.Facts{"address": d.cfg.Web.Listen})
		} else if err != nil {
			r.wrong("bad_address", words.Facts{"why": err.Error()})
		}
	}
	return r.found
}
