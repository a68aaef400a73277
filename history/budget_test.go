// SPDX-License-Identifier: Apache-2.0

package history

import (
	"bufio"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"curewright/sensors"
)

// shop makes readings as 16 probes give them: eight DS18B20 (steps of 1/16
// °C), six temperature and humidity chips with the noise that their data
// sheets give, two carbon dioxide probes. Times jitter by a few milliseconds.
type shop struct {
	rng *rand.Rand
	buf []sensors.Reading
}

func newShop() *shop { return &shop{rng: rand.New(rand.NewPCG(7, 8))} }

func (s *shop) at(t time.Time) []sensors.Reading {
	s.buf = s.buf[:0]
	h := float64(t.Unix()%86400) / 3600
	for p := range 16 {
		base := 12 + 5*math.Sin((h-9)/24*2*math.Pi) + float64(p)/3
		temp := base + s.rng.NormFloat64()*0.02
		r := sensors.Reading{Probe: fmt.Sprintf("probe-%02d", p), At: t.Add(time.Duration(p)*40*time.Millisecond + time.Duration(s.rng.IntN(6_000_000)))}
		switch {
		case p < 8:
			r.Temp = sensors.Some(math.Round(temp*16) / 16)
		default:
			r.Temp = sensors.Some(math.Round(temp*100) / 100)
			// SHT4x data sheet, table 1: repeatability 0.08 %RH (3 sigma,
			// high), and slow drift of a shed's air.
			r.RH = sensors.Some(math.Round((65-2*(base-12)+s.rng.NormFloat64()*0.04)*100) / 100)
		}
		if p >= 14 {
			r.CO2 = sensors.Some(math.Round(520 + 40*math.Sin(h/4) + s.rng.NormFloat64()*4))
		}
		s.buf = append(s.buf, r)
	}
	return s.buf
}

// ioCounters reads what this process has written: wchar is what it gave to
// write(2), write_bytes what the kernel will send to the disk.
func ioCounters(t testing.TB) (wchar, writeBytes int64) {
	t.Helper()
	return ioOf(t, "self")
}

// ioOf reads the same of another process.
func ioOf(t testing.TB, pid string) (wchar, writeBytes int64) {
	t.Helper()
	f, err := os.Open("/proc/" + pid + "/io")
	if err != nil {
		t.Skip("no counters of what a process writes here:", err)
	}
	defer f.Close()
	for sc := bufio.NewScanner(f); sc.Scan(); {
		k, v, _ := strings.Cut(sc.Text(), ": ")
		n, _ := strconv.ParseInt(v, 10, 64)
		switch k {
		case "wchar":
			wchar = n
		case "write_bytes":
			writeBytes = n
		}
	}
	return
}

// writtenInADay runs a simulated day of 16 probes every 10 s and flushes as
// the running store would. Every 30 s of that day it calls sync, if there is
// one.
func writtenInADay(t testing.TB, dir string, flush time.Duration, hours int, sync func()) (wchar, writeBytes int64, st Stats) {
	now := day
	s, err := Open(dir, Options{Now: func() time.Time { return now }})
	must(t, err)
	w0, b0 := ioCounters(t)
	shop := newShop()
	last := now
	for i := range hours * 360 {
		now = day.Add(time.Duration(i) * 10 * time.Second)
		s.Append(shop.at(now))
		if now.Sub(last) >= flush {
			last = now
			must(t, s.Flush(t.Context()))
			s.SetCursor("influx", Cursor(i*16))
			if s.packDue() {
				must(t, s.Compact(t.Context()))
			}
		}
		if sync != nil && i%3 == 2 {
			sync()
		}
	}
	st = s.Stats()
	must(t, s.Close())
	w1, b1 := ioCounters(t)
	return w1 - w0, b1 - b0, st
}

// diskDir is a temporary folder on a real disk where there is one: a tmpfs
// does not count what is written to it.
func diskDir(t testing.TB) string {
	t.Helper()
	for _, base := range []string{os.TempDir(), "."} {
		dir, err := os.MkdirTemp(base, "history-test-")
		if err != nil {
			continue
		}
		t.Cleanup(func() { os.RemoveAll(dir) })
		if onDisk(dir) {
			return dir
		}
	}
	t.Skip("no folder on a disk")
	return ""
}

// Bytes written to the card: at most 20 MB a day with no coat open, 100 MB
// with one, by both counters. Four hours are run and scaled: the pattern
// repeats by the hour.
func TestBytesWrittenADay(t *testing.T) {
	for _, c := range []struct {
		name  string
		flush time.Duration
		limit float64
	}{{"no coat open", flushCalm, 20}, {"coat open", flushUrgent, 100}} {
		dir := diskDir(t)
		const hours = 4
		w, b, st := writtenInADay(t, dir, c.flush, hours, nil)
		const scale = 24.0 / hours / 1e6
		fi, err := os.Stat(filepath.Join(dir, File))
		must(t, err)
		t.Logf("%s: wchar %.1f MB a day, write_bytes %.1f MB a day; packed %.2f bytes a reading, file %.2f", c.name, float64(w)*scale, float64(b)*scale,
			float64(st.PackedSize)/float64(st.Packed), float64(fi.Size())/float64(st.Written))
		if x := max(float64(w), float64(b)) * scale; x > c.limit {
			t.Errorf("%s: %.1f MB a day, at most %g", c.name, x, c.limit)
		}
		if x := float64(st.PackedSize) / float64(st.Packed); x > 3 {
			t.Errorf("packed: %.2f bytes a reading, at most 3", x)
		}
	}
}

// What a power cut can take: the longest that a reading waits for the disk is
// 60 s, and 10 s with a coat open. Sixteen probes speak every ten seconds for
// ten minutes of a clock that jumps.
func TestAtRisk(t *testing.T) {
	for _, c := range []struct {
		name   string
		urgent bool
		limit  time.Duration
	}{{"no coat open", false, time.Minute}, {"a coat open", true, 10 * time.Second}} {
		dir := t.TempDir()
		synctest.Test(t, func(t *testing.T) {
			s, err := Open(dir, Options{Uptime: func() time.Duration { return time.Hour }, Boot: "b"})
			must(t, err)
			defer s.Close()
			s.SetUrgent(c.urgent)
			shop, longest := newShop(), time.Duration(0)
			for i := range 10 * 60 * 10 {
				if i%100 == 0 {
					s.Append(shop.at(time.Now()))
				}
				time.Sleep(100 * time.Millisecond)
				longest = max(longest, s.Stats().OldestWait)
			}
			t.Logf("%s: a reading waits for the disk %.1f s at most", c.name, longest.Seconds())
			if longest > c.limit || longest == 0 {
				t.Errorf("%s: a reading waited %v, at most %v", c.name, longest, c.limit)
			}
			time.Sleep(c.limit)
			synctest.Wait()
			if st := s.Stats(); st.Pending != 0 || st.Written != 60*16 {
				t.Errorf("%s: %d of %d readings on disk without anybody asking, %d wait", c.name, st.Written, 60*16, st.Pending)
			}
		})
	}
}

// year fills a folder with a year of one-minute readings of four probes and
// returns it; the benchmarks below share it.
func year(b testing.TB, probes int, every time.Duration) string {
	b.Helper()
	dir := b.TempDir()
	now := day
	s, err := Open(dir, Options{Now: func() time.Time { return now }})
	must(b, err)
	shop := newShop()
	for i := range int(365 * 24 * time.Hour / every) {
		now = day.Add(time.Duration(i) * every)
		s.Append(shop.at(now)[16-probes:])
		if i%2000 == 0 {
			must(b, s.Compact(b.Context()))
		}
	}
	must(b, s.Close())
	return dir
}

// BenchmarkOpenYear is the store's part of a start with a year of history: to
// open, fold the work and read the last three days of two probes, as a first
// estimate does.
func BenchmarkOpenYear(b *testing.B) {
	for _, c := range []struct {
		probes int
		every  time.Duration
	}{{4, time.Minute}, {16, time.Minute}} {
		if c.probes == 16 && os.Getenv("CUREWRIGHT_BIG") == "" {
			continue // takes a minute to make; as many packs as at 10 s, of a sixth of the size
		}
		b.Run(fmt.Sprintf("%dprobes/%v", c.probes, c.every), func(b *testing.B) {
			dir := year(b, c.probes, c.every)
			fi, _ := os.Stat(filepath.Join(dir, File))
			end := day.Add(365 * 24 * time.Hour)
			b.ResetTimer()
			for range b.N {
				s, err := Open(dir, at(end))
				must(b, err)
				for _, p := range []string{"probe-14", "probe-15"} {
					n := 0
					for _, err := range s.Readings(p, end.Add(-72*time.Hour), end) {
						must(b, err)
						n++
					}
					if n == 0 {
						b.Fatal("no readings")
					}
				}
				b.StopTimer()
				s.Close()
				b.StartTimer()
			}
			b.ReportMetric(float64(fi.Size())/1e6, "MB")
		})
	}
}

// BenchmarkReadYear reads all of one probe's year; what it allocates at once
// stays flat.
func BenchmarkReadYear(b *testing.B) {
	dir := year(b, 4, time.Minute)
	s := open(b, dir, at(day.Add(365*24*time.Hour)))
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		n := 0
		for _, err := range s.Readings("probe-15", time.Time{}, time.Time{}) {
			must(b, err)
			n++
		}
		b.ReportMetric(float64(n), "readings")
	}
}

func BenchmarkAppend(b *testing.B) {
	s := open(b, b.TempDir(), Options{})
	shop := newShop()
	at := time.Now().Add(-time.Duration(b.N) * time.Second)
	n := 0
	b.ResetTimer()
	for i := range b.N {
		n += s.Append(shop.at(at.Add(time.Duration(i) * time.Second)))
	}
	must(b, s.Flush(b.Context()))
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
}

// Reading a year holds no more memory than reading a day.
func TestReadingIsFlat(t *testing.T) {
	dir := t.TempDir()
	now := day
	s := open(t, dir, Options{Now: func() time.Time { return now }})
	shop := newShop()
	const days = 40
	for i := range days * 1440 {
		now = day.Add(time.Duration(i) * time.Minute)
		s.Append(shop.at(now)[15:])
		if i%5000 == 0 {
			must(t, s.Compact(t.Context()))
		}
	}
	peak := func(from time.Time) (peak uint64) {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		base := m.HeapAlloc
		n := 0
		for _, err := range s.Readings("probe-15", from, time.Time{}) {
			must(t, err)
			if n++; n%1000 == 0 {
				runtime.GC()
				runtime.ReadMemStats(&m)
				if m.HeapAlloc > base {
					peak = max(peak, m.HeapAlloc-base)
				}
			}
		}
		return peak
	}
	short, long := peak(now.Add(-48*time.Hour)), peak(time.Time{})
	t.Logf("held while reading: %d kB for two days, %d kB for %d days", short/1024, long/1024, days)
	if long > short+1<<20 {
		t.Errorf("reading %d days holds %d kB, two days %d kB", days, long/1024, short/1024)
	}
}

// What one entry costs with so many coats open: the write, and the record of
// work read after it as every look does.
func BenchmarkEntry(b *testing.B) {
	for _, open := range []int{10, 1000, 5000} {
		b.Run(fmt.Sprintf("open=%d", open), func(b *testing.B) {
			s, err := Open(b.TempDir(), at(day))
			must(b, err)
			defer s.Close()
			ctx := b.Context()
			_, _, err = s.WriteWork(ctx, "me", day, "", func(newID func(string) string) ([]WorkWrite, string, error) {
				var ws []WorkWrite
				for range open {
					ws = append(ws, WorkWrite{"coat", newID("coat"), []byte(`{"panel":"lid","resin":"fast","kind":"tack coat","applied":"2026-10-10T09:40:00Z"}`)})
				}
				return ws, "many", nil
			})
			must(b, err)
			if _, err := s.Work(ctx); err != nil {
				b.Fatal(err)
			}
			for b.Loop() {
				if _, _, err := s.CreateWork(ctx, "feel", "", []byte(`{"coat":"coat-1","at":"2026-10-10T10:00:00Z","state":"tacky"}`), "me", day, ""); err != nil {
					b.Fatal(err)
				}
				if _, err := s.Work(ctx); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
