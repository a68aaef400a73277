// SPDX-License-Identifier: Apache-2.0

package relay

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpioreg"
	"periph.io/x/host/v3"

	"curewright/heat"
)

// Errors of a line.
var (
	ErrNoLine = errors.New("no such GPIO line")
	ErrHeld   = errors.New("another program holds this line")
	// ErrReadBack is the error of a line that was set and reads otherwise: a
	// short, a stuck driver, or another process that drives it.
	ErrReadBack = errors.New("the line reads otherwise than it was set")
)

// Line is a line that this process alone holds.
type Line interface {
	heat.Line
	io.Closer
}

// OpenLine claims the line of a name for this process alone and switches it off
// in the same act: "GPIO17" as the kernel names it, "gpiochip0:17", or
// "file:PATH" for a file that takes 1 and 0, such as an LED's brightness. A
// line that another process holds is [ErrHeld]. Every Set is read back.
//
// Opening a line of the kernel's character device never blocks. A name that the
// kernel does not know is looked for among the board's registers, which takes a
// moment.
func OpenLine(name string, activeLow bool) (Line, error) {
	fail := func(err error) (Line, error) { return nil, fmt.Errorf("line %q: %w", name, err) }
	if path, ok := strings.CutPrefix(name, "file:"); ok {
		l, err := openFile(path, activeLow)
		if err != nil {
			return fail(err)
		}
		return l, nil
	}
	l, err := openChip(name, activeLow)
	if err == nil {
		return l, nil
	}
	if !errors.Is(err, ErrNoLine) {
		return fail(err)
	}
	p, err := findPin(name)
	if err != nil {
		return fail(err)
	}
	claim, err := claimName(p.Name())
	if err != nil {
		return fail(err)
	}
	r := &registerLine{p: p, low: activeLow, claim: claim}
	if err := r.Set(false); err != nil {
		claim.Close()
		return fail(err)
	}
	return r, nil
}

// LookLine returns an error if the board does not have a line that [OpenLine] would
// be asked for. It opens no line.
func LookLine(name string) error {
	if path, ok := strings.CutPrefix(name, "file:"); ok {
		_, err := os.Stat(path)
		return err
	}
	err := lookChip(name)
	if !errors.Is(err, ErrNoLine) {
		return err
	}
	if _, err := findPin(name); err != nil {
		return fmt.Errorf("line %q: %w", name, err)
	}
	return nil
}

// findPin looks for a line among the board's registers.
func findPin(name string) (gpio.PinIO, error) {
	if _, err := host.Init(); err != nil {
		return nil, fmt.Errorf("GPIO lines: %w", err)
	}
	if p := gpioreg.ByName(name); p != nil {
		return p, nil
	}
	return nil, ErrNoLine
}

// registerLine is a line that is driven by the board's registers.
type registerLine struct {
	p     gpio.PinIO
	low   bool
	claim io.Closer
}

func (g *registerLine) Set(on bool) error {
	level := gpio.Level(on != g.low)
	if err := g.p.Out(level); err != nil {
		return err
	}
	if g.p.Read() != level {
		return ErrReadBack
	}
	return nil
}

func (g *registerLine) Close() error { return g.claim.Close() }

// fileLine writes 1 or 0 to a file.
type fileLine struct {
	f   *os.File
	low bool
}

func openFile(path string, activeLow bool) (*fileLine, error) {
	// Not created: a mistyped name must not become a file that takes the value.
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return nil, err
	}
	l := &fileLine{f, activeLow}
	if err := lockFile(f); err != nil {
		f.Close()
		return nil, err
	}
	if err := l.Set(false); err != nil {
		f.Close()
		return nil, err
	}
	return l, nil
}

func (l *fileLine) Set(on bool) error {
	b := []byte("0\n")
	if on != l.low {
		b = []byte("1\n")
	}
	if _, err := l.f.WriteAt(b, 0); err != nil {
		return err
	}
	// A regular file that held more is cut; a device has no length.
	if fi, err := l.f.Stat(); err == nil && fi.Mode().IsRegular() && fi.Size() > int64(len(b)) {
		if err := l.f.Truncate(int64(len(b))); err != nil {
			return err
		}
	}
	back := make([]byte, 16)
	n, err := l.f.ReadAt(back, 0)
	if err != nil && err != io.EOF {
		return err
	}
	if got := strings.TrimSpace(string(back[:n])); got != strings.TrimSpace(string(b)) {
		return fmt.Errorf("%w: %q", ErrReadBack, got)
	}
	return nil
}

func (l *fileLine) Close() error { return l.f.Close() }
