// SPDX-License-Identifier: Apache-2.0

package shop

import (
	"bufio"
	"math"
	"os"
	"slices"
	"sort"
	"strconv"
	"strings"
	"testing"
	"time"

	"curewright/internal/realpart"
)

// series is a real temperature trace.
type series struct {
	name string
	at   []time.Time
	c    []float64
}

// office is the open room data: Candanedo and Feldheim, Energy and Buildings
// 112 (2016) 28–39 (UCI "Occupancy Detection").
func office(t testing.TB) series {
	return load(t, "room", realpart.Office(t), 0, 1, time.RFC3339)
}

// normals are NOAA's 1981–2010 hourly normals of Seattle, by way of
// vega-datasets: a climate's mean year, smoother than any real one.
func normals(t testing.TB) series {
	return load(t, "normals", realpart.NPM(t, "vega-datasets", "data", "seattle-weather-hourly-normals.csv"), 0, 2, "2006-01-02T15:04:05")
}

func load(t testing.TB, name, path string, timeCol, tempCol int, layout string) series {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	s := series{name: name}
	sc := bufio.NewScanner(f)
	for first := true; sc.Scan(); first = false {
		if first {
			continue
		}
		col := strings.Split(sc.Text(), ",")
		at, err := time.Parse(layout, col[timeCol])
		if err != nil {
			t.Fatal(err)
		}
		c, err := strconv.ParseFloat(col[tempCol], 64)
		if err != nil {
			t.Fatal(err)
		}
		s.at = append(s.at, at)
		s.c = append(s.c, c)
	}
	return s
}

func (s series) value(at time.Time) float64 {
	i := sort.Search(len(s.at), func(k int) bool { return !s.at[k].Before(at) })
	switch {
	case i == len(s.at):
		return math.NaN()
	case s.at[i].Equal(at):
		return s.c[i]
	case i == 0:
		return math.NaN()
	}
	f := at.Sub(s.at[i-1]).Seconds() / s.at[i].Sub(s.at[i-1]).Seconds()
	return s.c[i-1] + f*(s.c[i]-s.c[i-1])
}

var quantiles = [3]float64{0.1, 0.5, 0.9}

func pinball(q, forecast, truth float64) float64 {
	if truth >= forecast {
		return q * (truth - forecast)
	}
	return (1 - q) * (forecast - truth)
}

// score is one lead's result.
type score struct {
	lead                         float64
	n                            int
	cover                        float64 // of the p10–p90 interval
	pin, now, yesterday          float64 // mean pinball loss, K; baselines as single values
	nowDressed, yesterdayDressed float64 // baselines with the spread of their own past errors
}

// rolling scores forecasts from rolling origins.
func rolling(s series, every time.Duration, leads []float64, from, to time.Time) []score {
	out := make([]score, len(leads))
	var h History
	next := 0
	nowErr, dayErr := make([][]float64, len(leads)), make([][]float64, len(leads))
	var paths []float32
	col := make([]float64, Paths)
	for o := s.at[0].Add(2 * 24 * time.Hour); o.Before(s.at[len(s.at)-1]); o = o.Add(every) {
		for next < len(s.at) && !s.at[next].After(o) {
			h.Add(s.at[next], s.c[next])
			next++
		}
		// The baselines' own errors as known by now.
		for i, lead := range leads {
			d := time.Duration(lead * float64(time.Hour))
			truth := s.value(o)
			if x := s.value(o.Add(-d)); !math.IsNaN(x) {
				nowErr[i] = append(nowErr[i], truth-x)
			}
			if x := s.value(o.Add(-24 * time.Hour)); !math.IsNaN(x) {
				dayErr[i] = append(dayErr[i], truth-x)
			}
		}
		if o.Before(from) || o.After(to) {
			continue
		}
		m := Fit(&h, nil, o)
		x0 := s.value(o)
		paths = m.Ensemble(paths[:0], &h, Paths, int(leads[len(leads)-1]*4), Conditions{At: o, TempC: x0}, nil)
		n := len(paths) / Paths
		for i, lead := range leads {
			truth := s.value(o.Add(time.Duration(lead * float64(time.Hour))))
			if math.IsNaN(truth) {
				continue
			}
			for p := range Paths {
				col[p] = float64(paths[p*n+int(lead*4)])
			}
			slices.Sort(col)
			r := &out[i]
			r.lead = lead
			r.n++
			day := s.value(o.Add(time.Duration((lead - 24*math.Ceil(lead/24)) * float64(time.Hour))))
			ne, de := recent(nowErr[i], every), recent(dayErr[i], every)
			for _, q := range quantiles {
				r.pin += pinball(q, pick(col, q), truth) / 3
				r.now += pinball(q, x0, truth) / 3
				r.yesterday += pinball(q, day, truth) / 3
				r.nowDressed += pinball(q, x0+pick(ne, q), truth) / 3
				r.yesterdayDressed += pinball(q, day+pick(de, q), truth) / 3
			}
			if truth >= pick(col, 0.1) && truth <= pick(col, 0.9) {
				r.cover++
			}
		}
	}
	for i := range out {
		n := float64(out[i].n)
		for _, x := range []*float64{&out[i].cover, &out[i].pin, &out[i].now, &out[i].yesterday, &out[i].nowDressed, &out[i].yesterdayDressed} {
			*x /= n
		}
	}
	return out
}

// recent is the last eight days of errors, sorted.
func recent(e []float64, every time.Duration) []float64 {
	n := int(HistoryDays * 24 * time.Hour / every)
	e = slices.Clone(e[max(0, len(e)-n):])
	slices.Sort(e)
	return e
}

func pick(sorted []float64, q float64) float64 {
	if len(sorted) == 0 {
		return 0
	}
	x := q*float64(len(sorted)) - 0.5
	i := min(max(int(math.Floor(x)), 0), len(sorted)-1)
	k := min(i+1, len(sorted)-1)
	f := min(max(x-float64(i), 0), 1)
	return sorted[i] + f*(sorted[k]-sorted[i])
}

func mean(s []score) (m score) {
	for _, x := range s {
		m.n += x.n
		n := float64(len(s))
		m.cover += x.cover / n
		m.pin += x.pin / n
		m.now += x.now / n
		m.yesterday += x.yesterday / n
		m.nowDressed += x.nowDressed / n
		m.yesterdayDressed += x.yesterdayDressed / n
	}
	return m
}

func scores(t testing.TB) map[string][]score {
	leads := []float64{1, 3, 6, 12, 24}
	out := map[string][]score{}
	room := office(t)
	out["room"] = rolling(room, 2*time.Hour, leads, room.at[0], room.at[len(room.at)-1].Add(-24*time.Hour))
	year := normals(t)
	// A month of each season.
	var all [][]score
	for _, m := range []time.Month{1, 4, 7, 10} {
		from := time.Date(2010, m, 10, 0, 0, 0, 0, time.UTC)
		part := year
		i := sort.Search(len(year.at), func(k int) bool { return !year.at[k].Before(from.AddDate(0, 0, -9)) })
		j := sort.Search(len(year.at), func(k int) bool { return year.at[k].After(from.AddDate(0, 0, 22)) })
		part.at, part.c = year.at[i:j], year.c[i:j]
		all = append(all, rolling(part, 5*time.Hour, leads, from, from.AddDate(0, 0, 20)))
	}
	sum := make([]score, len(leads))
	for i := range sum {
		var one []score
		for _, a := range all {
			one = append(one, a[i])
		}
		sum[i] = mean(one)
		sum[i].lead = leads[i]
	}
	out["normals"] = sum
	return out
}

// TestForecastBeatsBaselines scores rolling forecasts on real traces: room
// air (Candanedo and Feldheim 2016) and hourly normals (NOAA 1981–2010). It
// logs the calibration table.
func TestForecastBeatsBaselines(t *testing.T) {
	for name, ss := range scores(t) {
		t.Logf("| %s: lead, h | n | in p10–p90 | pinball, K | as now | as yesterday | as now, dressed | as yesterday, dressed |", name)
		for _, s := range append(ss, mean(ss)) {
			t.Logf("| %g | %d | %.0f %% | %.4f | %.4f | %.4f | %.4f | %.4f |", s.lead, s.n, 100*s.cover, s.pin, s.now, s.yesterday, s.nowDressed, s.yesterdayDressed)
		}
		m := mean(ss)
		if !(m.pin < m.now) || !(m.pin < m.yesterday) {
			t.Errorf("%s: pinball %.4f K, baselines %.4f and %.4f", name, m.pin, m.now, m.yesterday)
		}
		if m.cover < 0.7 || m.cover > 0.95 {
			t.Errorf("%s: the 80 %% interval covers %.0f %%", name, 100*m.cover)
		}
	}
}
