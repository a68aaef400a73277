// SPDX-License-Identifier: Apache-2.0

package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"syscall"

	"modernc.org/sqlite"
)

// Backup writes a consistent copy of the whole store to the file while it
// goes on working, by SQLite's own online copy, checks it and puts it in
// place in one step. The copy is a plain store file: [Restore] takes it, and
// so does any SQLite.
func (s *Store) Backup(ctx context.Context, file string) error {
	if err := s.backup(ctx, file); err != nil {
		return fmt.Errorf("history: backup %s: %w", file, err)
	}
	return nil
}

func (s *Store) backup(ctx context.Context, file string) error {
	if !s.readOnly {
		if err := s.Flush(ctx); err != nil {
			return err
		}
	}
	tmp := file + ".part"
	removeDB(tmp)
	defer removeDB(tmp)
	f, err := os.OpenFile(tmp, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o640)
	if err != nil {
		return err
	}
	f.Close()
	if err := s.copyTo(ctx, tmp); err != nil {
		return diskError(err)
	}
	if err := setTokens(ctx, tmp, nil); err != nil {
		return diskError(err)
	}
	if _, err := CheckFile(ctx, tmp); err != nil {
		return err
	}
	removeBeside(tmp)
	if err := s.syncFile(tmp); err != nil {
		return err
	}
	if err := os.Rename(tmp, file); err != nil {
		return err
	}
	return syncDir(filepath.Dir(file))
}

// removeDB removes a database file that is being made, and what is beside it.
func removeDB(file string) {
	os.Remove(file)
	removeBeside(file)
}

// removeBeside removes what SQLite keeps beside a file while it is open.
func removeBeside(file string) {
	for _, suffix := range []string{"-wal", "-journal", "-shm"} {
		os.Remove(file + suffix)
	}
}

// copyPages is how many pages are copied at once.
const copyPages = 256

// copyTo runs the online copy in small steps, so that flushes and entries can run
// in between. Syncing takes a slow card longest. SQLite would sync everything in
// its last step, so its syncing is off here: each piece is synced by us while
// nobody waits for the connection.
func (s *Store) copyTo(ctx context.Context, file string) error {
	raw := func(f func(c any) error) error {
		s.dbmu.Lock()
		defer s.dbmu.Unlock()
		if s.closed {
			return ErrClosed
		}
		conn, err := s.db.Conn(ctx)
		if err != nil {
			return err
		}
		defer conn.Close()
		return conn.Raw(f)
	}
	var from any
	var b *sqlite.Backup
	start := func(c any) error {
		src, ok := c.(interface {
			NewBackup(string) (*sqlite.Backup, error)
		})
		if !ok {
			return errors.New("this SQLite cannot copy")
		}
		var err error
		b, err = src.NewBackup(dsn(file, "; PRAGMA synchronous = OFF"))
		from = c
		return err
	}
	if err := raw(start); err != nil {
		return err
	}
	finished := false
	finish := func() error {
		finished = true
		return raw(func(any) error { return b.Finish() })
	}
	defer func() {
		if !finished {
			finish()
		}
	}()
	for more := true; more; {
		if err := ctx.Err(); err != nil {
			return err
		}
		err := raw(func(c any) (err error) {
			if c != from {
				return errors.New("the store was rebuilt meanwhile; try again")
			}
			more, err = b.Step(copyPages)
			return err
		})
		if err == nil {
			err = s.syncFile(file)
		}
		if err != nil {
			return err
		}
	}
	return finish()
}

func (s *Store) syncFile(name string) error {
	if err := s.fault("sync", name); err != nil {
		return err
	}
	return syncDir(name)
}

// Checked is what [CheckFile] found.
type Checked struct {
	Rows  map[string]int // by table
	Bytes int64
}

// CheckFile reads a whole store file without changing it: SQLite's structure
// and the sum of every row. The error wraps [ErrDamaged] when either fails,
// [ErrNewer] when a newer version wrote it.
func CheckFile(ctx context.Context, file string) (Checked, error) {
	c := Checked{Rows: map[string]int{}}
	fi, err := os.Stat(file)
	if err != nil {
		return c, err
	}
	c.Bytes = fi.Size()
	db, err := openImmutable(file)
	if err != nil {
		return c, err
	}
	defer db.Close()
	if err := quickCheck(ctx, db); err != nil {
		if isCorrupt(err) {
			err = fmt.Errorf("%w (%w)", ErrDamaged, err)
		}
		return c, err
	}
	app, err := pragma(ctx, db, "application_id")
	if err != nil {
		return c, err
	}
	v, err := pragma(ctx, db, "user_version")
	if err != nil {
		return c, err
	}
	if app != applicationID || v == 0 {
		return c, fmt.Errorf("not a store of this program: %w", ErrDamaged)
	}
	if v > int64(len(migrations)) {
		return c, fmt.Errorf("%w: schema %d, this version knows %d", ErrNewer, v, len(migrations))
	}
	if err := onlyOurs(ctx, db); err != nil {
		return c, err
	}
	for _, t := range tables {
		if t.tag == 'l' && v < 2 {
			continue
		}
		err := eachRow(ctx, db, t.name, -maxID-1, maxID, func(id int64, body []byte, ok bool) error {
			if !ok {
				return fmt.Errorf("row %d of %s: %w", id, t.name, ErrDamaged)
			}
			c.Rows[t.name]++
			return nil
		})
		if err != nil {
			return c, err
		}
	}
	return c, nil
}

// onlyOurs refuses a file whose schema holds anything but our tables as we
// make them: a trigger or a view in a copy would act in the store.
func onlyOurs(ctx context.Context, db *sql.DB) error {
	rows, err := db.QueryContext(ctx, "SELECT type, name, tbl_name, coalesce(sql, '') FROM sqlite_schema")
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var kind, name, table, text string
		if err := rows.Scan(&kind, &name, &table, &text); err != nil {
			return err
		}
		ours := kind == "table" && name == table && text == tableSQL(name)
		known := false
		for _, t := range tables {
			known = known || t.name == name
		}
		if !ours || !known {
			return fmt.Errorf("it holds %s %q, which no store of this program has: %w", kind, name, ErrDamaged)
		}
	}
	return rows.Err()
}

// openImmutable opens a file that nobody writes, without touching anything
// beside it. A log beside it is not read.
func openImmutable(file string) (*sql.DB, error) {
	db, err := sql.Open("sqlite", dsn(file, "")+"&mode=ro&immutable=1")
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	return db, nil
}

// Restore replaces the store in the folder by the backup, after checking it.
// The store that was there is kept in the folder quarantine. No process may
// have it open ([ErrInUse]). When Restore fails nothing has changed.
func Restore(ctx context.Context, file, dir string) error {
	fail := func(err error) error { return fmt.Errorf("history: restore %s: %w", file, err) }
	if _, err := CheckFile(ctx, file); err != nil {
		return fail(err)
	}
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return fail(err)
	}
	s := newStore(dir, Options{})
	if err := s.takeLock(); err != nil {
		return fail(err)
	}
	defer s.unlock()
	if s.lockErr != nil {
		return fail(s.lockErr)
	}
	tmp := s.path() + ".restoring"
	defer os.Remove(tmp)
	if err := copyFile(file, tmp); err != nil {
		return fail(osError(err))
	}
	// The board keeps its present log-ins: an old copy would restore tokens that
	// were revoked since.
	if err := setTokens(ctx, tmp, tokenRows(ctx, dir)); err != nil {
		return fail(diskError(err))
	}
	// Check the copy again on this disk: copying may have damaged it.
	if _, err := CheckFile(ctx, tmp); err != nil {
		return fail(err)
	}
	// The journal belongs to the store that is replaced: beside the restored copy
	// it would put back everything entered after the copy. After a power cut in
	// between, the old store makes itself a new journal.
	if err := s.putJournalAside(); err != nil {
		return fail(err)
	}
	if err := os.Rename(tmp, s.rebuiltPath()); err != nil {
		return fail(err)
	}
	if err := s.finishSwap(); err != nil {
		return fail(err)
	}
	return nil
}

// setTokens replaces all log-ins in a store file that nobody uses.
func setTokens(ctx context.Context, file string, tokens []kvRow) error {
	// SQLite removes the rollback journal of this write itself.
	db, err := sql.Open("sqlite", dsn(file, "; PRAGMA journal_mode = DELETE; PRAGMA synchronous = FULL; PRAGMA secure_delete = ON"))
	if err != nil {
		return err
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	err = inTx(ctx, db, func(tx *sql.Tx) error {
		var gone []int64
		next, rev := int64(schemaID), int64(0)
		err := eachRow(ctx, tx, "kv", math.MinInt64, maxID, func(id int64, body []byte, ok bool) error {
			next = max(next, id)
			r, err := decodeKV(id, body)
			if !ok || err != nil {
				return fmt.Errorf("setting %d: %w", id, ErrDamaged)
			}
			rev = max(rev, r.Rev)
			if r.Bucket == "token" {
				gone = append(gone, id)
			}
			return nil
		})
		if err != nil {
			return err
		}
		for _, id := range gone {
			if err := delRow(ctx, tx, "kv", id); err != nil {
				return err
			}
		}
		for _, r := range tokens {
			next++
			rev++
			r.ID, r.Rev = next, rev
			if err := putKV(ctx, tx, r); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return db.Close()
}

// tokenRows reads the log-ins of the store in a folder, as far as it can be
// read; its lock is held.
func tokenRows(ctx context.Context, dir string) []kvRow {
	s := newStore(dir, Options{})
	if s.inspect() != nil || s.openOnce(ctx) != nil {
		return nil
	}
	s.takeRevoked()
	defer s.db.Close()
	defer s.closeJournal()
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []kvRow
	for k, r := range s.kv {
		if k.Bucket == "token" {
			out = append(out, *r)
		}
	}
	return out
}

func (s *Store) putJournalAside() error {
	err := os.Rename(s.journalPath(), s.path()+journalAside)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o640)
	if err != nil {
		return err
	}
	if _, err := io.Copy(out, in); err != nil {
		out.Close()
		return err
	}
	if err := out.Sync(); err != nil {
		out.Close()
		return err
	}
	return out.Close()
}

// OpenReadOnly opens a store that no process is using, to read from it; it
// changes nothing in the folder. After an unclean stop the last writes are
// still in the log: they are then read through a copy in a temporary folder.
// The error is [ErrInUse] while a daemon has it: ask the daemon then.
func OpenReadOnly(dir string) (*Store, error) {
	fail := func(err error) (*Store, error) { return nil, fmt.Errorf("history %s: %w", dir, err) }
	s := newStore(dir, Options{})
	if _, err := os.Stat(s.path()); err != nil {
		return fail(err)
	}
	// The lock is on the file the writer locks, or on the folder where that
	// file could not be made.
	f, err := os.Open(filepath.Join(dir, "lock"))
	if err != nil {
		if f, err = os.Open(dir); err != nil {
			return fail(err)
		}
	}
	s.lock = f
	if s.folder, err = os.Open(dir); err != nil {
		s.unlock()
		return fail(err)
	}
	for _, l := range []*os.File{s.folder, f} {
		if err := syscall.Flock(int(l.Fd()), syscall.LOCK_SH|syscall.LOCK_NB); err != nil {
			s.unlock()
			return fail(ErrInUse)
		}
	}
	ctx := context.Background()
	open := func() error {
		wal, err := os.Stat(s.path() + "-wal")
		if err == nil && wal.Size() > walHeader {
			return errRebuild
		}
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		if _, err := os.Stat(s.rebuiltPath()); err == nil {
			return errRebuild
		}
		if s.db, err = openImmutable(s.path()); err != nil {
			return err
		}
		if err := needSchema(ctx, s.db); err != nil {
			return err
		}
		return s.load(ctx)
	}
	err = open()
	if errors.Is(err, ErrNewer) {
		s.db.Close()
		s.unlock()
		return fail(err)
	}
	if err != nil {
		// Through a copy, where the log can be applied and damage mended.
		if s.db != nil {
			s.db.Close()
		}
		c, e := openCopy(dir, s)
		if e != nil {
			s.unlock()
			return fail(e)
		}
		return c, nil
	}
	s.readOnly = true
	s.stats.CleanStop = s.metaString("stop") != "open"
	return s, nil
}

// needSchema refuses files whose schema is not today's; a copy is upgraded.
func needSchema(ctx context.Context, db *sql.DB) error {
	v, err := pragma(ctx, db, "user_version")
	if err == nil && v != int64(len(migrations)) {
		err = errRebuild
	}
	return err
}

func openCopy(dir string, from *Store) (*Store, error) {
	tmp, err := os.MkdirTemp("", "curewright-")
	if err != nil {
		return nil, err
	}
	for _, name := range []string{File, File + "-wal", File + ".rebuilt", JournalFile} {
		err := copyFile(filepath.Join(dir, name), filepath.Join(tmp, name))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			os.RemoveAll(tmp)
			return nil, osError(err)
		}
	}
	c := newStore(tmp, Options{})
	if err := c.open(); err != nil {
		if c.db != nil {
			c.db.Close()
		}
		os.RemoveAll(tmp)
		return nil, err
	}
	c.readOnly, c.lock, c.folder, c.tmp = true, from.lock, from.folder, tmp
	return c, nil
}
