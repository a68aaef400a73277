// SPDX-License-Identifier: Apache-2.0

// Package cardfault makes the card under SQLite misbehave, for tests: a layer
// between SQLite and the operating system that asks a function before every
// open for writing, write, truncation, sync and removal. The function may let
// it pass, refuse it, or hang. It is process wide, needs no root, no FUSE and
// no preloaded library, and nothing of the program may import it.
//
// The layer copies SQLite's own unix VFS (sqlite.org/vfs.html) and the method
// tables of the files that it opens, and replaces the writing methods.
package cardfault

import (
	"errors"
	"slices"
	"sync"
	"sync/atomic"
	"unsafe"

	"modernc.org/libc"
	sqlite3 "modernc.org/sqlite/lib"
)

// Op is one kind of call.
type Op string

// The calls that are asked about.
const (
	Open     Op = "open"
	Write    Op = "write"
	Truncate Op = "truncate"
	Sync     Op = "sync"
	Delete   Op = "delete"
)

// Errors a function may return; any other error counts as [ErrIO].
var (
	ErrFull = errors.New("no space left on device")
	ErrIO   = errors.New("input/output error")
)

var (
	once  sync.Once
	ask   atomic.Pointer[func(Op, string) error]
	orig  uintptr // SQLite's own VFS
	mu    sync.Mutex
	names = map[uintptr]string{}                       // path by file object
	ours  = map[uintptr]*sqlite3.Tsqlite3_io_methods{} // our table by SQLite's
	back  = map[uintptr]*sqlite3.Tsqlite3_io_methods{} // SQLite's table by ours
)

// Set has f asked before every call from now on, in all databases of the
// process; nil lets everything pass. Databases that were opened before the
// first Set are not seen: call Set(nil) before opening one.
func Set(f func(op Op, path string) error) {
	once.Do(install)
	if f == nil {
		ask.Store(nil)
		return
	}
	ask.Store(&f)
}

// Refuse has every one of these calls fail from now on.
func Refuse(why error, ops ...Op) {
	Set(func(op Op, _ string) error {
		if slices.Contains(ops, op) {
			return why
		}
		return nil
	})
}

// call asks and returns SQLite's code, 0 for going on.
func call(op Op, path string) int32 {
	f := ask.Load()
	if f == nil {
		return sqlite3.SQLITE_OK
	}
	err := (*f)(op, path)
	switch {
	case err == nil:
		return sqlite3.SQLITE_OK
	case errors.Is(err, ErrFull):
		return sqlite3.SQLITE_FULL
	}
	switch op {
	case Open:
		return sqlite3.SQLITE_CANTOPEN
	case Write:
		return sqlite3.SQLITE_IOERR_WRITE
	case Truncate:
		return sqlite3.SQLITE_IOERR_TRUNCATE
	case Sync:
		return sqlite3.SQLITE_IOERR_FSYNC
	}
	return sqlite3.SQLITE_IOERR_DELETE
}

// fp is a C function pointer to a Go function, as the translated SQLite calls
// them.
func fp[F any](f F) uintptr { return *(*uintptr)(unsafe.Pointer(&f)) }

// fn is the Go function behind a C function pointer.
func fn[F any](p uintptr) F { return *(*F)(unsafe.Pointer(&struct{ uintptr }{p})) }

type (
	openFn   = func(tls *libc.TLS, vfs, name, file uintptr, flags int32, out uintptr) int32
	deleteFn = func(tls *libc.TLS, vfs, name uintptr, dirSync int32) int32
	writeFn  = func(tls *libc.TLS, file, buf uintptr, n int32, off int64) int32
	truncFn  = func(tls *libc.TLS, file uintptr, size int64) int32
	syncFn   = func(tls *libc.TLS, file uintptr, flags int32) int32
	closeFn  = func(tls *libc.TLS, file uintptr) int32
)

func install() {
	tls := libc.NewTLS()
	orig = sqlite3.Xsqlite3_vfs_find(tls, 0)
	v := inC[sqlite3.Tsqlite3_vfs](tls)
	*v = *at[sqlite3.Tsqlite3_vfs](orig)
	name, err := libc.CString("cardfault")
	if err != nil {
		panic(err)
	}
	v.FzName, v.FpNext = name, 0
	v.FxOpen = fp[openFn](open)
	v.FxDelete = fp[deleteFn](remove)
	if rc := sqlite3.Xsqlite3_vfs_register(tls, uintptr(unsafe.Pointer(v)), 1); rc != sqlite3.SQLITE_OK {
		panic("cardfault: the layer cannot be registered")
	}
}

// inC is room for a structure in the library's own memory, for good: what the
// library keeps a pointer to must not lie in Go's.
func inC[T any](tls *libc.TLS) *T {
	p := libc.Xmalloc(tls, libc.Tsize_t(unsafe.Sizeof(*new(T))))
	if p == 0 {
		panic("cardfault: no memory")
	}
	return at[T](p)
}

// at is the C structure at an address.
func at[T any](p uintptr) *T { return *(**T)(unsafe.Pointer(&p)) }

func sys() *sqlite3.Tsqlite3_vfs { return at[sqlite3.Tsqlite3_vfs](orig) }

func open(tls *libc.TLS, vfs, name, file uintptr, flags int32, out uintptr) int32 {
	path := ""
	if name != 0 {
		path = libc.GoString(name)
	}
	if flags&sqlite3.SQLITE_OPEN_CREATE != 0 {
		if rc := call(Open, path); rc != 0 {
			at[sqlite3.Tsqlite3_file](file).FpMethods = 0
			return rc
		}
	}
	rc := fn[openFn](sys().FxOpen)(tls, orig, name, file, flags, out)
	f := at[sqlite3.Tsqlite3_file](file)
	if rc != sqlite3.SQLITE_OK || f.FpMethods == 0 {
		return rc
	}
	mu.Lock()
	defer mu.Unlock()
	names[file] = path
	m := ours[f.FpMethods]
	if m == nil {
		theirs := at[sqlite3.Tsqlite3_io_methods](f.FpMethods)
		m = inC[sqlite3.Tsqlite3_io_methods](tls)
		*m = *theirs
		m.FxWrite, m.FxTruncate, m.FxSync, m.FxClose = fp[writeFn](write), fp[truncFn](truncate), fp[syncFn](syncTo), fp[closeFn](closing)
		ours[f.FpMethods] = m
		back[uintptr(unsafe.Pointer(m))] = theirs
	}
	f.FpMethods = uintptr(unsafe.Pointer(m))
	return rc
}

// of is SQLite's own method table of a file, and the file's path.
func of(file uintptr) (*sqlite3.Tsqlite3_io_methods, string) {
	mu.Lock()
	defer mu.Unlock()
	return back[at[sqlite3.Tsqlite3_file](file).FpMethods], names[file]
}

func write(tls *libc.TLS, file, buf uintptr, n int32, off int64) int32 {
	m, path := of(file)
	if rc := call(Write, path); rc != 0 {
		return rc
	}
	return fn[writeFn](m.FxWrite)(tls, file, buf, n, off)
}

func truncate(tls *libc.TLS, file uintptr, size int64) int32 {
	m, path := of(file)
	if rc := call(Truncate, path); rc != 0 {
		return rc
	}
	return fn[truncFn](m.FxTruncate)(tls, file, size)
}

func syncTo(tls *libc.TLS, file uintptr, flags int32) int32 {
	m, path := of(file)
	if rc := call(Sync, path); rc != 0 {
		return rc
	}
	return fn[syncFn](m.FxSync)(tls, file, flags)
}

func closing(tls *libc.TLS, file uintptr) int32 {
	m, _ := of(file)
	mu.Lock()
	delete(names, file)
	mu.Unlock()
	return fn[closeFn](m.FxClose)(tls, file)
}

func remove(tls *libc.TLS, vfs, name uintptr, dirSync int32) int32 {
	if rc := call(Delete, libc.GoString(name)); rc != 0 {
		return rc
	}
	return fn[deleteFn](sys().FxDelete)(tls, orig, name, dirSync)
}
