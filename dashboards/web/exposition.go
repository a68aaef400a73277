// SPDX-License-Identifier: Apache-2.0

package web

import (
	"bytes"
	"compress/gzip"
	"fmt"
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
	by      map[string]*samples
	twice   []string        // series that were given a second time
	given   map[string]bool // series by name and labels
	scratch []byte
}

type samples struct {
	family
	text []byte
}

func newExposition(open bool) *exposition {
	return &exposition{open: open, by: map[string]*samples{}, given: map[string]bool{}}
}

// put gives one value of a family, with the values of its labels in order.
// What is no number is no measurement.
func (e *exposition) put(f family, x float64, labels ...string) {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return
	}
	s := e.of(f)
	e.scratch = append(e.scratch[:0], f.name...)
	sep := byte('{')
	// In the order of their names, so that a series reads the same everywhere.
	order := make([]int, len(f.labels))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(i, j int) int { return strings.Compare(f.labels[i], f.labels[j]) })
	for _, i := range order {
		name := f.labels[i]
		e.scratch = append(e.scratch, sep)
		sep = ','
		e.scratch = append(append(e.scratch, name...), `="`...)
		e.scratch = append(append(e.scratch, escapeLabel.Replace(clean(labels[i]))...), '"')
	}
	if len(f.labels) > 0 {
		e.scratch = append(e.scratch, '}')
	}
	// A series that is there twice would cost the whole scrape.
	if e.given[string(e.scratch)] {
		e.twice = append(e.twice, string(e.scratch))
		return
	}
	e.given[string(e.scratch)] = true
	s.text = append(append(s.text, e.scratch...), ' ')
	s.text = append(e.number(s.text, x), '\n')
}

func (e *exposition) of(f family) *samples {
	s := e.by[f.name]
	if s == nil {
		s = &samples{family: f}
		e.by[f.name] = s
	}
	return s
}

// number writes a value; OpenMetrics wants whole ones to look like floats.
func (e *exposition) number(b []byte, x float64) []byte {
	at := len(b)
	b = strconv.AppendFloat(b, x, 'g', -1, 64)
	if e.open && !bytes.ContainsAny(b[at:], ".e") {
		b = append(b, ".0"...)
	}
	return b
}

func (e *exposition) histogram(f family, d *Durations) {
	s := e.of(f)
	d.mu.Lock()
	defer d.mu.Unlock()
	n := uint64(0)
	for i, le := range append(slices.Clone(durationBuckets), math.Inf(1)) {
		if d.counts != nil {
			n += d.counts[i]
		}
		edge := []byte("+Inf")
		if !math.IsInf(le, 1) {
			edge = e.number(nil, le)
		}
		s.text = fmt.Appendf(s.text, "%s_bucket{le=\"%s\"} %d\n", f.name, edge, n)
	}
	s.text = append(e.number(append(s.text, f.name+"_sum "...), d.sum), '\n')
	s.text = fmt.Appendf(s.text, "%s_count %d\n", f.name, n)
}

var (
	escapeLabel = strings.NewReplacer(`\`, `\\`, "\n", `\n`, `"`, `\"`)
	escapeHelp  = strings.NewReplacer(`\`, `\\`, "\n", `\n`)
)

// text is all families that have a value, in the order of their names.
func (e *exposition) text() []byte {
	names := make([]string, 0, len(e.by))
	for n, s := range e.by {
		if len(s.text) > 0 {
			names = append(names, n)
		}
	}
	slices.Sort(names)
	var b []byte
	for _, n := range names {
		s := e.by[n]
		help := escapeHelp.Replace(s.help)
		if e.open { // the name without what a counter's samples end in
			n = strings.TrimSuffix(n, "_total")
			help = escapeLabel.Replace(s.help)
		}
		b = fmt.Appendf(b, "# HELP %s %s\n# TYPE %s %s\n", n, help, n, s.kind)
		b = append(b, s.text...)
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
		if strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
			var b bytes.Buffer
			z := gzip.NewWriter(&b)
			z.Write(text)
			z.Close()
			text = b.Bytes()
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
	goInfo     = family{gaugeKind, "go_info", "Information about the Go environment.", []string{"version"}}
	goRoutines = family{gaugeKind, "go_goroutines", "Number of goroutines that currently exist.", nil}
	goHeap     = family{gaugeKind, "go_memstats_heap_alloc_bytes", "Bytes of the heap that are in use.", nil}
	goSys      = family{gaugeKind, "go_memstats_sys_bytes", "Bytes that the Go runtime holds.", nil}
	goCycles   = family{counterKind, "go_gc_cycles_total", "Collections of garbage since the start.", nil}
	procCPU    = family{counterKind, "process_cpu_seconds_total", "Total user and system CPU time spent in seconds.", nil}
	procRSS    = family{gaugeKind, "process_resident_memory_bytes", "Resident memory size in bytes.", nil}
	procVM     = family{gaugeKind, "process_virtual_memory_bytes", "Virtual memory size in bytes.", nil}
	procStart  = family{gaugeKind, "process_start_time_seconds", "Start time of the process since unix epoch in seconds.", nil}
	procFiles  = family{gaugeKind, "process_open_fds", "Number of open file descriptors.", nil}
)

var processStart = time.Now()

func ofProcess(e *exposition) {
	e.put(goInfo, 1, runtime.Version())
	e.put(procStart, float64(processStart.UnixMilli())/1e3)
	asked := []metrics.Sample{{Name: "/sched/goroutines:goroutines"}, {Name: "/memory/classes/heap/objects:bytes"},
		{Name: "/memory/classes/total:bytes"}, {Name: "/gc/cycles/total:gc-cycles"}}
	metrics.Read(asked)
	for i, f := range []family{goRoutines, goHeap, goSys, goCycles} {
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
