// Package file writes files so that a power cut leaves them wholly old or wholly
// new.
package file

import (
	"os"
	"path/filepath"
)

// Replace replaces name in one step: after a power cut the file is wholly
// old or wholly new.
func Replace(name string, b []byte) (err error) {
	f, err := os.CreateTemp(filepath.Dir(name), ".tmp-*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	if _, err = f.Write(b); err != nil {
		return err
	}
	if err = f.Chmod(0o644); err != nil {
		return err
	}
	if err = f.Sync(); err != nil {
		return err
	}
	if err = f.Close(); err != nil {
		return err
	}
	if err = os.Rename(f.Name(), name); err != nil {
		return err
	}
	d, err := os.Open(filepath.Dir(name))
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync() // without this the rename itself can be lost
}
