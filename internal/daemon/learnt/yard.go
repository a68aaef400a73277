// SPDX-License-Identifier: Apache-2.0

package learnt

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"curewright/history/forward/mqtt"
	"curewright/internal/daemon/mqttlink"
	"curewright/model/memory"
	"curewright/model/words"
)

// Yard sends to the boards of a yard what this one learnt of its lots, and takes what
// they send, if [memory] share allows both. The message is the file of `memory export
// --lots`, retained at the broker under this board's own topic; with people it also
// has the coats themselves.
type Yard struct {
	r       *Memory
	base    string // of every board's topic
	publish func(ctx context.Context, topic string, body []byte) error
	count   func(reason string) // of a message, "" for one that was taken

	in  chan yardWord // messages that wait to be read
	due chan struct{} // something may have to be sent

	mu   sync.Mutex
	told [sha256.Size]byte // hash of the message that the broker has
	said map[string]yardSaid
}

type yardWord struct {
	board string
	body  []byte
}

type yardSaid struct {
	at      time.Time
	trouble string
}

// MemoryYard is another board of the yard: what it sent last, and why that was set
// aside, if it was.
type MemoryYard struct {
	Board   string    `json:"board"`
	At      time.Time `json:"at"`
	Trouble string    `json:"trouble,omitempty"`
}

// toldKey is the setting that notes that the broker holds this board's message, so
// that it is removed when the consent ends.
const toldKey = "memory-told"

// mostWaiting bounds the messages that wait: one a board, of a yard.
const mostWaiting = 32

// yardLessons is the most lessons of this board in a message that names people.
const yardLessons = 60

// NewYard is the way of a memory to the yard's boards, whose topics begin with
// base. publish stores a message at the broker; count counts those that come.
func NewYard(r *Memory, base string, publish func(ctx context.Context, topic string, body []byte) error, count func(reason string)) *Yard {
	r.yard = &Yard{r: r, base: base + "/yard/memory/", publish: publish, count: count,
		in: make(chan yardWord, mostWaiting), due: make(chan struct{}, 1), said: map[string]yardSaid{}}
	return r.yard
}

func (y *Yard) on() bool { return y.r.o.Section.Share }

// Filters are the topics that the link subscribes to for it.
func (y *Yard) Filters() []mqttlink.Filter {
	if !y.on() {
		return nil
	}
	return []mqttlink.Filter{{Topic: y.base + "+", Place: "memory.share", Stored: true}}
}

// Handle takes a message if it is the yard's, and reports whether it was. It
// does not block.
func (y *Yard) Handle(topic string, body []byte) bool {
	board, ok := strings.CutPrefix(topic, y.base)
	if !ok || !y.on() {
		return false
	}
	if board != y.r.board {
		select {
		case y.in <- yardWord{board, slices.Clone(body)}:
		default:
			y.count("yard_busy")
		}
	}
	return true
}

// wake makes Run send what was learnt, if it differs from what was sent.
func (y *Yard) wake() {
	select {
	case y.due <- struct{}{}:
	default:
	}
}

// Connected is called when the connection came up: the broker's message may be older or
// lost.
func (y *Yard) Connected() {
	y.mu.Lock()
	y.told = [sha256.Size]byte{}
	y.mu.Unlock()
	y.wake()
}

// Run takes messages and sends changes until ctx ends.
func (y *Yard) Run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case w := <-y.in:
			y.take(ctx, w)
		case <-y.due:
			if err := y.tell(ctx); err != nil && ctx.Err() == nil && !errors.Is(err, mqttlink.ErrDown) {
				y.r.o.Log.Warn("what was learnt of the lots is not told to the yard", "err", err)
			}
		}
	}
}

// tell stores at the broker what this board learnt, or removes its message after the
// consent has ended.
func (y *Yard) tell(ctx context.Context) error {
	r := y.r
	topic := y.base + mqtt.Level(r.board)
	var was string
	r.o.Store.ReadSetting(toldKey, &was)
	if !y.on() {
		if was == "" {
			return nil
		}
		if err := y.publish(ctx, was, nil); err != nil {
			return err
		}
		return r.o.Store.WriteSetting(ctx, toldKey, "")
	}
	m, err := r.yardMemory(ctx)
	if err != nil || len(m.Shared) == 0 && len(m.Lessons) == 0 && was == "" {
		return err
	}
	body, err := json.Marshal(m)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(body)
	y.mu.Lock()
	same := y.told == sum
	y.mu.Unlock()
	if same {
		return nil
	}
	b, err := memory.Write(m, r.board, r.o.Now())
	if err != nil {
		return err
	}
	var small bytes.Buffer // one line: the file is for people too, this is not
	if err := json.Compact(&small, b); err != nil {
		return err
	}
	if was != topic {
		// Note it first and send it then, so that it is always found and removed later.
		if err := r.o.Store.WriteSetting(ctx, toldKey, topic); err != nil {
			return err
		}
	}
	if err := y.publish(ctx, topic, small.Bytes()); err != nil {
		return err
	}
	y.mu.Lock()
	y.told = sum
	y.mu.Unlock()
	return nil
}

// yardMemory is what this board sends: of its own coats only.
func (r *Memory) yardMemory(ctx context.Context) (*memory.Memory, error) {
	w, err := r.o.Work(ctx)
	if err != nil {
		return nil, err
	}
	if !r.o.Section.People {
		return &memory.Memory{Shared: r.sharedLots(w)}, nil
	}
	m := &memory.Memory{}
	for _, l := range r.now().Lessons {
		if l.Board == r.board && l.Teaches {
			m.Lessons = append(m.Lessons, l)
		}
	}
	slices.SortStableFunc(m.Lessons, func(a, b memory.Lesson) int { return a.Applied.Compare(b.Applied) })
	m.Lessons = m.Lessons[max(len(m.Lessons)-yardLessons, 0):]
	return m, nil
}

// take takes another board's message. One that can't be read, or is about a third
// board, is reported once and set aside, and what that board sent before stays.
func (y *Yard) take(ctx context.Context, w yardWord) {
	r := y.r
	say := func(trouble string) {
		y.mu.Lock()
		was := y.said[w.board]
		if _, ok := y.said[w.board]; ok || len(y.said) < mostWaiting {
			y.said[w.board] = yardSaid{r.o.Now(), trouble}
		}
		y.mu.Unlock()
		if trouble != "" && trouble != was.trouble {
			r.o.Log.Warn("what a board of the yard told is set aside", "board", w.board, "why", trouble)
		}
	}
	if len(w.body) == 0 { // an empty message: it takes its message back
		if r.takeBack(w.board) {
			r.keep(ctx)
			r.o.News()
		}
		y.mu.Lock()
		delete(y.said, w.board)
		y.mu.Unlock()
		return
	}
	in, board, err := memory.Read(w.body)
	if err == nil {
		err = onlyOf(in, board, w.board)
	}
	if err != nil {
		y.count("yard_memory")
		say(asideWords(err))
		return
	}
	y.count("")
	if !r.news(in) {
		say("")
		return
	}
	took, err := r.takeIn(ctx, in, board)
	if err != nil {
		say(strings.Join(strings.Fields(err.Error()), " "))
		return
	}
	trouble := ""
	for _, a := range took.Aside {
		if a.Board == board || a.Against == board {
			trouble = words.View{}.Say("memory.aside.opposite", words.Facts{"resin": a.Resin, "lot": cmp.Or(a.Lot, "–")})
			break
		}
	}
	say(trouble)
	r.o.Store.AddEvent("memory", board, fmt.Sprintf("taken over MQTT from board %s: %d coats, %d resins' lots", board, took.Coats, took.Shared), r.o.Now(), "mqtt")
}

// errNotItsOwn is a message in which a board tells of another's coats.
var errNotItsOwn = errors.New("a board tells of its own coats only")

// onlyOf reports whether a memory is of one board alone, the one whose topic it
// came by.
func onlyOf(m *memory.Memory, board, topic string) error {
	if mqtt.Level(board) != topic {
		return fmt.Errorf("%w: board %q by the topic of %q", errNotItsOwn, board, topic)
	}
	for _, l := range m.Lessons {
		if l.Board != board {
			return fmt.Errorf("%w: coat %s of board %q", errNotItsOwn, l.Coat, l.Board)
		}
	}
	for _, s := range m.Shared {
		if s.Board != board {
			return fmt.Errorf("%w: lots of board %q", errNotItsOwn, s.Board)
		}
	}
	return nil
}

// news reports whether a memory differs from what is known already: retained messages
// come again with every connection.
func (r *Memory) news(in *memory.Memory) bool {
	same := func(a, b any) bool {
		x, err1 := json.Marshal(a)
		y, err2 := json.Marshal(b)
		return err1 == nil && err2 == nil && string(x) == string(y)
	}
	have := r.now()
	for _, l := range in.Lessons {
		if !slices.ContainsFunc(have.Lessons, func(x memory.Lesson) bool { return x.Key() == l.Key() && x.Of == l.Of }) {
			return true
		}
	}
	for _, s := range in.Shared {
		if !slices.ContainsFunc(have.Shared, func(x memory.Shared) bool { return x.Resin == s.Resin && x.Board == s.Board && same(x, s) }) {
			return true
		}
	}
	return false
}

// takeBack forgets what a board sent of its lots.
func (r *Memory) takeBack(board string) bool {
	told := func(s memory.Shared) bool { return s.Board == board }
	if !slices.ContainsFunc(r.now().Shared, told) {
		return false
	}
	r.edit(func(m *memory.Memory) {
		m.Shared = slices.DeleteFunc(m.Shared, told)
		m.Rev++
	})
	return true
}

// boards are the boards of the yard that were heard.
func (y *Yard) boards() []MemoryYard {
	y.mu.Lock()
	defer y.mu.Unlock()
	out := []MemoryYard{}
	for _, b := range slices.Sorted(maps.Keys(y.said)) {
		out = append(out, MemoryYard{b, y.said[b].at, y.said[b].trouble})
	}
	return out
}
