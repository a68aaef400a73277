// SPDX-License-Identifier: Apache-2.0

package history

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math"

	"curewright/sensors"
)

// ExportParquet writes readings as one Parquet file with the columns time
// (milliseconds, UTC), probe, temp_c, rh_pct, co2_ppm; missing values are
// null. It returns the number of readings.
//
// The file is of the format's version 1: plain values in one page of gzip for
// each column of each group of rows (Apache Parquet, parquet-format 2.10:
// README, Encodings, parquet.thrift). It is written here, as a library for it,
// with every encoding and codec that a reader needs, took a seventh of the
// whole program and of its memory.
func (s *Store) ExportParquet(ctx context.Context, w io.Writer, q ExportQuery) (int, error) {
	p := newParquetWriter(w)
	n, err := s.export(ctx, q, p.add)
	if err != nil {
		return n, err
	}
	if err := p.close(); err != nil {
		return n, fmt.Errorf("history: export: %w", err)
	}
	return n, nil
}

// Names of parquet.thrift.
const (
	parquetInt64, parquetDouble, parquetByteArray = 2, 5, 6
	parquetRequired, parquetOptional              = 0, 1
	parquetUTF8, parquetTimestampMillis           = 0, 9
	parquetPlain, parquetRLE                      = 0, 3
	parquetGzip                                   = 2
	parquetDataPage                               = 0
)

// parquetGroup is how many rows a group has: what is held in memory at once.
const parquetGroup = 20_000

// parquetColumn is a column's part of the group that is being filled.
type parquetColumn struct {
	name     string
	kind     int
	optional bool
	values   []byte
	defined  []byte // a bit a row, of an optional column
}

// parquetChunk is where a column's part of a group lies.
type parquetChunk struct {
	at, plain, packed int64 // offset, and bytes with the page's header
	rows              int
}

type parquetWriter struct {
	w      io.Writer
	at     int64
	cols   []parquetColumn
	rows   int // of the group that is being filled
	total  int64
	chunks [][]parquetChunk // by group and column
	zip    *gzip.Writer
}

func newParquetWriter(w io.Writer) *parquetWriter {
	return &parquetWriter{w: w, zip: gzip.NewWriter(io.Discard), cols: []parquetColumn{
		{name: "time", kind: parquetInt64}, {name: "probe", kind: parquetByteArray},
		{name: "temp_c", kind: parquetDouble, optional: true}, {name: "rh_pct", kind: parquetDouble, optional: true},
		{name: "co2_ppm", kind: parquetDouble, optional: true},
	}}
}

func (p *parquetWriter) write(b []byte) error {
	n, err := p.w.Write(b)
	p.at += int64(n)
	return err
}

func (p *parquetWriter) add(r sensors.Reading) error {
	c := p.cols
	c[0].values = binary.LittleEndian.AppendUint64(c[0].values, uint64(r.At.UnixMilli()))
	c[1].values = binary.LittleEndian.AppendUint32(c[1].values, uint32(len(r.Probe)))
	c[1].values = append(c[1].values, r.Probe...)
	for i, v := range []sensors.Value{r.Temp, r.RH, r.CO2} {
		k := &c[2+i]
		if p.rows%8 == 0 {
			k.defined = append(k.defined, 0)
		}
		if x, ok := v.Get(); ok {
			k.defined[p.rows/8] |= 1 << (p.rows % 8)
			k.values = binary.LittleEndian.AppendUint64(k.values, math.Float64bits(x))
		}
	}
	if p.rows++; p.rows == parquetGroup {
		return p.group()
	}
	return nil
}

// group writes the rows that were added since the last one.
func (p *parquetWriter) group() error {
	if p.at == 0 {
		if err := p.write([]byte("PAR1")); err != nil {
			return err
		}
	}
	if p.rows == 0 {
		return nil
	}
	var chunks []parquetChunk
	for i := range p.cols {
		c := &p.cols[i]
		var page []byte
		if c.optional {
			// Definition levels: one bit-packed run of groups of eight.
			run := binary.AppendUvarint(nil, uint64(len(c.defined))<<1|1)
			page = binary.LittleEndian.AppendUint32(page, uint32(len(run)+len(c.defined)))
			page = append(append(page, run...), c.defined...)
		}
		page = append(page, c.values...)
		var packed bytes.Buffer
		p.zip.Reset(&packed)
		if _, err := p.zip.Write(page); err != nil {
			return err
		}
		if err := p.zip.Close(); err != nil {
			return err
		}
		h := thrift{}
		h.int32(1, parquetDataPage)
		h.int32(2, len(page))
		h.int32(3, packed.Len())
		h.object(5, func() {
			h.int32(1, p.rows)
			h.int32(2, parquetPlain)
			h.int32(3, parquetRLE)
			h.int32(4, parquetRLE)
		})
		h.stop()
		chunks = append(chunks, parquetChunk{at: p.at, plain: int64(len(h.b) + len(page)), packed: int64(len(h.b) + packed.Len()), rows: p.rows})
		if err := p.write(h.b); err != nil {
			return err
		}
		if err := p.write(packed.Bytes()); err != nil {
			return err
		}
		c.values, c.defined = c.values[:0], c.defined[:0]
	}
	p.chunks = append(p.chunks, chunks)
	p.total += int64(p.rows)
	p.rows = 0
	return nil
}

// close writes what is left, and what the file holds.
func (p *parquetWriter) close() error {
	if err := p.group(); err != nil {
		return err
	}
	m := thrift{}
	m.int32(1, 1) // version
	m.list(2, thriftStruct, len(p.cols)+1)
	m.element(func() {
		m.text(4, "schema")
		m.int32(5, len(p.cols))
	})
	for _, c := range p.cols {
		m.element(func() { c.schema(&m) })
	}
	m.int64(3, p.total)
	m.list(4, thriftStruct, len(p.chunks))
	for _, g := range p.chunks {
		m.element(func() { p.describe(&m, g) })
	}
	m.text(6, "curewright")
	m.stop()
	foot := binary.LittleEndian.AppendUint32(m.b, uint32(len(m.b)))
	return p.write(append(foot, "PAR1"...))
}

func (c parquetColumn) schema(m *thrift) {
	m.int32(1, c.kind)
	repetition := parquetRequired
	if c.optional {
		repetition = parquetOptional
	}
	m.int32(3, repetition)
	m.text(4, c.name)
	switch c.kind {
	case parquetInt64:
		m.int32(6, parquetTimestampMillis)
		m.object(10, func() { // logicalType
			m.object(8, func() { // TIMESTAMP
				m.flag(1, true)                                // isAdjustedToUTC
				m.object(2, func() { m.object(1, func() {}) }) // MILLIS
			})
		})
	case parquetByteArray:
		m.int32(6, parquetUTF8)
		m.object(10, func() { m.object(1, func() {}) }) // STRING
	}
}

// describe is the RowGroup of some chunks.
func (p *parquetWriter) describe(m *thrift, g []parquetChunk) {
	size := int64(0)
	m.list(1, thriftStruct, len(g))
	for i, k := range g {
		size += k.plain
		m.element(func() {
			m.int64(2, k.at)
			m.object(3, func() {
				m.int32(1, p.cols[i].kind)
				m.list(2, thriftInt32, 2)
				m.zigzag(parquetPlain)
				m.zigzag(parquetRLE)
				m.list(3, thriftBinary, 1)
				m.bytes(p.cols[i].name)
				m.int32(4, parquetGzip)
				m.int64(5, int64(k.rows))
				m.int64(6, k.plain)
				m.int64(7, k.packed)
				m.int64(9, k.at)
			})
		})
	}
	m.int64(2, size)
	m.int64(3, int64(g[0].rows))
}

// Types of Thrift's compact protocol (Apache Thrift, thrift-compact-protocol.md).
const (
	thriftTrue, thriftFalse  = 1, 2
	thriftInt32, thriftInt64 = 5, 6
	thriftBinary             = 8
	thriftList, thriftStruct = 9, 12
)

// thrift writes one struct of Thrift's compact protocol, and those in it.
type thrift struct {
	b    []byte
	last int // number of the field before, in this struct
}

func (t *thrift) field(id, kind int) {
	t.b = append(t.b, byte((id-t.last)<<4|kind)) // no struct here skips fifteen numbers
	t.last = id
}

func (t *thrift) zigzag(x int64) { t.b = binary.AppendVarint(t.b, x) }

func (t *thrift) int32(id, x int)       { t.field(id, thriftInt32); t.zigzag(int64(x)) }
func (t *thrift) int64(id int, x int64) { t.field(id, thriftInt64); t.zigzag(x) }

func (t *thrift) flag(id int, x bool) {
	kind := thriftFalse
	if x {
		kind = thriftTrue
	}
	t.field(id, kind)
}

func (t *thrift) bytes(s string) {
	t.b = append(binary.AppendUvarint(t.b, uint64(len(s))), s...)
}

func (t *thrift) text(id int, s string) { t.field(id, thriftBinary); t.bytes(s) }

// list begins a list of n elements, which follow.
func (t *thrift) list(id, kind, n int) {
	t.field(id, thriftList)
	if n < 15 {
		t.b = append(t.b, byte(n<<4|kind))
		return
	}
	t.b = binary.AppendUvarint(append(t.b, byte(0xf0|kind)), uint64(n))
}

func (t *thrift) object(id int, fields func()) {
	t.field(id, thriftStruct)
	t.element(fields)
}

// element is a struct that has no number of its own.
func (t *thrift) element(fields func()) {
	was := t.last
	t.last = 0
	fields()
	t.stop()
	t.last = was
}

func (t *thrift) stop() { t.b = append(t.b, 0) }
