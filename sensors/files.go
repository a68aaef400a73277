// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// Files is like [os.DirFS], for the kernel's small files, of which each probe reads
// one every second: it makes three system calls per file (open, read, close) where
// the os package makes ten.
func Files(root string) fs.FS {
	return files{os.DirFS(root).(everyFS), root}
}

// everyFS is the set of interfaces that [os.DirFS] promises.
type everyFS interface {
	fs.StatFS
	fs.ReadFileFS
	fs.ReadDirFS
	fs.ReadLinkFS
}

type files struct {
	everyFS
	root string
}

// ReadFile reads a file. Its errors are those of [os.ReadFile].
func (f files) ReadFile(name string) ([]byte, error) {
	fail := func(op string, err error) error { return &fs.PathError{Op: op, Path: name, Err: err} }
	if !fs.ValidPath(name) {
		return nil, fail("open", fs.ErrInvalid)
	}
	var fd int
	if err := again(func() (err error) {
		fd, err = syscall.Open(filepath.Join(f.root, filepath.FromSlash(name)), syscall.O_RDONLY|syscall.O_CLOEXEC, 0)
		return err
	}); err != nil {
		return nil, fail("open", err)
	}
	defer syscall.Close(fd)
	var b []byte
	for buf := make([]byte, 512); ; {
		var n int
		if err := again(func() (err error) { n, err = syscall.Read(fd, buf); return err }); err != nil {
			return nil, fail("read", err)
		}
		b = append(b, buf[:n]...)
		if n < len(buf) { // only the end of a file is a short read, in sysfs too
			return b, nil
		}
	}
}

// again repeats a system call for as long as signals interrupt it (EINTR).
func again(call func() error) error {
	for {
		if err := call(); err != syscall.EINTR {
			return err
		}
	}
}
