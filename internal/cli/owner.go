// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// owner is who a folder belongs to; the zero value is nobody known.
type owner struct {
	uid, gid int
	known    bool
}

func ownerOf(path string) owner {
	fi, err := os.Stat(path)
	if err != nil {
		return owner{}
	}
	if st, ok := fi.Sys().(*syscall.Stat_t); ok {
		return owner{int(st.Uid), int(st.Gid), true}
	}
	return owner{}
}

// give hands a folder and all in it to the owner; only root can.
func (o owner) give(dir string) error {
	if !o.known || os.Geteuid() != 0 {
		return nil
	}
	return filepath.WalkDir(dir, func(p string, _ fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		return os.Lchown(p, o.uid, o.gid)
	})
}
