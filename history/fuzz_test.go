// SPDX-License-Identifier: Apache-2.0

package history

import (
	"bytes"
	"encoding/binary"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func recs(t *rapid.T) []rec {
	n := rapid.IntRange(0, 400).Draw(t, "n")
	step := rapid.Int64Range(1, 600_000).Draw(t, "step")
	jitter := rapid.Int64Range(0, 50).Draw(t, "jitter")
	wild := rapid.Bool().Draw(t, "wild")
	c := rec{t: rapid.Int64Range(0, maxTime).Draw(t, "t0"), seq: rapid.Int64Range(0, 1<<50).Draw(t, "seq0")}
	c.has = uint8(rapid.IntRange(1, 7).Draw(t, "has"))
	out := make([]rec, n)
	for i := range out {
		c.t += step
		if jitter > 0 {
			c.t += rapid.Int64Range(0, jitter).Draw(t, "j")
		}
		c.seq += rapid.Int64Range(1, 20).Draw(t, "ds")
		if rapid.IntRange(0, 20).Draw(t, "flip") == 0 {
			c.has = uint8(rapid.IntRange(1, 7).Draw(t, "has"))
		}
		r := c
		for k := range r.q {
			if wild {
				c.q[k] = rapid.Int32().Draw(t, "q")
			} else {
				c.q[k] += int32(rapid.IntRange(-20, 20).Draw(t, "dq"))
			}
			r.q[k] = c.q[k]
			if r.has&(1<<k) == 0 {
				r.q[k] = 0 // what is absent has no value
			}
		}
		out[i] = r
	}
	return out
}

// Whatever goes into a pack comes out of it, and never reads past its end.
func TestPackRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := recs(t)
		name := rapid.StringN(0, 40, 200).Draw(t, "name")
		b := pack(name, want)
		gotName, got, err := unpack(b)
		if err != nil || gotName != name || !slices.Equal(got, want) {
			t.Fatalf("unpack = %q, %d readings, %v; want %q, %d", gotName, len(got), err, name, len(want))
		}
		if len(b) > 0 {
			if _, _, err := unpack(b[:len(b)-1]); err == nil {
				t.Fatal("a pack cut short is taken")
			}
		}
		if _, _, err := unpack(append(slices.Clone(b), 0)); err == nil {
			t.Fatal("a pack with a byte too many is taken")
		}
	})
}

// The rows that wait in the tail, likewise.
func TestTailRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var want []pend
		for _, r := range recs(t) {
			want = append(want, pend{rapid.Int64Range(0, maxProbes-1).Draw(t, "idx"), r})
		}
		for id := int64(3); len(want) > 0; id++ {
			r := makeTailRow(id, want)
			got, err := decodeTailRow(id, r.body)
			if err != nil || len(got) == 0 || !slices.Equal(got, want[:len(r.has)]) || len(r.body) != tailSize {
				t.Fatalf("decode = %d readings, %v; want %d in %d bytes", len(got), err, len(r.has), tailSize)
			}
			want = want[len(got):]
		}
	})
}

// rounds16 are rounds of sixteen probes every ten seconds, read a few
// milliseconds late, as the daemon takes them.
func rounds16(rounds int) (b []pend) {
	for n := range rounds {
		for i := range int64(16) {
			t := day.UnixMilli() + int64(n)*10_000 + int64(n*7%5) + i/4
			b = append(b, pend{i, rec{t: t, seq: 1000 + int64(len(b)), q: [3]int32{6000 + 25*int32(i) + 25*int32((n+int(i))%2)}, has: 1}})
		}
	}
	return b
}

// Rows of earlier versions wait in stores that are upgraded.
func TestTailRowOfVersion1(t *testing.T) {
	want := append(rounds16(3), pend{40, rec{t: day.UnixMilli() - 5, seq: 2000, q: [3]int32{0, 55, 800}, has: 6}})
	// As version 1 wrote it: every reading in full, less the one before.
	x := binary.AppendUvarint([]byte{1}, uint64(len(want)))
	seq, at := want[0].seq, int64(0)
	last := map[int64]rec{}
	for _, p := range want {
		l := last[p.idx]
		x = binary.AppendUvarint(x, uint64(p.idx)<<3|uint64(p.has))
		x = binary.AppendVarint(x, p.seq-seq)
		x = binary.AppendVarint(x, p.t-at)
		for k := range 3 {
			if p.has&(1<<k) != 0 {
				x = binary.AppendVarint(x, int64(p.q[k])-int64(l.q[k]))
				l.q[k] = p.q[k]
			}
		}
		last[p.idx] = l
		seq, at = p.seq, p.t
	}
	got, err := decodeTailRow(want[0].seq, x)
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("%d readings, %v; want %d", len(got), err, len(want))
	}
}

func FuzzUnpack(f *testing.F) {
	f.Add(pack("shed-air", []rec{{t: 1, seq: 1, q: [3]int32{1}, has: 1}}))
	f.Add(pack("p", []rec{{t: 1, seq: 1, q: [3]int32{1, 5}, has: 3}, {t: 11, seq: 3, q: [3]int32{2}, has: 1}, {t: 20, seq: 4, q: [3]int32{0, 0, 9}, has: 4}}))
	f.Add([]byte{packVersion, 0xff, 0xff, 0xff, 0x0f, 0})
	f.Fuzz(func(t *testing.T, b []byte) {
		name, rs, err := unpack(b)
		if err != nil {
			if len(rs) != 0 {
				t.Fatal("readings beside an error")
			}
			return
		}
		// What is read as a pack can be packed again and read the same.
		n2, r2, err := unpack(pack(name, rs))
		if err != nil || n2 != name || !slices.Equal(r2, rs) {
			t.Fatalf("packed again: %v", err)
		}
	})
}

func FuzzTailRow(f *testing.F) {
	f.Add(makeTailRow(7, []pend{{0, rec{t: 5, seq: 7, q: [3]int32{1}, has: 1}}, {3, rec{t: 2, seq: 9, q: [3]int32{0, 4}, has: 2}}}).body)
	f.Fuzz(func(t *testing.T, b []byte) {
		if ps, err := decodeTailRow(0, b); err != nil && ps != nil {
			t.Fatal("readings beside an error")
		}
	})
}

// FuzzSalvage feeds arbitrary bytes as database and log to the reader of
// damaged files: it may find nothing, but it must end.
func FuzzSalvage(f *testing.F) {
	page := make([]byte, pageSize)
	page[0] = 0x0d
	page[4] = 1
	page[8], page[9] = 0x03, 0xf0
	f.Add(page, []byte{})
	f.Add([]byte("SQLite format 3\x00"), []byte{0x37, 0x7f, 0x06, 0x82})
	f.Fuzz(func(t *testing.T, db, wal []byte) {
		// The fuzzer's bytes repeated, so that there are whole pages.
		for len(db) > 0 && len(db) < 3*pageSize {
			db = append(db, db...)
		}
		r := rawPages{file: bytes.NewReader(db), len: int64(len(db)), size: pageSize}
		if _, err := salvage(r, wal, func(int64, []byte) error { return nil }); err != nil {
			t.Fatal(err)
		}
		tailNews(r, readWAL(wal, pageSize))
	})
}
