// SPDX-License-Identifier: Apache-2.0

package web

import (
	"bytes"
	"hash/maphash"
	"math"
	"mime"
	"net/http"
	"os"
	"runtime"
	"runtime/metrics"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"github.com/klauspost/compress/gzip"
)

// kind is a metric's type, as both formats write it.
type kind string

const (
	gaugeKind     kind = "gauge"
	counterKind   kind = "counter"
	histogramKind kind = "histogram"
)

// Durations counts how long something took, s, for a histogram. It is safe for
// concurrent use.
type Durations struct {
	mu     sync.Mutex
	counts []uint64 // by bucket, the last for what is longer than all
	sum    float64
}

// Observe counts one, s.
func (d *Durations) Observe(seconds float64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.counts == nil {
		d.counts = make([]uint64, len(durationBuckets)+1)
	}
	i, _ := slices.BinarySearch(durationBuckets, seconds)
	d.counts[i]++
	d.sum += seconds
}

// exposition is one answer to a scrape: the text format 0.0.4 of Prometheus
// (its documentation, "Exposition formats") or OpenMetrics 1.0.0.
type exposition struct {
	open    bool // OpenMetrics
	lines   []byte
	samples []sample
	given   map[uint64]bool // series by their sum
	twice   []string        // series that were given a second time
}

// sample is one line, or several of a histogram: lines[from:to].
type sample struct {
	*family
	from, to int
}

// A board's scrape, with room.
const (
	usualText    = 48 << 10
	usualSamples = 640
)

func newExposition(open bool) *exposition {
	return &exposition{open: open, lines: make([]byte, 0, usualText), samples: make([]sample, 0, usualSamples), given: make(map[uint64]bool, usualSamples)}
}

// seriesSeed begins the sums of series.
var seriesSeed = maphash.MakeSeed()

// put gives one value of a family, with the values of its labels in order.
// What is no number is no measurement.
func (e *exposition) put(f *family, x float64, labels ...string) {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return
	}
	from := len(e.lines)
	b := append(e.lines, f.name...)
	sep := byte('{')
	for _, i := range f.order {
		b = append(b, sep)
		sep = ','
		b = append(append(b, f.labels[i]...), `="`...)
		b = append(appendLabel(b, labels[i]), '"')
	}
	if len(f.order) > 0 {
		b = append(b, '}')
	}
	// A series that is there twice would cost the whole scrape.
	sum := maphash.Bytes(seriesSeed, b[from:])
	if e.given[sum] {
		e.twice = append(e.twice, string(b[from:]))
		e.lines = b[:from]
		return
	}
	e.given[sum] = true
	e.lines = append(e.number(append(b, ' '), x), '\n')
	e.samples = append(e.samples, sample{f, from, len(e.lines)})
}

// appendLabel writes a label's value as the format wants it.
func appendLabel(b []byte, s string) []byte {
	for i := range len(s) {
		if c := s[i]; c >= utf8.RuneSelf || c < ' ' || c == '\\' || c == '"' || i == maxLabel {
			return append(b, escapeLabel.Replace(clean(s))...)
		}
	}
	return append(b, s...)
}

// number writes a value; OpenMetrics wants whole ones to look like floats.
func (e *exposition) number(b []byte, x float64) []byte {
	at := len(b)
	if n := int64(x); float64(n) == x && n > 0 && n < 1e6 || x == 0 && !math.Signbit(x) {
		b = strconv.AppendInt(b, n, 10) // as AppendFloat writes it
	} else {
		b = strconv.AppendFloat(b, x, 'g', -1, 64)
	}
	if e.open && !bytes.ContainsAny(b[at:], ".e") {
		b = append(b, ".0"...)
	}
	return b
}

func (e *exposition) histogram(f *family, d *Durations) {
	d.mu.Lock()
	defer d.mu.Unlock()
	from, b := len(e.lines), e.lines
	n := uint64(0)
	for i := range len(durationBuckets) + 1 {
		if d.counts != nil {
			n += d.counts[i]
		}
		b = append(append(b, f.name...), `_bucket{le="`...)
		if i < len(durationBuckets) {
			b = e.number(b, durationBuckets[i])
		} else {
			b = append(b, "+Inf"...)
		}
		b = append(strconv.AppendUint(append(b, `"} `...), n, 10), '\n')
	}
	b = append(e.number(append(append(b, f.name...), "_sum "...), d.sum), '\n')
	b = append(strconv.AppendUint(append(append(b, f.name...), "_count "...), n, 10), '\n')
	e.lines, e.samples = b, append(e.samples, sample{f, from, len(b)})
}

var (
	escapeLabel = strings.NewReplacer(`\`, `\\`, "\n", `\n`, `"`, `\"`)
	escapeHelp  = strings.NewReplacer(`\`, `\\`, "\n", `\n`)
)

// text is all families that have a value, in the order of their names.
func (e *exposition) text() []byte {
	slices.SortStableFunc(e.samples, func(a, b sample) int {
		if a.family == b.family {
			return 0
		}
		return strings.Compare(a.name, b.name)
	})
	b := make([]byte, 0, len(e.lines)+usualText/2)
	var of *family
	for _, s := range e.samples {
		if of != s.family {
			of = s.family
			name, help := of.name, escapeHelp
			if e.open { // the name without what a counter's samples end in
				name, help = strings.TrimSuffix(name, "_total"), escapeLabel
			}
			b = append(append(append(b, "# HELP "...), name...), ' ')
			b = append(append(b, help.Replace(of.help)...), "\n# TYPE "...)
			b = append(append(append(append(b, name...), ' '), of.kind...), '\n')
		}
		b = append(b, e.lines[s.from:s.to]...)
	}
	if e.open {
		b = append(b, "# EOF\n"...)
	}
	return b
}

// wantsOpenMetrics reports whether the Accept header has it before plain text.
func wantsOpenMetrics(accept string) bool {
	open, plain := 0., 0.
	for _, part := range strings.Split(accept, ",") {
		is, params, err := mime.ParseMediaType(part)
		if err != nil {
			continue
		}
		q := 1.
		if x, err := strconv.ParseFloat(params["q"], 64); err == nil {
			q = x
		}
		switch is {
		case "application/openmetrics-text":
			open = max(open, q)
		case "text/plain":
			plain = max(plain, q)
		}
	}
	return open > 0 && open >= plain
}

// compressed is text by gzip. A scrape comes several times a minute for years, and
// the standard library's takes 800 kB to begin one.
func compressed(text []byte) []byte {
	var b bytes.Buffer
	w, _ := gzip.NewWriterLevel(&b, gzip.StatelessCompression)
	_, _ = w.Write(text) // into memory, which does not fail
	_ = w.Close()
	return b.Bytes()
}

// newMetrics returns the handler of /metrics.
func (s *Server) newMetrics() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		e := newExposition(wantsOpenMetrics(r.Header.Get("Accept")))
		s.collect(e)
		e.histogram(mTook, &s.took)
		e.histogram(mEstTook, s.b.EstimateDurations())
		ofProcess(e)
		if len(e.twice) > 0 {
			s.complain("scrape", "given twice: "+strings.Join(e.twice, ", "))
		}
		h := w.Header()
		h.Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
		if e.open {
			h.Set("Content-Type", "application/openmetrics-text; version=1.0.0; charset=utf-8")
		}
		h.Add("Vary", "Accept, Accept-Encoding")
		text := e.text()
		if acceptsGzip(r) {
			text = compressed(text)
			h.Set("Content-Encoding", "gzip")
		}
		h.Set("Content-Length", strconv.Itoa(len(text)))
		if r.Method != http.MethodHead {
			w.Write(text)
		}
	})
}

// What every program says of itself, by the names that its scrapers know. They
// are not ours and stand in no list of ours.
var (
	goInfo     = makeFamily(gaugeKind, "go_info", "Information about the Go environment.", "version")
	goRoutines = makeFamily(gaugeKind, "go_goroutines", "Number of goroutines that currently exist.")
	goHeap     = makeFamily(gaugeKind, "go_memstats_heap_alloc_bytes", "Bytes of the heap that are in use.")
	goSys      = makeFamily(gaugeKind, "go_memstats_sys_bytes", "Bytes that the Go runtime holds.")
	goCycles   = makeFamily(counterKind, "go_gc_cycles_total", "Collections of garbage since the start.")
	procCPU    = makeFamily(counterKind, "process_cpu_seconds_total", "Total user and system CPU time spent in seconds.")
	procRSS    = makeFamily(gaugeKind, "process_resident_memory_bytes", "Resident memory size in bytes.")
	procVM     = makeFamily(gaugeKind, "process_virtual_memory_bytes", "Virtual memory size in bytes.")
	procStart  = makeFamily(gaugeKind, "process_start_time_seconds", "Start time of the process since unix epoch in seconds.")
	procFiles  = makeFamily(gaugeKind, "process_open_fds", "Number of open file descriptors.")
)

var processStart = time.Now()

func ofProcess(e *exposition) {
	e.put(goInfo, 1, runtime.Version())
	e.put(procStart, float64(processStart.UnixMilli())/1e3)
	asked := []metrics.Sample{{Name: "/sched/goroutines:goroutines"}, {Name: "/memory/classes/heap/objects:bytes"},
		{Name: "/memory/classes/total:bytes"}, {Name: "/gc/cycles/total:gc-cycles"}}
	metrics.Read(asked)
	for i, f := range []*family{goRoutines, goHeap, goSys, goCycles} {
		if v := asked[i].Value; v.Kind() == metrics.KindUint64 {
			e.put(f, float64(v.Uint64()))
		}
	}
	// proc_pid_stat(5): processor time in ticks of 1/100 s, sizes in bytes and pages.
	if b, err := os.ReadFile("/proc/self/stat"); err == nil {
		f := strings.Fields(string(b[bytes.LastIndexByte(b, ')')+1:]))
		n := func(i int) float64 {
			if i >= len(f) {
				return math.NaN()
			}
			x, err := strconv.ParseFloat(f[i], 64)
			if err != nil {
				return math.NaN()
			}
			return x
		}
		e.put(procCPU, (n(11)+n(12))/100)
		e.put(procVM, n(20))
		e.put(procRSS, n(21)*float64(os.Getpagesize()))
	}
	if fds, err := os.ReadDir("/proc/self/fd"); err == nil {
		e.put(procFiles, float64(len(fds)-1)) // one is this listing's
	}
}
