// SPDX-License-Identifier: Apache-2.0

package history

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"curewright/model/coat"
	"curewright/model/words"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// File is the name of the database in its folder.
const File = "history.db"

// How long readings may wait for the disk. Both stay below the promise (10 s
// and 60 s) by the time that a slow card takes to sync.
const (
	flushUrgent = 5 * time.Second
	flushCalm   = 56 * time.Second
	flushBatch  = 20_000 // readings a transaction
	// flushMany readings do not wait for either.
	flushMany = 10_000
)

// Options of a store; the zero value is good.
type Options struct {
	// Words is what troubles are said in; nil is English.
	Words *words.Catalogue
	// Now is the wall clock for packing, retention and expiry; nil means
	// time.Now. A simulated shop passes its own.
	Now func() time.Time
	// Boot names this run of the kernel and Uptime the time since it began,
	// also while asleep; they date readings that were taken before the clock
	// was trusted. Nil or "" means the kernel's own.
	Boot   string
	Uptime func() time.Duration
	// ClockUntrusted starts the store with a clock that is not trusted yet.
	ClockUntrusted bool

	// MaxBytes bounds the file: the oldest readings go first. 0 means 1 GiB.
	// Records of work are never dropped.
	MaxBytes int64
	// MaxAge bounds the readings and events that are kept, in time that holds
	// readings: so many hours of them, whatever their dates. 0 means five years.
	MaxAge time.Duration
	// Ring bounds the readings kept in memory while the disk cannot be
	// written, the oldest go first; 0 means 200 000 (about 8 MB).
	Ring int
	// WatchEvery is how often the files and the room on the card are looked
	// at; 0 means 5 s. In simulated time, where months go by in a moment, it is
	// better longer.
	WatchEvery time.Duration
	// Log gets one line per change of the store's health; nil means none.
	Log *slog.Logger

	// checkLimit is the file size up to which opening checks every page
	// before it returns; above it, the check runs beside the work. 0 means
	// 2 MB.
	checkLimit int64
	// fault, in tests, may refuse the store's own calls to the operating
	// system, as cardfault does SQLite's.
	fault func(op, path string) error
}

// Stats is the store's health and work since it was opened.
type Stats struct {
	Bytes      int64 // database and log on disk
	FreeBytes  int64 // left on its file system; -1 when not known
	Readings   int64 // in the tail and in memory; packed ones are not counted
	Pending    int   // readings not yet on disk
	OldestWait time.Duration
	LastWrite  time.Time // last successful commit; zero when none yet
	Written    uint64    // readings written
	Duplicates uint64    // readings that were there already
	Refused    uint64    // readings before 1990, too far ahead, or without any value
	Dropped    uint64    // readings pushed out of the bounded memory while the disk was away
	Packed     uint64    // readings packed
	PackedSize uint64    // bytes they were packed into
	Undated    int64     // readings in memory that still wait for a date
	Errors     uint64    // failed commits
	SetAside   uint64    // damaged rows and blobs set aside, ever
	CleanStop  bool      // the stop before this start was a proper one
	Checked    bool      // every row has been checked since opening
	DiskFull   bool
	Refuses    bool // writes fail as on a full disk, though there is room: a worn card, a quota
	ReadOnly   bool
	Displaced  bool // the files were deleted or replaced while the store runs
}

// Store is the open history. All methods are safe for concurrent use.
type Store struct {
	dir    string
	opts   Options
	log    *slog.Logger
	lock   *os.File // the lock file; under mu once the store runs
	folder *os.File // the folder, which is what is locked

	started time.Time     // with its monotonic part
	wallAt  time.Time     // what the wall clock said at started
	upAt    time.Duration // uptime at started

	// dbmu serialises all use of the one connection. It is taken before mu
	// and never while mu is held.
	dbmu    diskLock
	double  []journalRec // records that the running commit adds to the journal; under dbmu
	journal *journal     // under dbmu; nil while the disk is away
	tail    tailTable    // under dbmu
	page    sync.Mutex   // the revocations page; taken before mu
	dating  sync.Mutex   // one DateUntrusted at a time; taken before dbmu
	db      *sql.DB
	closed  bool
	reserve bool // the reserve file is in place

	mu        sync.Mutex
	urgent    bool
	trusted   bool
	ownZero   int64 // true time, ms, of this boot's uptime zero once it is known; 0 before
	probes    map[string]*probe
	byIdx     []*probe
	nextSeq   int64
	pending   []pend
	waitSince time.Time // when the oldest pending thing came; zero when none
	events    []eventRow
	kv        map[kvKey]*kvRow
	kvNext    int64
	kvRev     int64
	kvDirty   map[kvKey]bool
	work      map[workKey]*record
	workNext  int64
	workFold  *coat.Work
	workGen   uint64
	idem      map[string]idemRow
	entries   []entryRow // ascending
	newest    []Entry    // the last few of them
	recent    recentHours
	disk      diskState // as last measured
	tailCount int       // readings in all tails
	stats     Stats
	troubles  []string // reported until the next start
	failing   error    // last commit's error, nil when it went well
	retryAt   time.Time
	retryWait time.Duration

	restored journalRestored // what the last opening found

	// Of the same lock.
	lastID     map[string]int    // the highest number in the store's own ids, by kind
	spent      bool              // the reserve was given up and is not back
	files      map[string]fileID // which files are open, by name
	displaced  string            // which is not in place any more; "" for none
	replaced   bool              // by another file; else it was deleted
	rescued    string            // where a copy of a displaced database lies
	revoking   []string          // tokens taken back that the database does not have yet
	ownStamped bool              // records of work of this boot may wait for a date
	hours      map[int64]bool    // hours since 1970 that hold packed readings with a date

	wake chan struct{}
	done chan struct{}
	wg   sync.WaitGroup
	stop context.CancelFunc
	ctx  context.Context

	readOnly bool // opened by OpenReadOnly

	cursors   map[string]Cursor // under mu
	cursorsAt time.Time         // when they were last written
	stopping  bool              // under mu

	tmp     string // a copy to remove at the end; for OpenReadOnly
	lockErr error  // why the lock file could not be made
	away    bool   // db is in memory because the disk cannot be used; under dbmu
	aside   int    // rows that a rebuild left behind
	rebuilt time.Time
}

// Open opens or makes the store in the folder and takes its lock. It fails
// only when the folder cannot be made, when another process holds the store
// ([ErrInUse]), or when a newer version wrote it ([ErrNewer]). Damage does
// not stop it: see [Store.Trouble].
func Open(dir string, opts Options) (*Store, error) {
	s := newStore(dir, opts)
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("history %s: %w", dir, err)
	}
	if err := s.takeLock(); err != nil {
		return nil, err
	}
	removeLeftovers(dir)
	if err := s.open(); err != nil {
		s.unlock()
		return nil, fmt.Errorf("history %s: %w", dir, err)
	}
	s.measure()
	s.wg.Go(s.run)
	s.wg.Go(s.checkPacks)
	s.wg.Go(s.watchDisk)
	return s, nil
}

// removeLeftovers removes files that a power cut left of an unfinished backup or
// restore; the lock is held, so that no other process works on them.
func removeLeftovers(dir string) {
	for _, pattern := range []string{".backup-*", ".restore-*", File + ".restoring", JournalFile + ".new"} {
		names, err := filepath.Glob(filepath.Join(dir, pattern))
		if err != nil {
			continue
		}
		for _, n := range names {
			os.RemoveAll(n)
		}
	}
}

func newStore(dir string, opts Options) *Store {
	if opts.Now == nil {
		opts.Now = time.Now
	}
	if opts.Boot == "" {
		opts.Boot = bootID()
	}
	if opts.Uptime == nil {
		opts.Uptime = uptime
	}
	opts.MaxBytes = cmp.Or(opts.MaxBytes, 1<<30)
	opts.MaxAge = cmp.Or(opts.MaxAge, 5*365*24*time.Hour)
	opts.Ring = cmp.Or(opts.Ring, 200_000)
	opts.checkLimit = cmp.Or(opts.checkLimit, 2<<20)
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	s := &Store{
		dir: dir, opts: opts, log: opts.Log,
		started: time.Now(), upAt: opts.Uptime(),
		trusted: !opts.ClockUntrusted,
		probes:  map[string]*probe{},
		kv:      map[kvKey]*kvRow{},
		kvDirty: map[kvKey]bool{},
		work:    map[workKey]*record{},
		idem:    map[string]idemRow{},
		tail:    tailTable{rows: map[int64]int64{}},
		cursors: map[string]Cursor{},
		hours:   map[int64]bool{},
		lastID:  map[string]int{},
		wake:    make(chan struct{}, 1),
		done:    make(chan struct{}),
	}
	s.wallAt = opts.Now().Round(0)
	s.ctx, s.stop = context.WithCancel(context.Background())
	return s
}

func openLock(dir string) (*os.File, error) {
	return os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR|os.O_CREATE, 0o640)
}

func (s *Store) takeLock() error {
	f, err := openLock(s.dir)
	if err != nil {
		// A read-only or full card: the folder itself can still be locked.
		s.lockErr = err
		if f, err = os.Open(s.dir); err != nil {
			return fmt.Errorf("history %s: %w", s.dir, err)
		}
	}
	// The lock is on the folder: a lock file can be deleted or replaced while it is
	// locked, and a second daemon would then lock another file.
	d, err := os.Open(s.dir)
	if err != nil {
		f.Close()
		return fmt.Errorf("history %s: %w", s.dir, err)
	}
	for _, l := range []*os.File{d, f} {
		if l == f && s.lockErr != nil {
			continue // f is the folder too
		}
		if err := syscall.Flock(int(l.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
			d.Close()
			f.Close()
			return fmt.Errorf("history %s: %w", s.dir, ErrInUse)
		}
	}
	s.lock, s.folder = f, d
	return nil
}

// unlock lets the folder go.
func (s *Store) unlock() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, f := range []*os.File{s.lock, s.folder} {
		if f != nil {
			f.Close()
		}
	}
}

func (s *Store) path() string { return filepath.Join(s.dir, File) }

// dsn names a database file with the settings that every connection needs.
// They go as one value: the driver would sort several by name, and the page
// size must be set before the first write and the lock mode before the log is
// opened.
func dsn(path string, more string) string {
	q := url.Values{}
	q.Set("_pragma", fmt.Sprintf("page_size = %d; PRAGMA locking_mode = EXCLUSIVE; PRAGMA cache_size = -1024; PRAGMA temp_store = MEMORY%s", pageSize, more))
	q.Set("_txlock", "immediate")
	if path == ":memory:" {
		return "file::memory:?" + q.Encode()
	}
	return "file:" + (&url.URL{Path: path}).EscapedPath() + "?" + q.Encode()
}

// pageSize is small because a flush writes whole pages: 1 kB instead of 4 kB
// cuts what a day of flushes costs the card.
const pageSize = 1024

func openDB(path string) (*sql.DB, error) {
	if path != ":memory:" {
		// Made here so that others cannot read it: it holds hashes of tokens.
		// SQLite gives its log the same mode.
		f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o640)
		if err != nil {
			return nil, osError(err)
		}
		f.Close()
	}
	db, err := sql.Open("sqlite", dsn(path, "; PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL"))
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	return db, nil
}

// Close flushes, marks the stop as clean and lets the store go.
func (s *Store) Close() error {
	s.dbmu.Lock()
	if s.closed {
		s.dbmu.Unlock()
		return nil
	}
	s.dbmu.Unlock()
	close(s.done)
	s.stop()
	s.wg.Wait()
	var errs []error
	if !s.readOnly {
		ctx, cancel := context.WithTimeout(context.Background(), 4*time.Second)
		defer cancel()
		s.mu.Lock()
		s.stopping = true
		s.mu.Unlock()
		if err := s.flush(ctx); err != nil {
			errs = append(errs, err)
		} else if err := s.kvPut(ctx, "meta", "stop", []byte(`"clean"`)); err != nil {
			errs = append(errs, err)
		}
	}
	s.dbmu.Lock()
	defer s.dbmu.Unlock()
	s.closed = true
	s.closeJournal()
	if err := s.db.Close(); err != nil {
		errs = append(errs, err)
	}
	s.unlock()
	if s.tmp != "" {
		os.RemoveAll(s.tmp)
	}
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("history: close: %w", err)
	}
	return nil
}

// run flushes, packs and enforces the bounds until Close.
func (s *Store) run() {
	t := time.NewTimer(time.Hour)
	defer t.Stop()
	for {
		t.Reset(s.nextDue())
		select {
		case <-s.done:
			return
		case <-s.wake:
			// The due time may have moved. It is checked here, since with frequent
			// wakes the timer is always reset before it fires.
			if !s.due() {
				continue
			}
		case <-t.C:
		}
		if s.due() {
			s.flush(s.ctx) // its error is kept, counted and logged
		}
		if s.packDue() {
			if err := s.Compact(s.ctx); err != nil && s.ctx.Err() == nil {
				s.log.Warn("history: packing put off", "err", err)
			}
		}
	}
}

// watchDisk looks at the files until Close. It has a goroutine of its own: the
// card may not answer.
func (s *Store) watchDisk() {
	t := time.NewTicker(cmp.Or(s.opts.WatchEvery, 5*time.Second))
	defer t.Stop()
	for {
		select {
		case <-s.done:
			return
		case <-t.C:
			s.measure()
			s.checkFiles()
		}
	}
}

func (s *Store) interval() time.Duration {
	if s.urgent {
		return flushUrgent
	}
	return flushCalm
}

// nextDue is how long the flusher may sleep.
func (s *Store) nextDue() time.Duration {
	s.mu.Lock()
	defer s.mu.Unlock()
	d := time.Minute
	if !s.waitSince.IsZero() {
		d = s.interval() - time.Since(s.waitSince)
	}
	if len(s.pending) >= flushMany {
		d = 0
	}
	if s.failing != nil {
		d = max(d, time.Until(s.retryAt))
	}
	return max(d, 20*time.Millisecond)
}

func (s *Store) due() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.waitSince.IsZero() {
		return false
	}
	if s.failing != nil && time.Now().Before(s.retryAt) {
		return false
	}
	return time.Since(s.waitSince) >= s.interval() || len(s.pending) >= flushMany
}

func (s *Store) kick() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// SetUrgent says whether a coat is open: readings then reach the disk within ten
// seconds instead of sixty. Once a coat was written or read, the store assumes
// that one is open until SetUrgent(false).
func (s *Store) SetUrgent(on bool) {
	s.mu.Lock()
	s.urgent = on
	s.mu.Unlock()
	s.kick()
}

// Flush writes everything that waits. It returns nil only when all of it is
// on disk.
func (s *Store) Flush(ctx context.Context) error { return s.flush(ctx) }

func (s *Store) flush(ctx context.Context) error {
	if err := s.dbmu.LockFirst(ctx); err != nil {
		return err
	}
	defer s.dbmu.Unlock()
	defer s.revokedKept()
	// Only what waits now: a shop's probes are read in one burst, and writing also
	// what comes in meanwhile would cost one commit a reading.
	last := int64(-1)
	s.mu.Lock()
	if n := len(s.pending); n > 0 {
		last = s.pending[n-1].seq
	}
	s.mu.Unlock()
	for {
		more, err := s.flushSome(ctx)
		if err != nil || !more {
			return err
		}
		s.mu.Lock()
		done := len(s.pending) == 0 || s.pending[0].seq > last
		s.mu.Unlock()
		if done {
			return nil
		}
	}
}

// flushSome writes one transaction of what waits; dbmu is held.
func (s *Store) flushSome(ctx context.Context) (more bool, err error) {
	if s.closed {
		return false, ErrClosed
	}
	s.mu.Lock()
	s.cursorsDue(s.stopping)
	batch := s.pending[:min(len(s.pending), flushBatch)]
	taken, rest := time.Now(), len(batch) < len(s.pending)
	events := s.events
	rows := s.dirtyRows()
	s.mu.Unlock()
	if len(batch) == 0 && len(events) == 0 && len(rows) == 0 {
		return false, nil
	}
	tail := s.tail.place(batch)
	err = s.write(ctx, func(tx *sql.Tx) error {
		if err := putKVs(ctx, tx, rows); err != nil {
			return err
		}
		if err := putTail(ctx, tx, tail); err != nil {
			return err
		}
		for _, e := range events {
			if err := putEvent(ctx, tx, e); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return false, err
	}
	s.tail.wrote(tail)
	s.mu.Lock()
	defer s.mu.Unlock()
	// The ring may have dropped from the front meanwhile: match by number.
	last := int64(-1)
	if len(batch) > 0 {
		last = batch[len(batch)-1].seq
	}
	n := 0
	for n < len(s.pending) && s.pending[n].seq <= last {
		n++
	}
	s.pending = s.pending[n:]
	if len(s.pending) == 0 {
		s.pending = nil // let the grown array go
	}
	s.events = s.events[len(events):]
	s.wroteRows(rows)
	s.stats.Written += uint64(len(batch))
	if len(s.pending) == 0 && len(s.events) == 0 && len(s.kvDirty) == 0 {
		s.waitSince = time.Time{}
	} else if !rest {
		// The readings that came in while this wrote have waited since it began.
		s.waitSince = taken
	}
	return len(s.pending) > 0, nil
}

// waiting marks that something waits for the disk; mu is held.
func (s *Store) waiting() {
	if s.waitSince.IsZero() {
		s.waitSince = time.Now()
		s.kick()
	}
}

// write runs one durable transaction; dbmu is held. Errors come back as
// [ErrDiskFull] or [ErrReadOnly] where that is what they are.
func (s *Store) write(ctx context.Context, f func(*sql.Tx) error) error {
	if s.closed {
		return ErrClosed
	}
	if s.readOnly {
		return ErrReadOnly
	}
	if err := s.displacedError(); err != nil {
		return err
	}
	if s.away {
		if err := s.goHome(ctx); err != nil {
			s.wrote(err)
			return err
		}
	}
	err := s.tryWrite(ctx, f)
	if errors.Is(err, ErrDiskFull) && s.giveReserve() {
		err = s.tryWrite(ctx, f)
	}
	if isCorrupt(err) && s.mend(ctx, err) == nil {
		err = s.tryWrite(ctx, f)
	}
	s.wrote(err)
	if err == nil {
		s.journalNews(context.WithoutCancel(ctx))
	}
	s.measure()
	return err
}

func (s *Store) tryWrite(ctx context.Context, f func(*sql.Tx) error) error {
	// A commit is not cut short half way: whether it happened would be
	// unknown. The context is honoured before.
	if err := ctx.Err(); err != nil {
		return err
	}
	return diskError(inTx(context.WithoutCancel(ctx), s.db, f))
}

// wrote keeps the health after a commit.
func (s *Store) wrote(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err == nil {
		s.stats.LastWrite = s.opts.Now()
		if s.failing != nil {
			s.log.Info("history: writing again")
		}
		s.failing, s.retryWait = nil, 0
		return
	}
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) || errors.Is(err, errRefused) {
		return
	}
	s.stats.Errors++
	if s.failing == nil || s.failing.Error() != err.Error() {
		s.log.Error("history: not written, kept in memory", "err", err, "pending", len(s.pending))
	}
	s.failing = err
	s.retryWait = min(max(5*time.Second, 2*s.retryWait), 5*time.Minute)
	s.retryAt = time.Now().Add(s.retryWait)
}

// errRefused marks errors that are the caller's, not the disk's.
var errRefused = errors.New("refused")

func diskError(err error) error {
	if err == nil {
		return nil
	}
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return err
	}
	switch e.Code() & 0xff {
	case sqlite3.SQLITE_FULL:
		return fmt.Errorf("%w (%w)", ErrDiskFull, err)
	case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN:
		return fmt.Errorf("%w (%w)", ErrReadOnly, err)
	case sqlite3.SQLITE_IOERR:
		switch e.Code() {
		case sqlite3.SQLITE_IOERR_WRITE, sqlite3.SQLITE_IOERR_FSYNC, sqlite3.SQLITE_IOERR_TRUNCATE:
			// A limit on file size, a quota, or a card gone read-only: SQLite does
			// not pass on the kernel's error, and the remedy is the same.
			return fmt.Errorf("%w (%w)", ErrDiskFull, err)
		}
	}
	return err
}

// osError is diskError for errors of the os package.
func osError(err error) error {
	switch {
	case errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) || errors.Is(err, syscall.EFBIG):
		return fmt.Errorf("%w (%w)", ErrDiskFull, err)
	case errors.Is(err, syscall.EROFS) || errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("%w (%w)", ErrReadOnly, err)
	}
	return err
}

func isCorrupt(err error) bool {
	var e *sqlite.Error
	if errors.As(err, &e) {
		c := e.Code() & 0xff
		return c == sqlite3.SQLITE_CORRUPT || c == sqlite3.SQLITE_NOTADB
	}
	return errors.Is(err, ErrDamaged)
}

// The reserve is a file that is deleted when the disk is full, so that the most
// important writes, a coat or an alert, still find room.
const reserveSize = 1 << 20

func (s *Store) reservePath() string { return filepath.Join(s.dir, "reserve") }

func (s *Store) giveReserve() bool {
	if !s.reserve {
		return false
	}
	s.reserve = false
	s.setSpent(true)
	return os.Remove(s.reservePath()) == nil
}

// setSpent notes whether the reserve was given up. Until it is back the card counts
// as full, even if writes succeed.
func (s *Store) setSpent(spent bool) {
	s.mu.Lock()
	s.spent = spent
	s.mu.Unlock()
}

// fullBelow is the free space, in bytes, below which a card counts as full before
// any write has failed: less than one flush and its log need.
const fullBelow = 128 << 10

// roomy is the free space, in bytes, above which a card that refuses writes is not
// called full: SQLite does not pass on the kernel's error, and making room would
// not help.
const roomy = 64 << 20

// makeReserve puts the reserve in place if there is plenty of room; dbmu is
// held.
func (s *Store) makeReserve() {
	if s.reserve || s.readOnly {
		return
	}
	if st, err := os.Stat(s.reservePath()); err == nil && st.Size() == reserveSize {
		s.reserve = true
		s.setSpent(false)
		return
	}
	if free := freeBytes(s.dir); free < 16*reserveSize {
		return
	}
	// Random-looking content is not needed: the file systems of cards do not
	// compress; it must be written, not only sized, to hold its blocks.
	if err := os.WriteFile(s.reservePath(), make([]byte, reserveSize), 0o640); err == nil {
		s.reserve = true
		s.setSpent(false)
	} else {
		os.Remove(s.reservePath())
	}
}

func freeBytes(dir string) int64 {
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil {
		return -1
	}
	return int64(st.Bavail) * int64(st.Bsize)
}

// Stats returns the store's health.
func (s *Store) Stats() Stats {
	s.mu.Lock()
	st := s.stats
	st.Pending = len(s.pending)
	st.Readings = int64(s.tailCount)
	for _, p := range s.probes {
		if p.boot != "" {
			st.Undated += int64(len(p.tail))
		}
	}
	if !s.waitSince.IsZero() {
		st.OldestWait = time.Since(s.waitSince)
	}
	st.DiskFull = errors.Is(s.failing, ErrDiskFull) || s.spent || s.disk.free >= 0 && s.disk.free < fullBelow
	st.Refuses = st.DiskFull && s.disk.free > roomy
	st.ReadOnly = errors.Is(s.failing, ErrReadOnly) || s.readOnly
	st.Displaced = s.displaced != ""
	st.FreeBytes, st.Bytes = s.disk.free, s.disk.bytes
	s.mu.Unlock()
	return st
}

// diskState is what the operating system says of the files.
type diskState struct {
	free  int64 // bytes left on the file system, -1 when not known
	bytes int64 // database and log
}

// measure asks the operating system for the file sizes and the free space. With a
// card that hangs it does not return: it is never called with mu held, nor by the
// callers of Stats.
func (s *Store) measure() {
	d := diskState{free: freeBytes(s.dir)}
	for _, suffix := range []string{"", "-wal"} {
		if fi, err := os.Stat(s.path() + suffix); err == nil {
			d.bytes += fi.Size()
		}
	}
	s.mu.Lock()
	s.disk = d
	s.mu.Unlock()
}

// Trouble says in plain words what is wrong with the store, or was found
// wrong when it opened; "" when all is well.
func (s *Store) Trouble() string {
	now, found := s.Troubles()
	return strings.TrimSpace(now + " " + found)
}

// Troubles is [Store.Trouble] in two: why nothing can be written now, and what
// was lost or found damaged; "" each where there is none.
func (s *Store) Troubles() (now, found string) {
	say := func(code string, facts words.Facts) string {
		return words.View{Words: s.opts.Words}.Say("store."+code, facts)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.displaced != "":
		code := "deleted"
		if s.replaced {
			code = "replaced"
		}
		now = say(code, words.Facts{"file": s.displaced})
		if s.rescued != "" {
			now += " " + say("rescued", words.Facts{"file": s.rescued})
		}
	case errors.Is(s.failing, ErrDiskFull) && s.disk.free > roomy:
		now = say("refuses", nil)
	case errors.Is(s.failing, ErrDiskFull):
		now = say("full", nil)
	case errors.Is(s.failing, ErrReadOnly):
		now = say("read_only", nil)
	case s.failing != nil:
		now = say("failing", words.Facts{"why": s.failing.Error()})
	}
	var lost []string
	if s.stats.Dropped > 0 {
		lost = append(lost, say("dropped", words.Facts{"n": s.stats.Dropped}))
	}
	return now, strings.Join(append(lost, s.troubles...), " ")
}

// addTrouble keeps a sentence of the catalogue, of a code below "store".
func (s *Store) addTrouble(code string, facts words.Facts) {
	text := words.View{Words: s.opts.Words}.Say("store."+code, facts)
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, t := range s.troubles {
		if t == text {
			return
		}
	}
	if len(s.troubles) < 20 {
		s.troubles = append(s.troubles, text)
	}
	s.log.Error("history: " + text)
}

func bootID() string {
	b, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return "unknown"
	}
	return strings.TrimSpace(string(b))
}

// uptime reads the time since boot, suspended time included.
func uptime() time.Duration {
	b, err := os.ReadFile("/proc/uptime")
	if err != nil {
		return 0
	}
	f, _, _ := strings.Cut(string(b), " ")
	x, err := strconv.ParseFloat(f, 64)
	if err != nil {
		return 0
	}
	return time.Duration(x * float64(time.Second))
}
