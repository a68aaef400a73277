// SPDX-License-Identifier: Apache-2.0

package file

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"syscall"
)

// MaxText is the most that a configuration, job, sheet or resin file may hold:
// some hundred times the largest that a person wrote.
const MaxText = 16 << 20

// Errors of [Read] besides those of the system, which keep their place.
var (
	errBig    = fmt.Errorf("larger than %d MB", MaxText>>20)
	errWriter = errors.New("a pipe that nobody writes to")
)

// Open opens a file to be read. It does not wait: a named pipe that nobody has
// opened for writing is an error and not a program that hangs.
func Open(name string) (*os.File, error) {
	f, err := os.OpenFile(name, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	return f, nil
}

// Read reads a text file whole, without the mark that some editors put before
// the first character (a byte order mark). Devices and pipes without an end
// are cut off at [MaxText], with an error.
func Read(name string) ([]byte, error) {
	f, err := Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	fail := func(err error) ([]byte, error) { return nil, &fs.PathError{Op: "read", Path: name, Err: err} }
	b, err := io.ReadAll(io.LimitReader(f, MaxText+1))
	if err != nil {
		return nil, err
	}
	if len(b) > MaxText {
		return fail(errBig)
	}
	if len(b) == 0 {
		if fi, err := f.Stat(); err == nil && fi.Mode()&fs.ModeNamedPipe != 0 {
			return fail(errWriter)
		}
	}
	return bytes.TrimPrefix(b, []byte("\xef\xbb\xbf")), nil
}
