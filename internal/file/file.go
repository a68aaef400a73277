// SPDX-License-Identifier: Apache-2.0

// Package file writes files so that a power cut leaves them wholly old or wholly
// new. It is the one place that does.
package file

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// Replace makes name hold b, as [Write] does.
func Replace(name string, b []byte) error {
	return Write(name, func(w io.Writer) error { _, err := w.Write(b); return err })
}

// Write has write fill the file that name leads to. A regular file, or one that
// is not there yet, is replaced in one step and keeps its mode and owner; an
// error leaves what was there. A link is followed and stays a link. What is no
// regular file (a device, a pipe) is written into and never replaced.
func Write(name string, write func(io.Writer) error) (err error) {
	fi, err := os.Stat(name)
	target, mode := name, fs.FileMode(0o644)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if target, err = dangling(name); err != nil {
			return err
		}
	case err != nil:
		return err
	case fi.IsDir():
		return &fs.PathError{Op: "write", Path: name, Err: syscall.EISDIR}
	case !fi.Mode().IsRegular():
		return into(name, write)
	default:
		mode = fi.Mode().Perm()
		if target, err = filepath.EvalSymlinks(name); err != nil {
			return err
		}
	}
	f, err := os.CreateTemp(filepath.Dir(target), ".tmp-*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	if err = write(f); err != nil {
		return err
	}
	if err = f.Chmod(mode); err != nil {
		return err
	}
	if fi != nil {
		if st, ok := fi.Sys().(*syscall.Stat_t); ok && os.Geteuid() == 0 {
			if err = f.Chown(int(st.Uid), int(st.Gid)); err != nil {
				return err
			}
		}
	}
	if err = f.Sync(); err != nil {
		return err
	}
	if err = f.Close(); err != nil {
		return err
	}
	if err = os.Rename(f.Name(), target); err != nil {
		return err
	}
	d, err := os.Open(filepath.Dir(target))
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync() // without this the rename itself can be lost
}

// into writes to what is no regular file: there is no old content to keep.
func into(name string, write func(io.Writer) error) error {
	f, err := os.OpenFile(name, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	err = write(f)
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	return err
}

// dangling is the path at the end of a link that leads to nothing yet, or name.
func dangling(name string) (string, error) {
	for range 40 { // as many as the kernel follows (path_resolution(7))
		to, err := os.Readlink(name)
		if err != nil {
			return name, nil // no link: this is where the file goes
		}
		if !filepath.IsAbs(to) {
			to = filepath.Join(filepath.Dir(name), to)
		}
		name = to
	}
	return "", fmt.Errorf("%s: %w", name, syscall.ELOOP)
}
