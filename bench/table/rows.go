// SPDX-License-Identifier: Apache-2.0

package main

import "time"

// stage is one run of go test, of which several rows take their figures.
type stage struct {
	key   string
	args  []string          // of go test
	short map[string]string // what the quick form has in place of an argument
	env   []string          // beside what is there
	quick []string          // beside env, in the quick form
	limit time.Duration     // a run that takes longer counts as failed
}

// command is how a person runs it.
func (s stage) command(short bool) string {
	env := s.env
	if short {
		env = append(env[:len(env):len(env)], s.quick...)
	}
	text := ""
	for _, e := range env {
		text += e + " "
	}
	text += "go test"
	for _, a := range s.arguments(short) {
		text += " " + quoted(a)
	}
	return text
}

func (s stage) arguments(short bool) (args []string) {
	for _, a := range s.args {
		if q, ok := s.short[a]; short && ok {
			a = q
		}
		args = append(args, a)
	}
	return args
}

const none = "^$" // no test beside the benchmarks

var stages = []stage{
	{key: "a", args: []string{"./bench", "-run", none, "-bench", "Day", "-benchtime", "20x"}, limit: 5 * time.Minute},
	{key: "b", args: []string{"./model/cure", "-run", "TestIntegrateScipy", "-v", "-count=1"}, limit: 3 * time.Minute},
	{key: "c", args: []string{"./model/job", "-run", none, "-bench", "Estimate", "-benchmem"}, limit: 3 * time.Minute},
	{key: "d", args: []string{"./model/coat", "-run", none, "-bench", "ForecastError/(fast|medium|slow)", "-benchtime", "1x"},
		short: map[string]string{"ForecastError/(fast|medium|slow)": "ForecastError/fast"}, limit: 5 * time.Minute},
	{key: "e", args: []string{"./model/job", "-run", none, "-bench", "Replay", "-benchtime", "1x"}, limit: 5 * time.Minute},
	{key: "f", args: []string{"./model/pot", "-run", none, "-bench", "."}, limit: 3 * time.Minute},
	{key: "g", args: []string{"./model/plan", "-run", none, "-bench", "Plan"}, limit: 3 * time.Minute},
	{key: "h", args: []string{"./model/shop", "-run", "TestForecastBeatsBaselines", "-v", "-count=1"}, limit: 2 * time.Minute},
	{key: "i", args: []string{"./history", "-run", none, "-bench", "BytesBesidePrometheus", "-benchtime", "1x"}, limit: 3 * time.Minute},
	{key: "j", args: []string{"./history", "-run", none, "-bench", "DayBesidePrometheus", "-benchtime", "1x", "-timeout", "15m"},
		quick: []string{"CUREWRIGHT_HOURS=2"}, limit: 15 * time.Minute},
	{key: "k", args: []string{"./history", "-run", "TestKill|TestAtRisk", "-bench", "OpenYear|ReadYear|Append", "-v", "-count=1"}, limit: 5 * time.Minute},
	{key: "l", args: []string{"./internal/daemon", "-run", none, "-bench", "StartYear", "-benchtime", "20x"},
		short: map[string]string{"20x": "3x"}, limit: 5 * time.Minute},
	{key: "m", args: []string{"./internal/daemon", "-run", none, "-bench", "Daemon$|HundredCoats", "-benchtime", "1x", "-timeout", "15m"},
		quick: []string{"CUREWRIGHT_SECONDS=15"}, limit: 15 * time.Minute},
	{key: "n", args: []string{"./internal/daemon", "-run", none, "-bench", "Written", "-benchtime", "1x", "-timeout", "40m"},
		quick: []string{"CUREWRIGHT_SECONDS=15"}, limit: 40 * time.Minute},
	{key: "u", args: []string{"./internal/daemon", "-run", none, "-bench", "Peaks", "-benchtime", "1x", "-timeout", "15m"},
		quick: []string{"CUREWRIGHT_SECONDS=3", "CUREWRIGHT_DAYS=20"}, limit: 15 * time.Minute},
	{key: "o", args: []string{"-C", "internal/oracles", "./pagetest", "-run", "TestBudget|TestNothingFromElsewhere|TestPages", "-v", "-count=1"}, limit: 5 * time.Minute},
	{key: "p", args: []string{"./dashboards/web", "-run", none, "-bench", ".", "-benchmem"}, limit: 3 * time.Minute},
	{key: "r", args: []string{"./internal/daemon", "-run", none, "-bench", "Growth", "-benchtime", "1x", "-timeout", "30m"},
		short: map[string]string{"Growth": "Growth/(probes=10$|coats=1$)"}, limit: 30 * time.Minute},
	{key: "s", args: []string{"./internal/demo", "-run", none, "-bench", "Fleet/.*/every=30s", "-benchtime", "1x", "-timeout", "15m"},
		env: []string{"CUREWRIGHT_BOARDS=1000"}, quick: []string{"CUREWRIGHT_BOARDS=10"}, limit: 15 * time.Minute},
	{key: "t", args: []string{"./bench", "-run", none, "-bench", "Program", "-benchtime", "1x"}, limit: 10 * time.Minute},
	{key: "q", args: []string{"./alerts", "-run", none, "-bench", "Step"}, limit: 2 * time.Minute},
}

// figure is where a number stands in a stage's output.
type figure struct {
	bench string // a benchmark's name without its prefix and without the cores
	unit  string // as the reader tidies it: ns/op is sec/op, MB is B
	text  string // instead of both: an expression with one group, over the output
	times float64
	form  string // how the number is written, with its unit
}

// check is a figure that says only that a test has passed.
func check(test string) figure { return figure{text: `--- PASS: (` + test + `) `} }

type row struct {
	what   string
	stage  string
	ours   figure
	peer   figure
	peerIs string // what the peer is
	ratio  ratio
	limit  float64 // 0: none
	budget string
}

// ratio says what is divided by what, and whether the limit is the ratio's.
type ratio int

const (
	noRatio  ratio = iota
	oursOver       // ours / peer: a cost
	peerOver       // peer / ours: how many times quicker
	atLeast        // as peerOver, and the limit is the least that it may be
)

func times(bench, unit string, by float64, form string) figure {
	return figure{bench: bench, unit: unit, times: by, form: form}
}

func rows() (rs []row) {
	add := func(r ...row) { rs = append(rs, r...) }

	// The cure integral, as a coat goes through it: all of its rate factors at once.
	for _, set := range []string{"fast", "medium", "slow"} {
		add(row{what: "cure integral, 24 h by the minute, each of a coat's rate factors, " + set, stage: "a",
			ours: times("Day/"+set, "ours-µs", 1, "%.1f µs"), peer: times("Day/"+set, "cvode-µs", 1, "%.0f µs"), peerIs: "SUNDIALS CVODE",
			ratio: atLeast, limit: 100, budget: "≥ 100× as quick"})
	}
	add(row{what: "the same, medium", stage: "a", ours: times("Day/medium", "ours-µs", 1, "%.1f µs"),
		peer: times("Day/medium", "rk4-µs", 1, "%.0f µs"), peerIs: "fixed-step RK4 in C", ratio: peerOver},
		row{what: "the same, medium", stage: "a", ours: times("Day/medium", "ours-µs", 1, "%.1f µs"),
			peer: times("Day/medium", "exp-µs", 1, "%.1f µs"), peerIs: "one exponential a reading in C, the floor", ratio: oursOver},
		row{what: "largest error in α against scipy's LSODA, real and synthetic traces", stage: "b",
			ours: figure{text: `largest error in α (\S+)`, form: "%.1e"}, limit: 1e-6, budget: "≤ 1e-6"})

	// A coat's estimate.
	for _, age := range []struct{ name, words string }{{"30m0s", "30 min"}, {"2h0m0s", "2 h"}, {"8h0m0s", "8 h"}} {
		r := row{what: "full estimate of a coat, " + age.words + " old, processor time", stage: "c", ours: times("Estimate/"+age.name, "cpu-ms/op", 1, "%.2f ms"), limit: 2, budget: "≤ 2 ms"}
		if age.name == "2h0m0s" {
			r.peer, r.peerIs, r.ratio = times("EstimateScipy", "ms/estimate", 1, "%.0f ms"), "the same work in scipy", peerOver
		}
		add(r, row{what: "allocated by it", stage: "c", ours: times("Estimate/"+age.name, "B/op", 1e-3, "%.0f kB"), limit: 100, budget: "≤ 100 kB"})
	}
	for _, set := range []string{"fast", "medium", "slow"} {
		add(row{what: "what its size costs, " + set + ": worst quantile of an event, of the time since mixing", stage: "d",
			ours: times("ForecastError/"+set, "%error", 1, "%.1f %%"), peerIs: "against 201 rate factors × 500 paths × 1 min"})
	}
	add(row{what: "replay of a year of minutes × 100 coats", stage: "e", ours: times("ReplayYear", "sec/op", 1, "%.1f s"), limit: 5, budget: "≤ 5 s on two cores"},
		row{what: "its processor time over all cores", stage: "e", ours: times("ReplayYear", "cpu-s/op", 1, "%.1f s")},
		row{what: "the most it holds at once, beside the readings", stage: "e", ours: times("ReplayMemory", "B-year", 1e-6, "%.2f MB"),
			peer: times("ReplayMemory", "B-month", 1e-6, "%.2f MB"), peerIs: "with a twelfth of the readings", ratio: oursOver, limit: 1.5, budget: "flat: ratio ≤ 1.5"})

	// A cup, a day.
	add(row{what: "one simulation of a cup", stage: "f", ours: times("Simulation", "ours-ms", 1, "%.3f ms"),
		peer: times("Simulation", "scipy-ms", 1, "%.1f ms"), peerIs: "scipy's LSODA, same equations", ratio: peerOver},
		row{what: "a whole pot with its largest masses", stage: "f", ours: times("Solve", "sec/op", 1e3, "%.2f ms"), limit: 5, budget: "≤ 5 ms"},
		row{what: "the same, slow resin in the cold", stage: "f", ours: times("SolveSlowCold", "sec/op", 1e3, "%.2f ms"), limit: 5, budget: "≤ 5 ms"},
		row{what: "a cup in the hand, judged again from its probe", stage: "f", ours: times("Live", "sec/op", 1e3, "%.2f ms")},
		row{what: "plan of 12 steps on 2 panels, 200 forecasts", stage: "g", ours: times("Plan", "sec/op", 1, "%.2f s"), limit: 1, budget: "≤ 1 s"},
		row{what: "the same when changes are tried too", stage: "g", ours: times("PlanOptions", "sec/op", 1, "%.2f s")})

	// The forecast.
	for _, x := range []struct{ name, cells string }{{"a real room", "room"}, {"hourly normals", "normals"}} {
		at := `\| ` + x.cells + `: lead(?s:.*?)\| 0 \| \d+ \| \d+ % \| `
		add(row{what: "shop forecast on " + x.name + ": pinball loss over all leads", stage: "h",
			ours: figure{text: at + `(\S+)`, form: "%.3f K"}, peer: figure{text: at + `\S+ \| (\S+)`, form: "%.3f K"}, peerIs: "stays as now", ratio: oursOver, limit: 1, budget: "below both"},
			row{what: "the same", stage: "h",
				ours: figure{text: at + `(\S+)`, form: "%.3f K"}, peer: figure{text: at + `\S+ \| \S+ \| (\S+)`, form: "%.3f K"}, peerIs: "same as yesterday", ratio: oursOver, limit: 1, budget: "below both"})
	}

	// The daemon.
	add(row{what: "daemon, 16 probes each second, 4 coats, page open: resident", stage: "m", ours: times("Daemon", "B-resident", 1e-6, "%.1f MB"),
		peer: times("Daemon", "B-peer", 1e-6, "%.1f MB"), peerIs: "node exporter", ratio: oursOver, limit: 1.5, budget: "ratio ≤ 1.5"},
		row{what: "the same: of a core", stage: "m", ours: times("Daemon", "%-of-a-core", 1, "%.2f %%"),
			peer: times("Daemon", "%-of-a-core-peer", 1, "%.2f %%"), peerIs: "node exporter", ratio: oursOver, limit: .15, budget: "≤ 0.15 %"},
		row{what: "a hundred open coats: of a core", stage: "m", ours: times("HundredCoats", "%-of-a-core", 1, "%.2f %%"), limit: 1, budget: "≤ 1 %"},
		row{what: "start to first estimate, a year of minutes from two probes", stage: "l", ours: times("StartYear", "sec/op", 1e3, "%.0f ms"), limit: 300, budget: "≤ 300 ms"})
	for _, x := range []struct{ what, unit string }{{"a plan", "B-plan"}, {"a record", "B-record"}, {"a year's CSV of every probe", "B-csv"}, {"a backup", "B-backup"}} {
		add(row{what: "most that " + x.what + " takes in the daemon above its rest, a year of minutes from 16 probes", stage: "u",
			ours: times("Peaks/daemon", x.unit, 1e-6, "%.1f MB"), limit: 64, budget: "≤ 64 MB"})
	}
	for _, x := range []struct{ what, unit string }{{"CSV", "B-csv"}, {"Parquet", "B-parquet"}} {
		add(row{what: "most that the command holds, all in all, which makes " + x.what + " of that year", stage: "u",
			ours: times("Peaks/command", x.unit, 1e-6, "%.1f MB"), limit: 64, budget: "≤ 64 MB"})
	}

	// The store.
	for _, x := range []struct{ bench, words string }{{"16-probes-every-10s", "16 probes every 10 s, 1.6 values each"}, {"real-room-by-the-minute", "a real room by the minute, temperature and humidity"}} {
		b := "BytesBesidePrometheus/" + x.bench
		add(row{what: "a reading, packed: " + x.words, stage: "i", ours: times(b, "B/reading", 1, "%.2f bytes"),
			peer: times(b, "B-peer/reading", 1, "%.2f bytes"), peerIs: "Prometheus, one block", ratio: oursOver, limit: 3, budget: "≤ 3 bytes"},
			row{what: "the whole file, indexes, spare pages and all", stage: "i", ours: times(b, "B-file/reading", 1, "%.2f bytes a reading"),
				peer: times(b, "B-peer/reading", 1, "%.2f bytes"), peerIs: "Prometheus, one block", ratio: oursOver})
	}
	for _, c := range []struct {
		name, words string
		limit       float64
		budget      string
		risk        float64
		riskBudget  string
		pace        float64
		paceBudget  string
	}{{"no-coat", "no coat open", 20, "≤ 20 MB", 60, "≤ 60 s", 1, "ratio ≤ 1"}, {"coat-open", "a coat open", 100, "≤ 100 MB", 10, "≤ 10 s", 100, "≤ 100 MB"}} {
		for _, counter := range []string{"wchar", "write_bytes"} {
			unit := "B/day-" + counter
			add(row{what: "written in a simulated day, " + c.words + ", by " + counter, stage: "j", ours: times("DayBesidePrometheus/"+c.name, unit, 1e-6, "%.1f MB"),
				peer: times("DayBesidePrometheus/prometheus", unit, 1e-6, "%.1f MB"), peerIs: "Prometheus, same samples", ratio: oursOver, limit: c.limit, budget: c.budget},
				row{what: "the daemon at its own pace, " + c.words + ", by " + counter, stage: "n", ours: times("Written", unit+"-"+c.name, 1e-6, "%.1f MB a day"),
					peer: times("Written", unit+"-peer", 1e-6, "%.1f MB a day"), peerIs: "Prometheus, scraping", ratio: oursOver, limit: c.pace, budget: c.paceBudget})
		}
		add(row{what: "longest that a reading waits for the disk, " + c.words, stage: "k",
			ours: figure{text: c.words + `: a reading waits for the disk (\S+) s at most`, form: "%.1f s"}, limit: c.risk, budget: c.riskBudget})
	}
	add(row{what: "coats, batches, finger tests and alerts lost by a kill", stage: "k", ours: check("TestKill"), budget: "none"},
		row{what: "opening the store and reading 72 h of two probes, a year of minutes from four", stage: "k", ours: times("OpenYear/4probes/1m0s", "sec/op", 1e3, "%.0f ms")},
		row{what: "reading one probe's year", stage: "k", ours: times("ReadYear", "sec/op", 1e3, "%.0f ms")},
		row{what: "append", stage: "k", ours: times("Append", "readings/s", 1, "%.0f a second")})

	// The page.
	add(row{what: "everything the page fetches, compressed", stage: "o", ours: figure{text: `(\d+) bytes in all`, form: "%.0f bytes"}, limit: 150000, budget: "≤ 150,000 bytes"},
		row{what: "what the first view of the bench fetches, compressed", stage: "o", ours: figure{text: `(\d+) bytes for the first view`, form: "%.0f bytes"}, limit: 50000, budget: "≤ 50,000 bytes"},
		row{what: "nothing fetched from elsewhere", stage: "o", ours: check("TestNothingFromElsewhere"), budget: "held"},
		row{what: "every page fits at 360 px, light and dark, in a real browser", stage: "o", ours: check("TestPages"), budget: "held"},
		row{what: "scrape of /metrics, 16 probes and 4 coats", stage: "p", ours: times("Scrape", "sec/op", 1e3, "%.2f ms")},
		row{what: "snapshot", stage: "p", ours: times("Snapshot", "sec/op", 1e3, "%.2f ms")},
		row{what: "push of 100 readings, strictly decoded", stage: "p", ours: times("Push/strict", "sec/op", 1e3, "%.2f ms"),
			peer: times("Push/encoding_json", "sec/op", 1e3, "%.2f ms"), peerIs: "encoding/json", ratio: oursOver},
		row{what: "a month of 10 s readings thinned to 1000", stage: "p", ours: times("MonthThinned", "sec/op", 1e3, "%.0f ms")},
		row{what: "an alert step, 4 coats and 16 probes", stage: "q", ours: times("Step", "sec/op", 1e3, "%.2f ms")})

	// The program, and a yard of a thousand boards.
	add(row{what: "the program for armv6, stripped", stage: "t", ours: times("Program", "B-armv6", 1e-6, "%.1f MB"), limit: 25, budget: "≤ 25 MB"},
		row{what: "the program for amd64", stage: "t", ours: times("Program", "B-amd64", 1e-6, "%.1f MB")})
	for _, x := range []struct{ server, words string }{{"prometheus", "one Prometheus, with the rules"}, {"victoria-metrics", "one VictoriaMetrics"}} {
		at := "Fleet/" + x.server + "/every=30s"
		add(row{what: "a yard of 1,000 boards on " + x.words + ": of a core", stage: "s", ours: times(at, "%core", 1, "%.1f %%")},
			row{what: "the same: resident", stage: "s", ours: times(at, "B-resident", 1e-6, "%.0f MB")},
			row{what: "the same, for one board", stage: "s", ours: times(at, "B-a-board", 1e-3, "%.0f kB")})
	}
	return rs
}

// growthColumns are what is measured at each size by the stage "r".
var growthColumns = []struct{ unit, head, form string }{
	{"ms-start", "start to first estimate", "%.0f ms"}, {"ms-look", "an evaluation", "%.0f ms"}, {"ms-page", "the page's state", "%.1f ms"},
	{"kB-page", "its size", "%.0f kB"}, {"ms-push", "a reading of every probe taken in", "%.2f ms"}, {"ms-packing", "packing an hour", "%.0f ms"},
	{"ms-backup", "backup", "%.0f ms"}, {"B-file", "its file", "%.1f MB"}, {"B-memory", "lives in memory", "%.1f MB"},
}

var growthSizes = []string{"probes=1", "probes=10", "probes=100", "probes=1000", "coats=1", "coats=100", "coats=1000", "years=1", "years=10", "years=100", "years=200"}
