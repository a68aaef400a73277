// SPDX-License-Identifier: Apache-2.0

package memory

import (
	"bytes"
	"crypto/sha256"
	"curewright/model/coat"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
)

// Memory is all that a shop has learnt, and what it was asked to forget.
type Memory struct {
	Lessons []Lesson `json:"lessons"`
	// Shared is what other boards of the yard learnt of resins and lots.
	Shared []Shared `json:"shared,omitempty"`
	// Forgotten is not learnt again from the history.
	Forgotten []Forgotten `json:"forgotten,omitempty"`
	// Shed is how the shed follows the weather, Tent the tent's figures, both as
	// last fitted.
	Shed *Shed `json:"shed,omitempty"`
	Tent *Tent `json:"tent,omitempty"`
	// Rev changes whenever the lessons do.
	Rev uint64 `json:"-"`
}

// Shed is the time constants of a shed, as fitted to its readings
// (model/shop).
type Shed struct {
	Probe  string    `json:"probe"`
	TauH   float64   `json:"tau_h"` // time constant, h
	Stays  float64   `json:"stays"` // share of a departure that does not fade
	Gain   float64   `json:"gain"`  // of the shed on the outdoors' departure, 0 without a probe there
	Days   float64   `json:"days"`
	Fitted time.Time `json:"fitted"`
}

// Tent is a tent's own figures, learnt from its switching (model/tent), each with
// its standard deviation.
type Tent struct {
	PanelMin float64   `json:"panel_min"` // time constant of the panel in it, min
	PanelSD  float64   `json:"panel_sd"`
	RiseK    float64   `json:"rise_k"` // above the shed with the heater always on, K
	RiseSD   float64   `json:"rise_sd"`
	Quarters int       `json:"quarters"` // quarter hours that taught it
	Fitted   time.Time `json:"fitted"`
}

// Forgotten is what was forgotten and when: every coat that matches the fields that are
// set and ended before that time.
type Forgotten struct {
	At     time.Time `json:"at"`
	By     string    `json:"by,omitempty"`
	Coat   string    `json:"coat,omitempty"`
	Resin  string    `json:"resin,omitempty"`
	Lot    string    `json:"lot,omitempty"`
	Person *string   `json:"person,omitempty"` // nil for everybody's
}

// covers reports whether it forgets a lesson; with a person it forgets only that
// person's finger tests.
func (f *Forgotten) covers(l *Lesson) bool {
	return !l.Applied.After(f.At) && (f.Coat == "" || f.Coat == l.Coat) && (f.Resin == "" || f.Resin == l.Resin) && (f.Lot == "" || f.Lot == l.Lot)
}

// Hidden removes what was forgotten from a lesson that is drawn again.
func (m *Memory) Hidden(l *Lesson) {
	for i := range m.Forgotten {
		f := &m.Forgotten[i]
		if !f.covers(l) {
			continue
		}
		var kept []coat.Touch
		for _, t := range l.Touches {
			if f.Person != nil && t.By != *f.Person {
				kept = append(kept, t)
			}
		}
		l.Touches = kept
		if len(kept) == 0 {
			l.Teaches = false
			if !slices.Contains(l.Why, ForgottenBy) {
				l.Why = append(l.Why, ForgottenBy)
			}
		}
	}
}

// Forget forgets; it returns how many coats taught something before and do not
// now.
func (m *Memory) Forget(f Forgotten) (n int) {
	m.Forgotten = append(m.Forgotten, f)
	m.Rev++
	for i := range m.Lessons {
		l := &m.Lessons[i]
		was := l.Teaches
		m.Hidden(l)
		if was && !l.Teaches {
			n++
		}
	}
	if f.Coat == "" && f.Person == nil && f.Resin == "" && f.Lot == "" {
		m.Shed, m.Tent = nil, nil
	}
	if f.Coat == "" && f.Person == nil {
		m.Shared = slices.DeleteFunc(m.Shared, func(s Shared) bool {
			return (f.Resin == "" || s.Resin == f.Resin) && (f.Lot == "" || slices.Contains(s.Lots, f.Lot))
		})
	}
	return n
}

// Put adds a lesson, or puts it in the place of the one of the same coat.
func (m *Memory) Put(l Lesson) {
	m.Hidden(&l)
	m.Rev++
	for i := range m.Lessons {
		if m.Lessons[i].Key() == l.Key() {
			m.Lessons[i] = l
			return
		}
	}
	m.Lessons = append(m.Lessons, l)
}

// PutShared takes what a board sent of a resin, in place of its earlier message. A message
// with less in it is older and changes nothing.
func (m *Memory) PutShared(s Shared) {
	m.Rev++
	m.Shared = slices.Clone(m.Shared)
	for i := range m.Shared {
		if x := &m.Shared[i]; x.Board == s.Board && x.Resin == s.Resin {
			if !s.To.Before(x.To) {
				*x = s
			}
			return
		}
	}
	m.Shared = append(m.Shared, s)
}

// Nameless is a lesson without people's names: the people of one board are told apart as
// a, b, c within it.
func (l Lesson) Nameless() Lesson {
	l.Touches = slices.Clone(l.Touches)
	var seen []string
	for i := range l.Touches {
		t := &l.Touches[i]
		k := slices.Index(seen, t.By)
		if k < 0 {
			k = len(seen)
			seen = append(seen, t.By)
		}
		t.By = fmt.Sprintf("%s %c", l.Board, 'a'+rune(k%26))
	}
	return l
}

// Version of the file that this writes, and the newest that it reads.
const Version = 1

const format = "curewright memory"

type document struct {
	Format  string          `json:"format"`
	Version int             `json:"version"`
	Board   string          `json:"board"`
	Written time.Time       `json:"written"`
	Sum     string          `json:"sha256"` // of the body as it stands, without white space
	Body    json.RawMessage `json:"body"`
}

// Reasons why a file is not taken.
var (
	ErrNewer   = errors.New("written by a newer version of curewright")
	ErrDamaged = errors.New("damaged")
	ErrOther   = errors.New("not a memory of curewright")
)

// Write is a memory as one small file.
func Write(m *Memory, board string, at time.Time) ([]byte, error) {
	body, err := json.Marshal(m)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(body)
	b, err := json.MarshalIndent(document{format, Version, board, at.UTC(), hex.EncodeToString(sum[:]), body}, "", " ")
	return append(b, '\n'), err
}

// Read reads such a file strictly: one that is damaged, of a newer version or with
// impossible values is an error with its place, and nothing of it is taken.
func Read(b []byte) (m *Memory, board string, err error) {
	var d document
	if err := strict(b, &d); err != nil {
		if !bytes.Contains(b, []byte(format)) {
			return nil, "", ErrOther
		}
		return nil, "", fmt.Errorf("%w: %v", ErrDamaged, err)
	}
	switch {
	case d.Format != format:
		return nil, "", ErrOther
	case d.Version > Version:
		return nil, "", fmt.Errorf("%w: version %d, this one reads up to %d", ErrNewer, d.Version, Version)
	case d.Version < 1:
		return nil, "", fmt.Errorf("%w: version %d", ErrDamaged, d.Version)
	}
	var body bytes.Buffer
	if err := json.Compact(&body, d.Body); err != nil {
		return nil, "", fmt.Errorf("%w: body: %v", ErrDamaged, err)
	}
	if sum := sha256.Sum256(body.Bytes()); hex.EncodeToString(sum[:]) != d.Sum {
		return nil, "", fmt.Errorf("%w: the body is not what was written (sha256)", ErrDamaged)
	}
	m = &Memory{}
	if err := strict(d.Body, m); err != nil {
		return nil, "", fmt.Errorf("%w: body: %v", ErrDamaged, err)
	}
	if err := m.Check(); err != nil {
		return nil, "", fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return m, d.Board, nil
}

func strict(b []byte, v any) error {
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.DisallowUnknownFields()
	if err := dec.Decode(v); err != nil {
		return err
	}
	if dec.More() {
		return fmt.Errorf("more after the end, at byte %d", dec.InputOffset())
	}
	return nil
}

// Most that a file may hold.
const (
	maxLessons = 2000
	maxTouches = 40
	maxText    = 300
)

// Check reports all impossible values of a memory, each with its place.
func (m *Memory) Check() error {
	var errs []error
	bad := func(where, what string, args ...any) {
		if len(errs) < 20 {
			errs = append(errs, fmt.Errorf("%s: %s", where, fmt.Sprintf(what, args...)))
		}
	}
	if len(m.Lessons) > maxLessons {
		bad("lessons", "%d are more than %d", len(m.Lessons), maxLessons)
		return errors.Join(errs...)
	}
	seen := map[string]bool{}
	for i := range m.Lessons {
		l := &m.Lessons[i]
		at := fmt.Sprintf("lessons[%d]", i)
		if l.Coat == "" || l.Resin == "" {
			bad(at, "coat or resin is missing")
		}
		for _, s := range append([]string{l.Coat, l.Board, l.Panel, l.Resin, l.Law, l.Lot, l.Of}, l.Why...) {
			if len(s) > maxText {
				bad(at, "a text is longer than %d", maxText)
			}
		}
		if len(l.Unit) > 8*maxText {
			bad(at+".unit", "longer than %d", 8*maxText)
		}
		if seen[l.Key()] {
			bad(at, "coat %s twice", l.Coat)
		}
		seen[l.Key()] = true
		if !(math.Abs(l.Contrast) < 1) || !(l.SD >= 0 && l.SD < 10) || !(l.WarmthC > -60 && l.WarmthC < 200) {
			bad(at, "contrast %g, sd %g or warmth_c %g cannot be", l.Contrast, l.SD, l.WarmthC)
		}
		if len(l.PathC) > MaxPath || slices.ContainsFunc(l.PathC, func(c float64) bool { return !(c > -60 && c < 200) }) {
			bad(at+".path_c", "more than %d temperatures, or one that cannot be", MaxPath)
		}
		if len(l.Touches) > maxTouches {
			bad(at+".touches", "%d are more than %d", len(l.Touches), maxTouches)
		}
		for k := range l.Touches {
			t := &l.Touches[k]
			at := fmt.Sprintf("%s.touches[%d]", at, k)
			if t.State.Rank() < 0 {
				bad(at+".state", "%q is not wet, tacky, green, firm or hard", t.State)
			}
			if !(t.NowC > -60 && t.NowC < 200) || len(t.By) > maxText {
				bad(at, "now_c %g cannot be, or a name too long", t.NowC)
			}
			for n, a := range t.Alpha {
				if !(a >= 0 && a <= 1) || n > 0 && a < t.Alpha[n-1]-1e-3 {
					bad(at+".alpha", "%v is no degree of cure that grows with the rate", t.Alpha)
					break
				}
			}
		}
	}
	for i := range m.Shared {
		if err := m.Shared[i].check(); err != nil {
			bad(fmt.Sprintf("shared[%d]", i), "%v", err)
		}
	}
	if s := m.Shed; s != nil && (!(s.TauH > 0 && s.TauH < 1000) || !(s.Stays >= 0 && s.Stays <= 1) || !(s.Gain >= 0 && s.Gain <= 1)) {
		bad("shed", "%+v cannot be", *s)
	}
	if x := m.Tent; x != nil && (!(x.PanelMin > 0 && x.PanelMin < 1e4) || !(x.RiseK > 0 && x.RiseK < 200) || !(x.PanelSD >= 0 && x.PanelSD < 1e4) || !(x.RiseSD >= 0 && x.RiseSD < 200)) {
		bad("tent", "%+v cannot be", *x)
	}
	return errors.Join(errs...)
}
