// SPDX-License-Identifier: Apache-2.0

package influx

import (
	"strings"
	"testing"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api/write"
	lp "github.com/influxdata/line-protocol"
)

// Whatever a probe, a subject or a sentence is called, what is sent is one
// line, and InfluxData's own parser of the line protocol reads the same tags,
// fields and time out of it.
func FuzzPoint(f *testing.F) {
	f.Add("panel-1", "the clock stepped", 17.25)
	f.Add("a,b=c d\\", "two\nlines \"quoted\" \\", -0.5)
	f.Add("0", "\r", 588.9375) // ended the line
	f.Add("x\r\nreading,probe=y temp_c=1 1", "\x00\xff", 1e300)
	f.Fuzz(func(t *testing.T, subject, text string, v float64) {
		if v != v || v-v != 0 {
			return // a missing value is no field at all
		}
		at := time.Unix(1760083200, 123000000)
		p := (&Sender{tags: map[string]string{"shop": "shed"}}).point(Point{
			Measurement: MEvent, Tags: map[string]string{"subject": subject}, Fields: map[string]any{"text": text, "v": v}, At: at,
		})
		line := write.PointToLineProtocol(p, time.Millisecond)
		ms, err := lp.NewParser(lp.NewMetricHandler()).Parse([]byte(line))
		if err != nil || len(ms) != 1 {
			t.Fatalf("%q: %d points, %v", line, len(ms), err)
		}
		tags, fields := map[string]string{}, map[string]any{}
		for _, x := range ms[0].TagList() {
			tags[x.Key] = x.Value
		}
		for _, x := range ms[0].FieldList() {
			fields[x.Key] = x.Value
		}
		want := clean(subject)
		if ms[0].Name() != MEvent || tags["shop"] != "shed" || tags["subject"] != want {
			t.Errorf("%q: name %q, tags %v; want subject %q", line, ms[0].Name(), tags, want)
		}
		n := 1
		if want != "" {
			n = 2
		}
		if len(tags) != n {
			t.Errorf("%q: tags %v, want %d", line, tags, n)
		}
		// The same words, on one line.
		text = strings.Map(func(r rune) rune {
			if r < ' ' || r >= 0x7f && r < 0xa0 {
				return ' '
			}
			return r
		}, strings.ToValidUTF8(text, "\uFFFD"))
		if strings.Count(line, "\n") != 1 {
			t.Errorf("%q is not one line", line)
		}
		if fields["text"] != text || fields["v"] != v || len(fields) != 2 {
			t.Errorf("%q: fields %v, want %q and %g", line, fields, text, v)
		}
	})
}
