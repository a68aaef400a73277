// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// Files is [os.DirFS] for the kernel's small files, which are read once a
// second for each probe: a file is opened, read and closed and nothing else
// asked, where the os package takes ten calls.
func Files(root string) fs.FS {
	return files{os.DirFS(root).(everyFS), root}
}

// everyFS is what [os.DirFS] says that it gives.
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

// again repeats a call that a signal interrupted.
func again(call func() error) error {
	for {
		if err := call(); err != syscall.EINTR {
			return err
		}
	}
}
