// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"curewright/internal/file"
)

// Chip is the board's clock chip and the time that it shows.
type Chip struct {
	Name string
	At   time.Time
}

// rtcRoot is where Linux shows clock chips.
const rtcRoot = "/sys/class/rtc"

// readChip returns the chip that set the wall clock at boot, else the first
// one that can be read. A chip whose battery was flat gives the kernel no time
// at all, or one long past.
func readChip(root string) (c Chip, ok bool) {
	dirs, _ := filepath.Glob(filepath.Join(root, "rtc*"))
	slices.Sort(dirs)
	for _, dir := range dirs {
		word := func(name string) string {
			b, _ := os.ReadFile(filepath.Join(dir, name))
			return strings.TrimSpace(string(b))
		}
		s, err := strconv.ParseInt(word("since_epoch"), 10, 64)
		if err != nil {
			continue
		}
		set := word("hctosys") == "1"
		if !ok || set {
			c, ok = Chip{Name: word("name"), At: time.Unix(s, 0).UTC()}, true
		}
		if set {
			break
		}
	}
	return c, ok
}

// chipFile, beside the store, says when the board's chip was last seen right.
// It is no part of the store: another board's chip is another chip.
const chipFile = "clock-chip"

// chipMark reads it: the chip's name and the time; the zero time without one.
func chipMark(dir string) (name string, at time.Time) {
	b, err := os.ReadFile(filepath.Join(dir, chipFile))
	if err != nil {
		return "", time.Time{}
	}
	stamp, name, _ := strings.Cut(strings.TrimSpace(string(b)), " ")
	at, err = time.Parse(time.RFC3339, stamp)
	if err != nil {
		return "", time.Time{}
	}
	return name, at
}

const (
	chipNear  = time.Minute              // greatest difference to a correct clock: drift of its quartz, not a flat battery
	chipLong  = 2 * 365 * 24 * time.Hour // since the last confirmation: after that a person is asked again
	chipAgain = 24 * time.Hour           // between two marks, to spare the card
)

// chipVouches reports whether a clock chip makes the wall clock trustworthy: this
// program saw it right while a network or a person vouched for the time, it has not
// gone back since, and the wall clock agrees with it. The mere presence of a chip proves
// nothing, since a new one may show any time.
func chipVouches(dir string, c Chip, wall time.Time) bool {
	name, mark := chipMark(dir)
	return !mark.IsZero() && name == c.Name && c.At.After(mark) && c.At.Before(mark.Add(chipLong)) && c.At.Sub(wall).Abs() < chipNear
}

// ClockVouched reports whether a program with its records in dir can trust the wall
// clock: it is kept right from outside, or by a clock chip that was seen right before.
func ClockVouched(dir string) bool {
	if kernelSynchronised() {
		return true
	}
	c, ok := BoardChip()
	return ok && chipVouches(dir, c, time.Now())
}

// markChip remembers that the chip is right, or forgets it where it is wrong;
// called while the time is vouched for.
func markChip(dir string, c Chip, now time.Time) error {
	name, mark := chipMark(dir)
	path := filepath.Join(dir, chipFile)
	if c.At.Sub(now).Abs() >= chipNear {
		if mark.IsZero() {
			return nil
		}
		if err := os.Remove(path); !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		return nil
	}
	if name == c.Name && now.Sub(mark).Abs() < chipAgain {
		return nil
	}
	return file.Replace(path, []byte(c.At.Format(time.RFC3339)+" "+c.Name+"\n"))
}
