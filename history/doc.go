// SPDX-License-Identifier: Apache-2.0

// Package history is the embedded store: readings, the record of work,
// alerts, the log of events, settings, probes and tokens, in one SQLite file
// in write-ahead mode, on a card that may be pulled and a board whose power
// may blink.
//
// # Promises
//
// Records of work, alerts, messages to send, settings and tokens are on disk
// before the call returns. They are also kept in a journal beside the database
// (journal.go); at the next start, what the database lost is put back from it.
// Readings are buffered: at most ten seconds of them are at risk while
// [Store.SetUrgent] is on, sixty otherwise. A store opens whatever it finds:
// damaged rows are moved to the folder "quarantine", counted ([Store.Stats]) and
// reported ([Store.Trouble]); the rest is kept. While the disk is full or
// read-only, readings wait in memory, up to a bound, and are written when there
// is room again; durable calls fail with [ErrDiskFull] or [ErrReadOnly].
//
// # Numbers
//
// Readings are rounded on intake ([Quantise]): time to 1 ms, temperature to
// 1/400 °C, humidity to 1/100 %, carbon dioxide to 1 ppm. The steps contain
// those of the chips exactly (1/16 °C and 1/100 °C are whole multiples of
// 1/400 °C), so what the estimator saw before a restart is what it sees after
// it, bit for bit.
//
// # Format
//
// Every table has the same three columns: a number, a body and the CRC-32C
// (Castagnoli) of table, number and body. There are no indexes that a flipped
// bit could make lie. Work, settings and events are JSON, to be read with any
// SQLite shell; recent readings wait in the rows of "tail" and are packed
// hourly into one blob a probe ("packs"); see tail.go and pack.go.
package history

import "errors"

// Errors of the store. Test for them with [errors.Is].
var (
	// ErrDiskFull: no room; nothing was stored by this call.
	ErrDiskFull = errors.New("disk full")
	// ErrReadOnly: the card or folder cannot be written.
	ErrReadOnly = errors.New("disk is read-only")
	// ErrNotFound: no such record.
	ErrNotFound = errors.New("not found")
	// ErrKeyUsed: an idempotency key that was used for something else.
	ErrKeyUsed = errors.New("this idempotency key was used for another request")
	// ErrVoid: what an idempotency key made is not there any more.
	ErrVoid = errors.New("no longer there")
	// ErrExists: a record of that id was made before.
	ErrExists = errors.New("exists already")
	// ErrInUse: another process has the store open.
	ErrInUse = errors.New("store is in use by another process")
	// ErrNewer: the file was written by a newer version of the program.
	ErrNewer = errors.New("store is from a newer version")
	// ErrDamaged: a backup or blob that does not check.
	ErrDamaged = errors.New("damaged")
	// ErrClosed: the store was closed.
	ErrClosed = errors.New("store is closed")
)
