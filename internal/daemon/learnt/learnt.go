// SPDX-License-Identifier: Apache-2.0

// Package learnt keeps what the shop's own coats taught. It draws lessons from coats
// that ended, stores, shows and forgets them, writes them to a file for another board
// and sends them to the boards of a yard. Lessons themselves, and what follows from
// them, are in model/memory. Estimates, pages, probes and connections reach it only
// through [Options] and [NewYard].
package learnt

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"curewright/dashboards/web"
	"curewright/history"
	"curewright/model/coat"
	"curewright/model/job"
	"curewright/model/memory"
	"curewright/model/tent"
	"curewright/model/words"
)

// Section is [memory]: which lessons other boards may get. Without share nothing
// leaves this board except in a file that a person makes.
type Section struct {
	Share  bool `toml:"share"`  // send and receive over MQTT what was learnt of lots
	People bool `toml:"people"` // files and messages for other boards name the person of each finger test
}

// Options are the parameters of a [Memory]; all are required.
type Options struct {
	Section Section
	Store   *history.Store
	Now     func() time.Time
	Log     *slog.Logger
	Work    func(context.Context) (*coat.Work, error)
	Lesson  func(id string, w *coat.Work, s job.Settings) (memory.Lesson, error) // of a coat that ended
	View    func(context.Context) words.View                                     // how a request reads
	News    func()                                                               // the memory changed: estimate anew
	Refused func(error) error                                                    // says for the API what the store refused
}

// Memory is a board's memory. Its methods may be called from any goroutine, but
// [Memory.Learn] by one at a time.
type Memory struct {
	o    Options
	yard *Yard // nil without a broker

	mu      sync.Mutex
	mem     *memory.Memory // never changed in place, so that a reader needs no lock
	board   string
	trouble string // why an earlier memory was set aside, "" for none
	dirty   bool   // not on the card yet

	// Whose finger each test was, by its id, as of a version of the work.
	people  map[string]string
	last    string
	version uint64 // 0 before the first
}

const (
	memoryBucket = "memory"
	memoryKey    = "learnt"
	boardKey     = "board"
)

// Open reads the memory. One that can't be read is kept under another key and reported,
// and estimates then start from the data sheet.
func Open(o Options) (*Memory, error) {
	r, err := read(o.Store)
	r.o = o
	if err != nil {
		r.trouble = asideWords(err)
		o.Log.Warn("memory", "trouble", r.trouble)
		b, _ := o.Store.KV(memoryBucket, memoryKey)
		// Once it is kept under another key, new lessons may take its place.
		r.dirty = o.Store.PutKV(context.Background(), memoryBucket, "aside "+o.Now().UTC().Format(time.RFC3339), b) == nil
	}
	if r.board == "" {
		var id [4]byte
		if _, err := rand.Read(id[:]); err != nil {
			return nil, err
		}
		r.board = hex.EncodeToString(id[:])
		// If the card can't be written, a name for this run has to do.
		_ = o.Store.PutKV(context.Background(), memoryBucket, boardKey, []byte(r.board))
	}
	return r, nil
}

// AtRest reads the memory of a store that no daemon runs, only for [Memory.Into].
// Nothing is written; a memory that can't be read is left to the next run.
func AtRest(store *history.Store) *Memory {
	r, _ := read(store)
	return r
}

// read is what a store remembers. With an error, which is why it cannot be read,
// the memory is empty.
func read(store *history.Store) (*Memory, error) {
	r := &Memory{mem: &memory.Memory{}}
	board, _ := store.KV(memoryBucket, boardKey)
	r.board = string(board)
	b, ok := store.KV(memoryBucket, memoryKey)
	if !ok {
		return r, nil
	}
	m, _, err := memory.Read(b)
	if err == nil {
		r.mem = m
	}
	return r, err
}

// now is the memory as it stands.
func (r *Memory) now() *memory.Memory {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.mem
}

// edit lets f change a copy of the memory and puts it in place; the next [Memory.save]
// writes it.
func (r *Memory) edit(f func(m *memory.Memory)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	m := *r.mem
	m.Lessons, m.Shared, m.Forgotten = slices.Clone(m.Lessons), slices.Clone(m.Shared), slices.Clone(m.Forgotten)
	for i := range m.Lessons {
		m.Lessons[i].Why = slices.Clip(m.Lessons[i].Why) // a reason more is not written behind the old ones
	}
	f(&m)
	r.mem, r.dirty = &m, true
}

// change changes the memory and writes it, or does neither: a lesson forgotten only in
// memory would come back at the next start. Other changes made meanwhile stay.
func (r *Memory) change(ctx context.Context, f func(m *memory.Memory) error) error {
	var before, after *memory.Memory
	var err error
	r.edit(func(m *memory.Memory) {
		before, after = r.mem, m
		if err = f(m); err != nil {
			*m = *before
			m.Rev += 2
		}
	})
	if err != nil {
		return err
	}
	if err = r.save(ctx); err == nil {
		return nil
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.mem == after {
		back := *before
		back.Rev = after.Rev + 1
		r.mem = &back
	}
	return r.o.Refused(err)
}

// asideWords returns why a memory was set aside, as a sentence.
func asideWords(err error) string {
	code := "damaged"
	switch {
	case errors.Is(err, memory.ErrNewer):
		code = "newer"
	case errors.Is(err, memory.ErrOther):
		code = "other"
	case errors.Is(err, errNotItsOwn):
		code = "not_its_own"
	}
	return words.View{}.Say("memory.aside."+code, words.Facts{"why": err.Error()})
}

// Into puts the memory into an estimate's settings.
func (r *Memory) Into(s *job.Settings) {
	r.mu.Lock()
	defer r.mu.Unlock()
	s.Memory, s.Board, s.People, s.Person = r.mem, r.board, r.people, r.last
}

// Whose brings up to date whose finger each test was.
func (r *Memory) Whose(ctx context.Context) error {
	version := r.o.Store.WorkVersion()
	r.mu.Lock()
	fresh := r.version == version && version != 0
	r.mu.Unlock()
	if fresh {
		return nil
	}
	cs, err := r.o.Store.Changes(ctx, "feel", "")
	if err != nil {
		return err
	}
	people := map[string]string{}
	var last history.Change
	for _, c := range cs {
		if _, ok := people[c.ID]; !ok {
			people[c.ID] = c.By
			if !c.At.Before(last.At) {
				last = c
			}
		}
	}
	r.mu.Lock()
	r.people, r.last, r.version = people, last.By, version
	r.mu.Unlock()
	return nil
}

// learnAtOnce is how many coats one evaluation learns from, so that an old history is
// learnt over some minutes and delays no evaluation.
const learnAtOnce = 2

// Learn draws the lessons of coats that ended, and again where their records were
// corrected.
func (r *Memory) Learn(ctx context.Context, now time.Time, w *coat.Work, s job.Settings) {
	have := map[string]string{} // of this board, by coat
	for _, l := range r.now().Lessons {
		if l.Board == r.board {
			have[l.Coat] = l.Of
		}
	}
	n := 0
	known := map[string]bool{}
	for i := range w.Coats {
		c := &w.Coats[i]
		known[c.ID] = true
		of, ok := have[c.ID]
		if c.Open(now) || c.Applied.After(now) {
			if ok { // it was opened again
				r.drop(c.ID)
			}
			continue
		}
		if ok && of == job.LessonKey(w, c.ID) {
			continue
		}
		if n++; n > learnAtOnce {
			r.o.News()
			break
		}
		l, err := r.o.Lesson(c.ID, w, s)
		if err != nil {
			r.o.Log.Warn("nothing learnt from a coat", "coat", c.ID, "err", err)
			continue
		}
		if ok && len(l.Touches) == 0 && !l.Teaches && slices.Contains(l.Why, memory.NoTests) && l.WarmthC == 0 {
			continue // its readings were removed meanwhile: the old lesson stays
		}
		r.edit(func(m *memory.Memory) { m.Put(l) })
	}
	for id := range have {
		if !known[id] { // taken back
			r.drop(id)
		}
	}
	r.mu.Lock()
	save := r.dirty
	r.mu.Unlock()
	if save {
		r.keep(ctx)
	}
}

// LearnShed keeps the fitted figures of the shed, where they differ from the old.
func (r *Memory) LearnShed(now *job.ShopNow) {
	if now != nil && now.Learnt != nil && now.Learnt.News(r.now().Shed) {
		r.edit(func(m *memory.Memory) { m.Shed = now.Learnt })
	}
}

// LearnTent keeps the fitted figures of the tent, where they differ from the old.
func (r *Memory) LearnTent(m *tent.Model, at time.Time) {
	if x := memory.TentOf(m, at); x.News(r.now().Tent) {
		r.edit(func(m *memory.Memory) { m.Tent = x })
	}
}

// Tent is the remembered tent, nil for none.
func (r *Memory) Tent() *tent.Model {
	t := r.now().Tent
	if t == nil {
		return nil
	}
	return new(t.Model())
}

func (r *Memory) drop(id string) {
	r.edit(func(m *memory.Memory) {
		m.Lessons = slices.DeleteFunc(m.Lessons, func(l memory.Lesson) bool { return l.Board == r.board && l.Coat == id })
		m.Rev++
	})
}

// keep is save for changes that the next evaluation saves if this one fails.
func (r *Memory) keep(ctx context.Context) {
	if err := r.save(ctx); err != nil {
		r.o.Log.Warn("what was learnt is not written yet", "err", err)
	}
}

func (r *Memory) save(ctx context.Context) error {
	m := r.now()
	b, err := memory.Write(m, r.board, r.o.Now())
	if err == nil {
		err = r.o.Store.PutKV(ctx, memoryBucket, memoryKey, b)
	}
	r.mu.Lock()
	r.dirty = err != nil || r.mem != m // what was learnt while this wrote is not on the card yet
	r.mu.Unlock()
	if r.yard != nil {
		r.yard.wake()
	}
	return err
}

// MemoryView is what was learnt, as pages and the command line show it.
type MemoryView struct {
	Board   string          `json:"board"`
	Trouble string          `json:"trouble,omitempty"`
	Claims  []memory.Claim  `json:"claims"`
	Coats   []MemoryCoat    `json:"coats"` // newest first
	Resins  []MemoryResin   `json:"resins"`
	Shed    *memory.Shed    `json:"shed,omitempty"`
	Tent    *memory.Tent    `json:"tent,omitempty"`
	Shared  []memory.Shared `json:"shared"`
	Yard    []MemoryYard    `json:"yard"` // boards that told something over MQTT
	People  []string        `json:"people"`
}

// MemoryResin counts what one resin's coats taught.
type MemoryResin struct {
	Resin string   `json:"resin"`
	Coats int      `json:"coats"` // that teach
	Tests int      `json:"tests"`
	Lots  []string `json:"lots"`
}

// MemoryCoat is one coat's lesson, for a claim's evidence.
type MemoryCoat struct {
	Key     string     `json:"key"`
	Coat    string     `json:"coat"`
	Board   string     `json:"board"`
	Panel   string     `json:"panel"`
	Resin   string     `json:"resin"`
	Lot     string     `json:"lot,omitempty"`
	Applied time.Time  `json:"applied"`
	WarmthC float64    `json:"warmth_c"`
	Teaches bool       `json:"teaches"`
	Why     []string   `json:"why"` // sentences
	Tests   []MemoryAt `json:"tests"`
}

// MemoryAt is one finger test of such a coat.
type MemoryAt struct {
	At    time.Time  `json:"at"`
	State coat.State `json:"state"`
	By    string     `json:"by,omitempty"`
}

// View is all that was learnt.
func (r *Memory) View(ctx context.Context) (json.RawMessage, error) {
	v, err := r.view(ctx)
	if err != nil {
		return nil, err
	}
	return json.Marshal(v)
}

func (r *Memory) view(ctx context.Context) (*MemoryView, error) {
	w, err := r.o.Work(ctx)
	if err != nil {
		return nil, err
	}
	m, view := r.now(), r.o.View(ctx)
	v := &MemoryView{Board: r.board, Trouble: r.trouble, Claims: []memory.Claim{}, Coats: []MemoryCoat{}, Resins: []MemoryResin{},
		Shed: m.Shed, Tent: m.Tent, Shared: append([]memory.Shared{}, m.Shared...), Yard: []MemoryYard{}, People: []string{}}
	if r.yard != nil {
		v.Yard = r.yard.boards()
	}
	names := map[string]bool{}
	for _, l := range m.Lessons {
		names[l.Resin] = true
	}
	for _, s := range m.Shared {
		names[s.Resin] = true
	}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		res, ok := w.Resins[name]
		if !ok {
			continue
		}
		if learnt := memory.Learn(res, m, r.board); learnt != nil {
			v.Claims = append(v.Claims, learnt.Claims(view)...)
		}
		mr := MemoryResin{Resin: name, Lots: []string{}}
		for _, l := range m.Lessons {
			if l.Resin != name || !l.Teaches || l.Law != memory.LawOf(&res) {
				continue
			}
			mr.Coats++
			mr.Tests += len(l.Touches)
			if l.Lot != "" && !slices.Contains(mr.Lots, l.Lot) {
				mr.Lots = append(mr.Lots, l.Lot)
			}
		}
		v.Resins = append(v.Resins, mr)
	}
	people := map[string]bool{}
	for i := range m.Lessons {
		l := &m.Lessons[i]
		c := MemoryCoat{Key: l.Key(), Coat: l.Coat, Board: l.Board, Panel: l.Panel, Resin: l.Resin, Lot: l.Lot, Applied: l.Applied, WarmthC: l.WarmthC, Teaches: l.Teaches, Why: []string{}, Tests: []MemoryAt{}}
		for _, why := range l.Why {
			c.Why = append(c.Why, memory.Reason(why, view))
		}
		if res, ok := w.Resins[l.Resin]; ok && l.Teaches && l.Law != memory.LawOf(&res) {
			c.Teaches = false
			c.Why = append(c.Why, memory.Reason(memory.OtherLaw, view))
		}
		for _, t := range l.Touches {
			c.Tests = append(c.Tests, MemoryAt{t.At, t.State, t.By})
			people[t.By] = true
		}
		v.Coats = append(v.Coats, c)
	}
	v.Claims = append(v.Claims, m.PlaceClaims(view)...)
	slices.SortStableFunc(v.Coats, func(a, b MemoryCoat) int { return b.Applied.Compare(a.Applied) })
	v.People = append(v.People, slices.Sorted(maps.Keys(people))...)
	return v, nil
}

// MemoryForget selects what to forget: everything, or the lessons that match every
// given field.
type MemoryForget struct {
	All    bool    `json:"all"`
	Coat   string  `json:"coat"`
	Resin  string  `json:"resin"`
	Lot    string  `json:"lot"`
	Person *string `json:"person"` // who made the finger test; "" for one without a log-in
}

// MemoryForgot says how many coats taught something before and do not now.
type MemoryForgot struct {
	Forgotten int `json:"forgotten"`
}

// MemoryTaken reports what was taken from another board's file, and what of it
// contradicts this board's memory.
type MemoryTaken struct {
	Board  string         `json:"board"`
	Coats  int            `json:"coats"`
	Shared int            `json:"shared"` // resins of which it tells the lots
	Aside  []memory.Aside `json:"aside"`
}

// Forget forgets what fits: {"all":true}, or any of coat, resin, lot,
// person.
func (r *Memory) Forget(ctx context.Context, who web.Who, q MemoryForget) (json.RawMessage, error) {
	named := q.Coat != "" || q.Resin != "" || q.Lot != "" || q.Person != nil
	if q.All == named {
		return nil, web.Faults{{Field: "all", What: "say all, or which coat, resin, lot or person"}}
	}
	now := r.o.Now()
	n := 0
	err := r.change(ctx, func(m *memory.Memory) error {
		n = m.Forget(memory.Forgotten{At: now, By: who.Name, Coat: q.Coat, Resin: q.Resin, Lot: q.Lot, Person: q.Person})
		return nil
	})
	if err != nil {
		return nil, err
	}
	r.o.Store.AddEvent("memory", strings.Join(slices.DeleteFunc([]string{q.Coat, q.Resin, q.Lot}, func(s string) bool { return s == "" }), " "), "forgotten", now, who.Name)
	r.o.News()
	return json.Marshal(MemoryForgot{n})
}

// File is what was learnt as one small file: all of it, or, for the yard,
// what was learnt of resins and lots alone.
func (r *Memory) File(ctx context.Context, lots bool) ([]byte, error) {
	w, err := r.o.Work(ctx)
	if err != nil {
		return nil, err
	}
	m := *r.now()
	if lots {
		m = memory.Memory{Shared: r.sharedLots(w)}
	} else if !r.o.Section.People {
		m.Lessons = slices.Clone(m.Lessons)
		for i := range m.Lessons {
			m.Lessons[i] = m.Lessons[i].Nameless()
		}
		m.Forgotten = slices.DeleteFunc(slices.Clone(m.Forgotten), func(f memory.Forgotten) bool { return f.Person != nil })
		for i := range m.Forgotten {
			m.Forgotten[i].By = ""
		}
	}
	return memory.Write(&m, r.board, r.o.Now())
}

// sharedLots is what is sent to the yard: lessons of this board's own coats only.
func (r *Memory) sharedLots(w *coat.Work) (out []memory.Shared) {
	m := &memory.Memory{Rev: r.now().Rev}
	names := map[string]bool{}
	for _, l := range r.now().Lessons {
		if l.Board == r.board {
			m.Lessons = append(m.Lessons, l)
			names[l.Resin] = true
		}
	}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		res, ok := w.Resins[name]
		if !ok {
			continue
		}
		if learnt := memory.Learn(res, m, r.board); learnt.Knows() {
			if s := learnt.Share(r.board); s != nil {
				out = append(out, *s)
			}
		}
	}
	return out
}

// Import takes such a file: another board's coats, or what it told the
// yard. A damaged file, or one of a newer version, is refused with the reason and
// changes nothing. Lessons that contradict this board's are kept, but reported and not
// used by any estimate.
func (r *Memory) Import(ctx context.Context, who web.Who, b []byte) (json.RawMessage, error) {
	in, board, err := memory.Read(b)
	if err != nil {
		var fs web.Faults
		for line := range strings.SplitSeq(err.Error(), "\n") {
			fs = append(fs, web.Fault{Field: "file", What: line})
		}
		return nil, fs
	}
	took, err := r.takeIn(ctx, in, board)
	if err != nil {
		return nil, err
	}
	r.o.Store.AddEvent("memory", board, fmt.Sprintf("taken from board %s: %d coats, %d resins' lots", board, took.Coats, took.Shared), r.o.Now(), who.Name)
	return json.Marshal(took)
}

// takeIn adds what was read to the memory, as a whole or not at all.
func (r *Memory) takeIn(ctx context.Context, in *memory.Memory, board string) (*MemoryTaken, error) {
	w, err := r.o.Work(ctx)
	if err != nil {
		return nil, err
	}
	took := &MemoryTaken{Board: board, Aside: []memory.Aside{}}
	err = r.change(ctx, func(m *memory.Memory) error {
		for _, l := range in.Lessons {
			l.Board = cmp.Or(l.Board, board)
			if l.Board == r.board && slices.ContainsFunc(w.Coats, func(c coat.Coat) bool { return c.ID == l.Coat }) {
				continue // one of this board's own, whose records are here
			}
			m.Put(l)
			took.Coats++
		}
		for _, s := range in.Shared {
			if s.Board != r.board {
				m.PutShared(s)
				took.Shared++
			}
		}
		m.Shed, m.Tent = cmp.Or(m.Shed, in.Shed), cmp.Or(m.Tent, in.Tent)
		m.Rev++
		if err := m.Check(); err != nil {
			return web.Faults{{Field: "file", What: err.Error()}}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	m := r.now()
	for _, name := range slices.Sorted(maps.Keys(w.Resins)) {
		if learnt := memory.Learn(w.Resins[name], m, r.board); learnt != nil {
			took.Aside = append(took.Aside, learnt.Aside...)
		}
	}
	r.o.News()
	return took, nil
}
