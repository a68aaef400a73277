// SPDX-License-Identifier: Apache-2.0

package web

import (
	"bufio"
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"curewright/sensors"
)

// maxPush is the most readings in one request.
const maxPush = 10_000

func (s *Server) push(w http.ResponseWriter, r *http.Request) (any, error) {
	b, err := body(w, r, maxPushBody)
	if err != nil {
		return nil, err
	}
	rs, places, refused, f := decodePush(b)
	if f != nil {
		return nil, f
	}
	if len(places)+len(refused) > maxPush {
		return nil, refuse(http.StatusRequestEntityTooLarge, "", "more than "+strconv.Itoa(maxPush)+" readings at once")
	}
	// A new probe is somebody's only where somebody is known: not on loopback
	// without a log-in, where a proxy's strangers may be, nor with a token that
	// may push and nothing else.
	who := whoOf(r)
	accept := who.Board || who.Role == Control || who.ID != "" && who.Role == Record
	res, err := s.b.PushReadings(r.Context(), who, accept, rs)
	if err != nil {
		return nil, err
	}
	for i := range res.Refused {
		res.Refused[i].Index = places[res.Refused[i].Index]
	}
	res.Refused = orEmpty(append(res.Refused, refused...))
	slices.SortStableFunc(res.Refused, func(a, b PushRefusal) int { return a.Index - b.Index })
	s.pushTaken.Add(uint64(max(res.Taken, 0)))
	s.pushRefused.Add(uint64(len(res.Refused)))
	return status{http.StatusAccepted, res}, nil
}

// decodePush reads an array of readings. One that is not written as a reading
// is refused for itself, beside those that are: a bridge speaks for many
// probes, and the fault of one is that one's. Where none is, or the body is no
// array at all, the faults come back with their places. places are the
// readings' own in the body.
func decodePush(b []byte) (rs []PushReading, places []int, refused []PushRefusal, f Faults) {
	if f = jsonText(b); f != nil {
		return nil, nil, nil, f
	}
	c := checker{b: b}
	if c.next() != '[' {
		what := "want an array"
		if c.next() == 'n' {
			what += " of readings"
		}
		return nil, nil, nil, Faults{{Field: "", What: what}}
	}
	t := reflect.TypeFor[PushReading]()
	var all Faults
	var good []byte // the array without what is refused; nil while that is nothing
	c.each(false, func(_ []byte, i int) {
		if i > maxPush {
			c.skip() // too many: the caller says so
			return
		}
		begin := c.i
		if c.value(nil, t); len(c.faults) == 0 {
			if good != nil && len(places) > 0 {
				good = append(good, ',')
			}
			if good != nil {
				good = append(good, b[begin:c.i]...)
			}
			places = append(places, i)
			return
		}
		if good == nil {
			good = bytes.Clone(bytes.TrimRight(b[:begin], ", \n\t\r"))
		}
		why := make([]string, len(c.faults))
		for k, x := range c.faults {
			why[k] = x.What
			if x.Field != "" {
				why[k] = x.Field + ": " + x.What
				x.Field = "." + x.Field
			}
			if len(all) < maxFaults {
				all = append(all, Fault{Field: fmt.Sprintf("[%d]%s", i, x.Field), What: x.What})
			}
		}
		c.faults = nil
		var who struct {
			Probe any `json:"probe"`
		}
		json.Unmarshal(b[begin:c.i], &who) // no object, no name
		name, _ := who.Probe.(string)
		refused = append(refused, PushRefusal{Index: i, Probe: short(name), Why: strings.Join(why, "; ")})
	})
	if len(places) == 0 && len(refused) > 0 {
		return nil, nil, nil, all
	}
	if good != nil {
		b = append(good, ']')
	}
	if err := json.Unmarshal(b, &rs); err != nil {
		return nil, nil, nil, Faults{{Field: "", What: err.Error()}}
	}
	return rs, places, refused, nil
}

// defaultGap is how long without a reading counts as a gap where the probe's
// own limit is not known.
const defaultGap = 10 * time.Minute

// readings streams one probe's readings without ever holding them.
func (s *Server) readings(w http.ResponseWriter, r *http.Request) (any, error) {
	q := newQuery(r, "probe", "from", "to", "max", "format")
	probe := q.text("probe")
	if probe == "" {
		q.bad("probe", "required")
	}
	now := s.b.Now()
	from, to := q.timeOr("from", now.Add(-24*time.Hour)), q.timeOr("to", now)
	if to.Before(from) {
		q.bad("to", "is before from")
	}
	thin := q.whole("max", 0, 8, 100_000)
	format := q.text("format")
	if format != "" && format != "json" && format != "csv" {
		q.bad("format", "want json or csv")
	}
	if err := q.err(); err != nil {
		return nil, err
	}
	hs, err := s.b.Probes(r.Context())
	if err != nil {
		return nil, err
	}
	gap := defaultGap
	i := slices.IndexFunc(hs, func(h sensors.Health) bool { return h.Probe == probe })
	if i >= 0 && hs[i].Stale > 0 {
		gap = hs[i].Stale
	}
	out := newRowWriter(w, format == "csv", probe)
	if r.Method == http.MethodHead {
		out.start()
		return nil, nil
	}
	return s.work(w, r, s.pour, pourFor, func(ctx context.Context) (any, error) {
		yield := out.row
		var t *thinner
		if thin > 0 {
			t = newThinner(from, to, thin, gap, out.row)
			yield = t.add
		}
		err := s.b.Readings(ctx, probe, from, to, yield)
		if err == nil && t != nil {
			t.flush()
		}
		switch {
		case err != nil && !out.started:
			return nil, err
		case err == nil && !out.started && i < 0:
			return nil, refuse(http.StatusNotFound, "probe", "no probe "+short(probe))
		case err != nil && ctx.Err() == nil && !errors.Is(err, context.Canceled):
			s.complain("stream readings", err.Error(), "probe", probe)
		}
		// Half an answer must not look like a whole one.
		if err != nil || out.err != nil || out.close() != nil {
			panic(http.ErrAbortHandler)
		}
		return nil, nil
	})
}

// rowWriter writes readings one by one as JSON or as CSV in the header that
// replay takes.
type rowWriter struct {
	w       http.ResponseWriter
	rc      *http.ResponseController
	buf     *bufio.Writer
	csv     *csv.Writer
	probe   string
	started bool
	n       int
	err     error
}

func newRowWriter(w http.ResponseWriter, asCSV bool, probe string) *rowWriter {
	o := &rowWriter{w: w, rc: http.NewResponseController(w), probe: probe}
	o.buf = bufio.NewWriterSize(w, 16<<10)
	if asCSV {
		o.csv = csv.NewWriter(o.buf)
	}
	return o
}

func (o *rowWriter) start() {
	if o.started {
		return
	}
	o.started = true
	if o.csv != nil {
		o.w.Header().Set("Content-Type", "text/csv; charset=utf-8")
		o.w.Header().Set("Content-Disposition", `attachment; filename="`+fileName(o.probe)+`.csv"`)
		o.csv.Write([]string{"time", "probe", "temp_c", "rh_pct", "co2_ppm"})
		return
	}
	o.w.Header().Set("Content-Type", "application/json")
	p, _ := json.Marshal(o.probe)
	io.WriteString(o.buf, `{"probe":`+string(p)+`,"readings":[`)
}

func (o *rowWriter) row(r sensors.Reading) bool {
	o.start()
	if o.n%1000 == 0 {
		o.rc.SetWriteDeadline(time.Now().Add(writeTimeout)) // each stretch has its own limit
	}
	o.n++
	at := r.At.Format(time.RFC3339Nano)
	if o.csv != nil {
		probe := o.probe
		// A spreadsheet runs what begins like a formula.
		if probe != "" && strings.IndexByte("=+-@", probe[0]) >= 0 {
			probe = "'" + probe
		}
		o.err = o.csv.Write([]string{at, probe, cell(r.Temp, ""), cell(r.RH, ""), cell(r.CO2, "")})
		return o.err == nil
	}
	if o.n > 1 {
		o.buf.WriteByte(',')
	}
	_, o.err = io.WriteString(o.buf, "\n"+`{"time":"`+at+`","temp_c":`+cell(r.Temp, "null")+`,"rh_pct":`+cell(r.RH, "null")+`,"co2_ppm":`+cell(r.CO2, "null")+`}`)
	return o.err == nil
}

func (o *rowWriter) close() error {
	o.start()
	if o.csv != nil {
		o.csv.Flush()
	} else {
		io.WriteString(o.buf, "]}\n")
	}
	return o.buf.Flush()
}

// cell is a value, or what stands for one that is missing.
func cell(v sensors.Value, missing string) string {
	if x, ok := v.Get(); ok {
		return strconv.FormatFloat(x, 'f', -1, 64)
	}
	return missing
}

// thinner passes on at most a given number of readings, for a chart. Of each
// stretch of time it keeps the readings with the lowest and highest
// temperature and humidity, so that no peak is lost, and where readings are
// missing for longer than gap it puts a row with no values, so that a chart
// breaks its line there.
type thinner struct {
	from  time.Time
	width time.Duration
	gap   time.Duration
	out   func(sensors.Reading) bool

	bucket int64
	have   bool
	keep   [4]sensors.Reading // lowest and highest temperature, humidity
	has    [4]bool
	last   time.Time
	gaps   int
	stop   bool
}

func newThinner(from, to time.Time, n int, gap time.Duration, out func(sensors.Reading) bool) *thinner {
	// Four readings a stretch at the most, and one row for a gap beside them.
	stretches := max(1, n/5)
	width := to.Sub(from)/time.Duration(stretches) + 1
	return &thinner{from: from, width: width, gap: gap, out: out, gaps: stretches}
}

func (t *thinner) add(r sensors.Reading) bool {
	if t.stop {
		return false
	}
	b := int64(r.At.Sub(t.from) / t.width)
	broken := !t.last.IsZero() && r.At.Sub(t.last) > t.gap
	if t.have && (b != t.bucket || broken && t.gaps > 0) {
		t.flush()
	}
	if broken && t.gaps > 0 {
		t.gaps--
		t.emit(sensors.Reading{Probe: r.Probe, At: t.last.Add(r.At.Sub(t.last) / 2)})
	}
	t.bucket, t.have, t.last = b, true, r.At
	for i, v := range [4]sensors.Value{r.Temp, r.Temp, r.RH, r.RH} {
		x, ok := v.Get()
		if !ok {
			continue
		}
		old := [4]sensors.Value{t.keep[i].Temp, t.keep[i].Temp, t.keep[i].RH, t.keep[i].RH}[i].OrNaN()
		if !t.has[i] || (i%2 == 0 && x < old) || (i%2 == 1 && x > old) || math.IsNaN(old) {
			t.keep[i], t.has[i] = r, true
		}
	}
	return !t.stop
}

// flush passes on what the current stretch kept, in order of time.
func (t *thinner) flush() {
	var rows []sensors.Reading
	for i, r := range t.keep {
		if t.has[i] && !slices.ContainsFunc(rows, func(o sensors.Reading) bool { return o.At.Equal(r.At) }) {
			rows = append(rows, r)
		}
	}
	slices.SortFunc(rows, func(a, b sensors.Reading) int { return a.At.Compare(b.At) })
	for _, r := range rows {
		t.emit(r)
	}
	t.have, t.has = false, [4]bool{}
}

func (t *thinner) emit(r sensors.Reading) {
	if !t.stop && !t.out(r) {
		t.stop = true
	}
}
