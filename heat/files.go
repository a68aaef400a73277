// SPDX-License-Identifier: Apache-2.0

package heat

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"curewright/internal/file"
	"curewright/model/words"
)

// Names of the two files, in the folder of the store.
const (
	LatchFile  = "heat-latch"
	OnTimeFile = "heat-on-time"
)

// ErrDamaged is the error for a file whose checksum does not match.
var ErrDamaged = errors.New("damaged")

// latchRecord is the content of the latch file.
type latchRecord struct {
	Latched bool           `json:"latched"`
	Why     Reason         `json:"why,omitempty"`
	Say     string         `json:"say,omitempty"`
	Parts   words.Sentence `json:"parts,omitempty"` // of Say; a file of before has none
	At      time.Time      `json:"at"`
	// Accepted are the limits that somebody accepted at the board, nil for
	// none ever; see [ConfigSection.Limits].
	Accepted []string `json:"accepted,omitempty"`
}

// onRecord is the content of the on-time file: the on-time and what a restart needs.
type onRecord struct {
	HoursS  [onHours]float64 `json:"hours_s"`
	IntoS   float64          `json:"into_s"`
	SavedAt time.Time        `json:"saved_at"`
	Trusted bool             `json:"clock_trusted"`
	On      bool             `json:"on"`    // at that moment
	OnAt    *time.Time       `json:"on_at"` // last time at which the heater is known to have been on
	WishC   *float64         `json:"wish_c"`
	Resume  bool             `json:"resume"` // "resume after power cut" is ticked
	Solvent bool             `json:"solvent"`
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

func seal(v any) ([]byte, error) {
	b, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	return fmt.Appendf(nil, "%08x %s\n", crc32.Checksum(b, castagnoli), b), nil
}

func unseal(b []byte, v any) error {
	var sum uint32
	head, body, ok := bytes.Cut(bytes.TrimSuffix(b, []byte("\n")), []byte(" "))
	if _, err := fmt.Sscanf(string(head), "%08x", &sum); !ok || err != nil || len(head) != 8 {
		return ErrDamaged
	}
	if crc32.Checksum(body, castagnoli) != sum {
		return ErrDamaged
	}
	if err := json.Unmarshal(body, v); err != nil {
		return ErrDamaged
	}
	return nil
}

func readFile(dir, name string, v any) error {
	b, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		return err
	}
	return unseal(b, v)
}

// writeFile replaces a file in one step: after a power cut it is wholly old or
// wholly new. On a full card it overwrites the old file in place: if that is
// interrupted, the file reads as damaged and heat stays off.
func writeFile(name string, b []byte) error {
	err := file.Replace(name, b)
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) {
		if overwriteFile(name, b) == nil {
			return nil
		}
	}
	return err
}

func overwriteFile(name string, b []byte) error {
	f, err := os.OpenFile(name, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err == nil {
		err = f.Truncate(int64(len(b)))
	}
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	return err
}

// Prepare writes both files anew: nothing latched, no on-time, these limits
// accepted. It is for a person at the board who has looked at the heater, its
// cut-out and the limits; no network request calls it.
func Prepare(dir string, limits []string, now time.Time) error {
	for name, v := range map[string]any{
		LatchFile:  latchRecord{At: now, Accepted: limits},
		OnTimeFile: onRecord{SavedAt: now},
	} {
		b, err := seal(v)
		if err != nil {
			return err
		}
		if err := writeFile(filepath.Join(dir, name), b); err != nil {
			return fmt.Errorf("heat: %w", err)
		}
	}
	return nil
}

// onSave is the interval at which on-time is saved while the heater is on. After a
// crash this much is added to the saved on-time.
const onSave = 5 * time.Minute

// kept is the content of both files at start.
type kept struct {
	latch *Latch
	limit []string // accepted limits
	on    OnTime
	rec   onRecord // zero where it could not be read
	notes []string // what could not be read
}

// readKept reads both files. A missing or damaged latch file means latched; a missing
// or damaged on-time file means that the on-time limit is reached.
func readKept(c *words.Catalogue, dir string, now time.Time, trusted bool) kept {
	var k kept
	var l latchRecord
	if err := readFile(dir, LatchFile, &l); err != nil {
		say := c.Text("heat.latch_damaged")
		if errors.Is(err, fs.ErrNotExist) {
			say = c.Text("heat.latch_none")
		} else if !errors.Is(err, ErrDamaged) {
			say = words.View{Words: c}.Say("heat.latch_unread", words.Facts{"why": err.Error()})
		}
		k.latch = &Latch{Why: LatchUnknown, Say: words.Plain(say)}
		k.notes = append(k.notes, say)
	} else {
		k.limit = l.Accepted
		if l.Latched {
			k.latch = &Latch{Why: l.Why, Say: l.Parts}
			if l.Parts == nil {
				k.latch.Say = words.Plain(l.Say)
			}
		}
	}
	if err := readFile(dir, OnTimeFile, &k.rec); err != nil {
		k.rec = onRecord{}
		k.on = OnTime{Unknown: true}
		k.notes = append(k.notes, fmt.Sprintf("the on-time file can't be read (%v), which counts as the limit of 24 h", err))
		return k
	}
	for i, s := range k.rec.HoursS {
		k.on.Hours[i] = time.Duration(s * float64(time.Second))
	}
	k.on.Into = time.Duration(k.rec.IntoS * float64(time.Second))
	if k.rec.On {
		k.on.Hours[0] += onSave
	}
	// Without a trusted clock the time that the board was off is unknown and counts
	// as zero.
	if trusted && k.rec.Trusted && now.After(k.rec.SavedAt) {
		k.on = k.on.Aged(now.Sub(k.rec.SavedAt))
	}
	return k
}

// keeper writes the latest content of each file in a goroutine of its own.
type keeper struct {
	dir  string
	lang *words.Catalogue
	want chan struct{}
	did  *sync.Cond // on mu: something was written

	write func(name string, b []byte) error // writeFile but in tests

	mu      sync.Mutex
	pending map[string][]byte
	dirtyAt time.Time // when the oldest unwritten change was handed over
	err     error
}

func newKeeper(lang *words.Catalogue, dir string) *keeper {
	k := &keeper{lang: lang, dir: dir, want: make(chan struct{}, 1), pending: map[string][]byte{}, write: writeFile}
	k.did = sync.NewCond(&k.mu)
	return k
}

// waits reports whether a file's latest content is not on disk yet.
func (k *keeper) waits(name string) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.pending[name] != nil
}

// written waits, for a limited time, until a file's latest content is on disk, and
// reports whether it is.
func (k *keeper) written(name string, most time.Duration) bool {
	late := false
	timer := time.AfterFunc(most, func() {
		k.mu.Lock()
		late = true
		k.mu.Unlock()
		k.did.Broadcast()
	})
	defer timer.Stop()
	k.mu.Lock()
	defer k.mu.Unlock()
	for k.pending[name] != nil && !late {
		k.did.Wait()
	}
	return k.pending[name] == nil
}

func (k *keeper) put(name string, v any) {
	b, err := seal(v)
	k.mu.Lock()
	defer k.mu.Unlock()
	if err != nil {
		k.err = err
		return
	}
	if len(k.pending) == 0 {
		k.dirtyAt = time.Now()
	}
	k.pending[name] = b
	select {
	case k.want <- struct{}{}:
	default:
	}
}

// keepWithin is how long a change may wait for the disk before the heater goes
// off: on-time and latches that are not saved can't limit the next run.
const keepWithin = 30 * time.Second

func (k *keeper) trouble() string {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.err != nil {
		return k.err.Error()
	}
	if len(k.pending) > 0 && time.Since(k.dirtyAt) > keepWithin {
		return k.lang.Text("heat.disk_silent")
	}
	return ""
}

// flush writes what is pending.
func (k *keeper) flush() {
	for _, name := range []string{LatchFile, OnTimeFile} {
		k.mu.Lock()
		b := k.pending[name]
		k.mu.Unlock()
		if b == nil {
			continue
		}
		err := k.write(filepath.Join(k.dir, name), b)
		k.mu.Lock()
		k.err = err
		if err == nil && bytes.Equal(k.pending[name], b) {
			delete(k.pending, name)
			k.dirtyAt = time.Now()
		}
		k.mu.Unlock()
		k.did.Broadcast()
		if err != nil {
			return
		}
	}
}

// run writes until done is closed, then once more.
func (k *keeper) run(done <-chan struct{}) {
	retry := time.NewTicker(keepWithin / 3)
	defer retry.Stop()
	for {
		select {
		case <-done:
			k.flush()
			return
		case <-k.want:
		case <-retry.C:
		}
		k.flush()
	}
}
