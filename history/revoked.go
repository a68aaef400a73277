// SPDX-License-Identifier: Apache-2.0

package history

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// The revocations page is a small file whose blocks are allocated at the first
// start. On a full card a revoked token cannot be marked in the database, but this
// page can be overwritten in place, so that the revocation survives a restart. It
// holds the revocations that the database does not have yet.

const (
	revokedPage = 4096
	revokedName = "revoked"
)

func (s *Store) revokedPath() string { return filepath.Join(s.dir, revokedName) }

// readRevoked returns the ids in the page; a damaged page holds none.
func (s *Store) readRevoked() []string {
	b, err := os.ReadFile(s.revokedPath())
	if err != nil || len(b) != revokedPage {
		return nil
	}
	n := binary.LittleEndian.Uint32(b[4:])
	if n > revokedPage-8 || crc32.Checksum(b[4:8+n], castagnoli) != binary.LittleEndian.Uint32(b) {
		return nil
	}
	return strings.Fields(string(b[8 : 8+n]))
}

// writeRevoked puts the ids into the page, in place.
func (s *Store) writeRevoked(ids []string) error {
	b := make([]byte, revokedPage)
	text := strings.Join(ids, "\n")
	if len(text) > revokedPage-8 {
		return fmt.Errorf("%d revocations wait: %w", len(ids), ErrDiskFull)
	}
	binary.LittleEndian.PutUint32(b[4:], uint32(len(text)))
	copy(b[8:], text)
	binary.LittleEndian.PutUint32(b, crc32.Checksum(b[4:8+len(text)], castagnoli))
	if err := s.fault("write", s.revokedPath()); err != nil {
		return osError(err)
	}
	f, err := os.OpenFile(s.revokedPath(), os.O_CREATE|os.O_WRONLY, 0o640)
	if err != nil {
		return osError(err)
	}
	defer f.Close()
	if _, err := f.WriteAt(b, 0); err != nil {
		return osError(err)
	}
	return osError(f.Sync())
}

// takeRevoked marks the tokens that the page names, at the start; mu is not
// needed yet. They reach the database with the next commit.
func (s *Store) takeRevoked() {
	ids := s.readRevoked()
	s.mu.Lock()
	for _, id := range ids {
		s.revoke(id, s.opts.Now())
	}
	s.revoking = ids
	s.mu.Unlock()
	if len(ids) == 0 && !s.readOnly && !s.away {
		if _, err := os.Stat(s.revokedPath()); err != nil {
			s.writeRevoked(nil) // allocates its blocks before the card is full
		}
	}
}

// revokedKept empties the page once the database has what it names; dbmu is
// held.
func (s *Store) revokedKept() {
	s.page.Lock()
	defer s.page.Unlock()
	s.mu.Lock()
	wait := len(s.revoking) > 0
	for _, id := range s.revoking {
		wait = wait && !s.kvDirty[kvKey{"token", id}]
	}
	if wait {
		s.revoking = nil
	}
	s.mu.Unlock()
	if wait {
		s.writeRevoked(nil)
	}
}

// revoke marks a token as taken back in memory, for the next commit; mu is
// held. False where there is no such token.
func (s *Store) revoke(id string, at time.Time) bool {
	t, ok := s.token(id)
	if !ok {
		return false
	}
	if t.Revoked == nil {
		at = at.UTC()
		t.Revoked = &at
		s.tokenLater(t)
	}
	return true
}
