// SPDX-License-Identifier: Apache-2.0

package history

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"
)

// ErrDisplaced: the store's files were deleted or replaced while it runs. Anything
// written now would go into a file that the next start does not find.
var ErrDisplaced = errors.New("the store's files were deleted or replaced while it runs")

// fileID tells one file from another of the same name.
type fileID struct{ dev, ino uint64 }

func idOf(path string) (fileID, bool) {
	fi, err := os.Stat(path)
	if err != nil {
		return fileID{}, false
	}
	st, ok := fi.Sys().(*syscall.Stat_t)
	if !ok {
		return fileID{}, false
	}
	return fileID{uint64(st.Dev), uint64(st.Ino)}, true
}

// watched are the files whose inode is compared with that of the open file.
var watched = []string{File, File + "-wal"}

// identify notes which files are open; dbmu is held, or the store is not
// shared yet.
func (s *Store) identify() {
	ids := map[string]fileID{}
	if !s.away && !s.readOnly {
		for _, name := range watched {
			if id, ok := idOf(filepath.Join(s.dir, name)); ok {
				ids[name] = id
			}
		}
	}
	s.mu.Lock()
	s.files, s.displaced, s.replaced = ids, "", false
	s.mu.Unlock()
}

// checkFiles compares the files under the store's names with those that are
// open. mu is never held over it.
func (s *Store) checkFiles() {
	s.mu.Lock()
	ids, was, wasReplaced := s.files, s.displaced, s.replaced
	s.mu.Unlock()
	now, replaced := "", false
	for _, name := range watched {
		want, known := ids[name]
		if !known {
			continue
		}
		switch got, ok := idOf(filepath.Join(s.dir, name)); {
		case !ok:
			now = name
		case got != want:
			now, replaced = name, true
		}
		if now != "" {
			break
		}
	}
	// The lock on the folder keeps a second daemon out. The lock file is only for
	// other programs, which look for it.
	if _, err := os.Stat(filepath.Join(s.dir, "lock")); errors.Is(err, fs.ErrNotExist) && now == "" {
		if f, err := openLock(s.dir); err == nil {
			s.log.Warn("history: the lock file was deleted and is made anew")
			syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
			s.mu.Lock()
			old := s.lock
			s.lock = f
			s.mu.Unlock()
			if old != nil {
				old.Close()
			}
		}
	}
	s.mu.Lock()
	s.displaced, s.replaced = now, replaced
	s.mu.Unlock()
	if now == was && replaced == wasReplaced {
		return
	}
	if now == "" {
		s.log.Info("history: the store's files are in place again")
		return
	}
	s.log.Error("history: "+became(now, replaced)+" while the store runs: nothing more is entered", "folder", s.dir)
	if err := s.rescue(); err != nil {
		s.log.Error("history: no copy could be made of what was in it", "err", err)
	}
}

// rescue copies the content of the open database into quarantine: the file has no
// name any more, and its content is lost when the store is closed.
func (s *Store) rescue() error {
	dir, err := s.quarantine()
	if err != nil {
		return err
	}
	file := filepath.Join(dir, "rescued-"+time.Now().UTC().Format("20060102T150405")+".db")
	ctx, cancel := context.WithTimeout(s.ctx, time.Minute)
	defer cancel()
	if err := s.copyTo(ctx, file); err != nil {
		os.Remove(file)
		return err
	}
	s.mu.Lock()
	s.rescued = file
	s.mu.Unlock()
	s.log.Info("history: what was in it is kept", "file", file)
	return nil
}

// displacedError is why nothing is written while files are displaced; nil
// while they are not.
func (s *Store) displacedError() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.displaced == "" {
		return nil
	}
	return fmt.Errorf("%w: %s", ErrDisplaced, became(s.displaced, s.replaced))
}

// became says what became of a file, for the log.
func became(name string, replaced bool) string {
	if replaced {
		return name + " was replaced by another file"
	}
	return name + " was deleted"
}
