// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
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

// MemorySection is [memory]: what of the memory other boards may have. Without
// share nothing leaves this board but by a file that somebody makes.
type MemorySection struct {
	Share  bool `toml:"share"`  // over MQTT, what was learnt of lots: told, and taken
	People bool `toml:"people"` // what is made for other boards names whose finger it was
}

// remembered is the daemon's memory: what its coats taught, kept in the store.
type remembered struct {
	mu      sync.Mutex
	mem     memory.Memory
	board   string
	trouble string // why an earlier memory was set aside, "" for none
	dirty   bool

	// Whose finger each test was, by its id, as of a version of the work.
	people  map[string]string
	last    string
	version uint64
	known   bool
}

const (
	memoryBucket = "memory"
	memoryKey    = "learnt"
	boardKey     = "board"
)

// openMemory reads what was learnt; what cannot be read is set aside under
// another key and said, and the estimates go on from the sheet.
func openMemory(store *history.Store, now time.Time) (*remembered, error) {
	r := &remembered{people: map[string]string{}}
	if b, ok := store.KV(memoryBucket, boardKey); ok && len(b) > 0 {
		r.board = string(b)
	} else {
		var id [4]byte
		if _, err := rand.Read(id[:]); err != nil {
			return nil, err
		}
		r.board = hex.EncodeToString(id[:])
		if err := store.PutKV(context.Background(), memoryBucket, boardKey, []byte(r.board)); err != nil {
			// A card that takes nothing: the name of this run must do.
			r.trouble = ""
		}
	}
	b, ok := store.KV(memoryBucket, memoryKey)
	if !ok {
		return r, nil
	}
	m, _, err := memory.Read(b)
	if err != nil {
		r.trouble = asideWords(err)
		key := "aside " + now.UTC().Format(time.RFC3339)
		if perr := store.PutKV(context.Background(), memoryBucket, key, b); perr == nil {
			r.dirty = true // what is learnt from now on takes its place
		}
		return r, nil
	}
	r.mem = *m
	return r, nil
}

// memoryAtRest is what a store that nobody runs remembers; nothing is written,
// and what cannot be read is left to the next run.
func memoryAtRest(store *history.Store) *remembered {
	r := &remembered{people: map[string]string{}}
	if b, ok := store.KV(memoryBucket, boardKey); ok {
		r.board = string(b)
	}
	if b, ok := store.KV(memoryBucket, memoryKey); ok {
		if m, _, err := memory.Read(b); err == nil {
			r.mem = *m
		}
	}
	return r
}

// asideWords says why a memory was not taken.
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

// into puts the memory into an estimate's settings; a record made without a
// running daemon has none.
func (r *remembered) into(s *job.Settings) {
	if r == nil {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	m := r.mem // lessons are never changed in place once told
	m.Lessons = slices.Clone(r.mem.Lessons)
	s.Memory, s.Board, s.People, s.Person = &m, r.board, r.people, r.last
}

// whose brings up to date whose finger each test was.
func (d *Daemon) whose(ctx context.Context) error {
	r := d.mem
	version := d.store.WorkVersion()
	r.mu.Lock()
	fresh := r.known && r.version == version
	r.mu.Unlock()
	if fresh {
		return nil
	}
	cs, err := d.store.Changes(ctx, "feel", "")
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
	r.people, r.last, r.version, r.known = people, last.By, version, true
	r.mu.Unlock()
	return nil
}

// learnAtOnce is how many coats one evaluation learns from: an old history is taken in
// over some minutes, and no evaluation waits for it.
const learnAtOnce = 2

// learn draws the lessons of coats that ended, and again where their records
// were put right.
func (d *Daemon) learn(ctx context.Context, now time.Time, w *coat.Work, s job.Settings) {
	r := d.mem
	have := map[string]string{} // of this board, by coat
	r.mu.Lock()
	for i := range r.mem.Lessons {
		if l := &r.mem.Lessons[i]; l.Board == r.board {
			have[l.Coat] = l.Of
		}
	}
	r.mu.Unlock()
	n, changed := 0, false
	known := map[string]bool{}
	for i := range w.Coats {
		c := &w.Coats[i]
		known[c.ID] = true
		if c.Open(now) || c.Applied.After(now) {
			if _, ok := have[c.ID]; ok { // it was opened again
				r.drop(c.ID)
				changed = true
			}
			continue
		}
		of, ok := have[c.ID]
		if ok && of == job.LessonKey(w, c.ID) {
			continue
		}
		if n++; n > learnAtOnce {
			d.RequestEvaluation()
			break
		}
		l, err := d.est.Lesson(c.ID, w, storeReadings{d.store}, s)
		if err != nil {
			d.log.Warn("nothing learnt from a coat", "coat", c.ID, "err", err)
			continue
		}
		if ok && len(l.Touches) == 0 && !l.Teaches && slices.Contains(l.Why, memory.NoTests) && l.WarmthC == 0 {
			continue // its readings are gone by now: what it taught stays
		}
		r.mu.Lock()
		r.mem.Put(l)
		r.mu.Unlock()
		changed = true
	}
	for id := range have {
		if !known[id] { // taken back
			r.drop(id)
			changed = true
		}
	}
	r.mu.Lock()
	save := changed || r.dirty
	r.mu.Unlock()
	if save {
		if err := d.saveMemory(ctx, now); err != nil {
			d.log.Warn("what was learnt is not written yet", "err", err)
		}
	}
}

// learnShed keeps what the readings showed of the shed, where it is news.
func (r *remembered) learnShed(now *job.ShopNow) {
	if now == nil || now.Learnt == nil {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if now.Learnt.News(r.mem.Shed) {
		r.mem.Shed, r.dirty = now.Learnt, true
	}
}

// learnTent keeps what the tent's switching showed of it, where it is news.
func (r *remembered) learnTent(m *tent.Model, at time.Time) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if x := memory.TentOf(m, at); x.News(r.mem.Tent) {
		r.mem.Tent, r.dirty = x, true
	}
}

// tent is the tent as it was before, nil where nothing is remembered.
func (r *remembered) tent() *tent.Model {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.mem.Tent == nil {
		return nil
	}
	m := r.mem.Tent.Model()
	return &m
}

func (r *remembered) drop(id string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.mem.Lessons = slices.DeleteFunc(slices.Clone(r.mem.Lessons), func(l memory.Lesson) bool { return l.Board == r.board && l.Coat == id })
	r.mem.Rev++
}

func (d *Daemon) saveMemory(ctx context.Context, now time.Time) error {
	r := d.mem
	r.mu.Lock()
	b, err := memory.Write(&r.mem, r.board, now)
	r.mu.Unlock()
	if err == nil {
		err = d.store.PutKV(ctx, memoryBucket, memoryKey, b)
	}
	r.mu.Lock()
	r.dirty = err != nil
	r.mu.Unlock()
	if d.mqtt != nil {
		d.mqtt.yard.wake()
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

// Memory is all that was learnt.
func (d *Daemon) Memory(ctx context.Context) (json.RawMessage, error) {
	v, err := d.memoryView(ctx)
	if err != nil {
		return nil, err
	}
	return json.Marshal(v)
}

func (d *Daemon) memoryView(ctx context.Context) (*MemoryView, error) {
	w, err := d.work(ctx)
	if err != nil {
		return nil, err
	}
	st := d.settings()
	r := d.mem
	r.mu.Lock()
	m := r.mem
	m.Lessons = slices.Clone(m.Lessons)
	v := &MemoryView{Board: r.board, Trouble: r.trouble, Claims: []memory.Claim{}, Coats: []MemoryCoat{}, Resins: []MemoryResin{},
		Shed: m.Shed, Tent: m.Tent, Shared: append([]memory.Shared{}, m.Shared...), Yard: []MemoryYard{}, People: []string{}}
	r.mu.Unlock()
	if d.mqtt != nil {
		v.Yard = d.mqtt.yard.boards()
	}
	view := d.view(st)
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
		if learnt := memory.Learn(res, &m, r.board); learnt != nil {
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

// MemoryForget is what is to be forgotten: all of it, or what fits every name
// that is given.
type MemoryForget struct {
	All    bool    `json:"all"`
	Coat   string  `json:"coat"`
	Resin  string  `json:"resin"`
	Lot    string  `json:"lot"`
	Person *string `json:"person"` // whose finger; "" is somebody's without a log-in
}

// MemoryForgot says how many coats taught something before and do not now.
type MemoryForgot struct {
	Forgotten int `json:"forgotten"`
}

// MemoryTaken says what of another board's file was taken, and what of it is
// the opposite of what is known here.
type MemoryTaken struct {
	Board  string         `json:"board"`
	Coats  int            `json:"coats"`
	Shared int            `json:"shared"` // resins of which it tells the lots
	Aside  []memory.Aside `json:"aside"`
}

// ForgetMemory forgets what fits: {"all":true}, or any of coat, resin, lot,
// person.
func (d *Daemon) ForgetMemory(ctx context.Context, who web.Who, body json.RawMessage) (json.RawMessage, error) {
	var q MemoryForget
	if err := strict(body, &q); err != nil {
		return nil, err
	}
	named := q.Coat != "" || q.Resin != "" || q.Lot != "" || q.Person != nil
	if q.All == named {
		return nil, web.Faults{{Field: "all", What: "say all, or which coat, resin, lot or person"}}
	}
	now := d.clk.Now()
	r := d.mem
	f := memory.Forgotten{At: now, By: who.Name, Coat: q.Coat, Resin: q.Resin, Lot: q.Lot, Person: q.Person}
	r.mu.Lock()
	before := r.mem
	r.mem.Lessons = slices.Clone(r.mem.Lessons)
	for i := range r.mem.Lessons {
		l := &r.mem.Lessons[i]
		l.Touches = slices.Clone(l.Touches)
		l.Why = slices.Clone(l.Why)
	}
	r.mem.Shared = slices.Clone(r.mem.Shared)
	n := r.mem.Forget(f)
	rev := r.mem.Rev
	r.mu.Unlock()
	if err := d.saveMemory(ctx, now); err != nil {
		// What is not on disk would come back at the next start: not done.
		r.mu.Lock()
		if r.mem.Rev == rev {
			before.Rev = rev + 1
			r.mem = before
		}
		r.mu.Unlock()
		return nil, webError(err)
	}
	d.store.AddEvent("memory", strings.Join(slices.DeleteFunc([]string{q.Coat, q.Resin, q.Lot}, func(s string) bool { return s == "" }), " "), "forgotten", now, who.Name)
	d.RequestEvaluation()
	return json.Marshal(MemoryForgot{n})
}

// MemoryFile is what was learnt as one small file: all of it, or, for the yard,
// what was learnt of resins and lots alone.
func (d *Daemon) MemoryFile(ctx context.Context, lots bool) ([]byte, error) {
	w, err := d.work(ctx)
	if err != nil {
		return nil, err
	}
	r := d.mem
	r.mu.Lock()
	defer r.mu.Unlock()
	m := r.mem
	if lots {
		m = memory.Memory{Shared: d.sharedLocked(w)}
	} else if !d.cfg.Memory.People {
		m.Lessons = slices.Clone(m.Lessons)
		for i := range m.Lessons {
			m.Lessons[i] = m.Lessons[i].Nameless()
		}
		m.Forgotten = slices.DeleteFunc(slices.Clone(m.Forgotten), func(f memory.Forgotten) bool { return f.Person != nil })
		for i := range m.Forgotten {
			m.Forgotten[i].By = ""
		}
	}
	return memory.Write(&m, r.board, d.clk.Now())
}

// sharedLocked is what the yard may know; r.mu is held.
func (d *Daemon) sharedLocked(w *coat.Work) (out []memory.Shared) {
	m := d.mem.mem
	m.Shared = nil // what others told is theirs to tell
	m.Lessons = slices.DeleteFunc(slices.Clone(m.Lessons), func(l memory.Lesson) bool { return l.Board != d.mem.board })
	done := map[string]bool{}
	for _, l := range m.Lessons {
		res, ok := w.Resins[l.Resin]
		if !ok || done[l.Resin] {
			continue
		}
		done[l.Resin] = true
		if learnt := memory.Learn(res, &m, d.mem.board); learnt.Knows() {
			if s := learnt.Share(d.mem.board); s != nil {
				out = append(out, *s)
			}
		}
	}
	return out
}

// ImportMemory takes such a file: another board's coats, or what it told the
// yard. What is damaged or of a newer version is refused with the reason, and
// changes nothing; what is the opposite of what is known here is kept and set
// aside by every estimate, and said.
func (d *Daemon) ImportMemory(ctx context.Context, who web.Who, b []byte) (json.RawMessage, error) {
	in, board, err := memory.Read(b)
	if err != nil {
		var fs web.Faults
		for _, line := range strings.Split(err.Error(), "\n") {
			fs = append(fs, web.Fault{Field: "file", What: line})
		}
		return nil, fs
	}
	took, err := d.takeMemory(ctx, in, board)
	if err != nil {
		return nil, err
	}
	d.store.AddEvent("memory", board, fmt.Sprintf("taken from board %s: %d coats, %d resins' lots", board, took.Coats, took.Shared), d.clk.Now(), who.Name)
	return json.Marshal(took)
}

// takeMemory puts what was read beside what is known, whole or not at all.
func (d *Daemon) takeMemory(ctx context.Context, in *memory.Memory, board string) (*MemoryTaken, error) {
	w, err := d.work(ctx)
	if err != nil {
		return nil, err
	}
	now := d.clk.Now()
	r := d.mem
	r.mu.Lock()
	before := r.mem
	r.mem.Lessons = slices.Clone(r.mem.Lessons)
	coats := 0
	for _, l := range in.Lessons {
		if l.Board == "" {
			l.Board = board
		}
		if l.Board == r.board && slices.ContainsFunc(w.Coats, func(c coat.Coat) bool { return c.ID == l.Coat }) {
			continue // its own, with the records still here
		}
		r.mem.Put(l)
		coats++
	}
	shared := 0
	for _, s := range in.Shared {
		if s.Board != r.board {
			r.mem.PutShared(s)
			shared++
		}
	}
	if r.mem.Shed == nil {
		r.mem.Shed = in.Shed
	}
	if r.mem.Tent == nil {
		r.mem.Tent = in.Tent
	}
	r.mem.Rev++
	m := r.mem
	if err := m.Check(); err != nil {
		r.mem = before
		r.mem.Rev += 2
		r.mu.Unlock()
		return nil, web.Faults{{Field: "file", What: err.Error()}}
	}
	r.mu.Unlock()
	if err := d.saveMemory(ctx, now); err != nil {
		r.mu.Lock()
		before.Rev = r.mem.Rev + 1
		r.mem = before
		r.mu.Unlock()
		return nil, webError(err)
	}
	aside := []memory.Aside{}
	for _, name := range slices.Sorted(maps.Keys(w.Resins)) {
		if learnt := memory.Learn(w.Resins[name], &m, r.board); learnt != nil {
			aside = append(aside, learnt.Aside...)
		}
	}
	d.RequestEvaluation()
	return &MemoryTaken{board, coats, shared, aside}, nil
}
