// SPDX-License-Identifier: Apache-2.0

package history

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"curewright/sensors"

	"github.com/klauspost/compress/snappy"

	"curewright/internal/realpart"
)

// A reading here is what one probe says at one moment. The peer has no such
// thing: there each of its quantities is a sample of a series of its own. Both
// stores are given the same values at the same milliseconds, as ours rounds
// them on intake.

// quantities are the series that a reading becomes.
func quantities(r sensors.Reading, yield func(name string, v float64)) {
	for _, q := range []struct {
		name string
		v    sensors.Value
	}{{"temperature_celsius", r.Temp}, {"humidity_percent", r.RH}, {"carbon_dioxide_ppm", r.CO2}} {
		if x, ok := q.v.Get(); ok {
			yield(q.name, x)
		}
	}
}

// realRoom is a real room's week by the minute, temperature and humidity
// (Candanedo and Feldheim, Energy and Buildings 112 (2016) 28).
func realRoom(tb testing.TB) (rs []sensors.Reading) {
	tb.Helper()
	f, err := os.Open(realpart.Office(tb))
	must(tb, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	must(tb, err)
	for _, row := range rows[1:] {
		at, err1 := time.Parse(time.RFC3339, row[0])
		c, err2 := strconv.ParseFloat(row[1], 64)
		rh, err3 := strconv.ParseFloat(row[2], 64)
		if err1 != nil || err2 != nil || err3 != nil {
			tb.Fatal(err1, err2, err3)
		}
		rs = append(rs, Quantise(sensors.Reading{Probe: "room", At: at, Temp: sensors.Some(c), RH: sensors.Some(rh)}))
	}
	return rs
}

// simulatedDay is a day of sixteen probes every ten seconds.
func simulatedDay() (rs []sensors.Reading) {
	s := newShop()
	for i := range 8640 {
		for _, r := range s.at(day.Truncate(24 * time.Hour).Add(time.Duration(i) * 10 * time.Second)) {
			rs = append(rs, Quantise(r))
		}
	}
	return rs
}

// BenchmarkBytesBesidePrometheus says how many bytes a reading takes on disk,
// packed, in our store and in a block of Prometheus's. The peer's block is one
// for all the time, as its compaction makes them in the end; a block each two
// hours would be larger. Run it once: -benchtime 1x.
func BenchmarkBytesBesidePrometheus(b *testing.B) {
	promtool := realpart.Program(b, "promtool")
	for _, c := range []struct {
		name     string
		readings func() []sensors.Reading
	}{
		{"real-room-by-the-minute", func() []sensors.Reading { return realRoom(b) }},
		{"16-probes-every-10s", simulatedDay},
	} {
		b.Run(c.name, func(b *testing.B) {
			rs := c.readings()
			for b.Loop() {
				samples, theirs := promBlock(b, promtool, rs)
				packed, file := ourFile(b, rs)
				n := float64(len(rs))
				b.ReportMetric(packed, "B/reading")
				b.ReportMetric(file/n, "B-file/reading")
				b.ReportMetric(theirs/n, "B-peer/reading")
				b.ReportMetric(float64(samples)/n, "samples/reading")
			}
			b.ReportMetric(0, "ns/op")
		})
	}
}

// promBlock has promtool make a block of the readings; it returns the samples
// in it and its size with index and all.
func promBlock(b *testing.B, promtool string, rs []sensors.Reading) (samples int, size float64) {
	b.Helper()
	dir := b.TempDir()
	var text bytes.Buffer
	for _, r := range rs {
		quantities(r, func(name string, v float64) {
			samples++
			fmt.Fprintf(&text, "%s{probe=%q} %g %.3f\n", name, r.Probe, v, float64(r.At.UnixMilli())/1e3)
		})
	}
	text.WriteString("# EOF\n")
	in, out := filepath.Join(dir, "readings.om"), filepath.Join(dir, "blocks")
	must(b, os.WriteFile(in, text.Bytes(), 0o600))
	cmd := exec.Command(promtool, "tsdb", "create-blocks-from", "--max-block-duration=744h", "openmetrics", in, out)
	if said, err := cmd.CombinedOutput(); err != nil {
		b.Fatalf("promtool: %v\n%s", err, said)
	}
	err := filepath.WalkDir(out, func(_ string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		fi, err := d.Info()
		if err == nil {
			size += float64(fi.Size())
		}
		return err
	})
	if err != nil || size == 0 {
		b.Fatalf("blocks of %v bytes: %v", size, err)
	}
	return samples, size
}

// ourFile packs the readings into a store of their own; it returns the bytes
// of a packed reading and the size of the whole file.
func ourFile(b *testing.B, rs []sensors.Reading) (packed, file float64) {
	b.Helper()
	dir := b.TempDir()
	now := rs[0].At
	s, err := Open(dir, Options{Now: func() time.Time { return now }})
	must(b, err)
	for len(rs) > 0 {
		n := min(len(rs), 20000)
		now = rs[n-1].At
		if n == len(rs) {
			now = now.Add(2 * time.Hour) // so that the last hour is packed too
		}
		s.Append(rs[:n])
		must(b, s.Compact(b.Context()))
		rs = rs[n:]
	}
	st := s.Stats()
	must(b, s.Close())
	fi, err := os.Stat(filepath.Join(dir, File))
	must(b, err)
	if st.Packed == 0 {
		b.Fatal("nothing was packed")
	}
	return float64(st.PackedSize) / float64(st.Packed), float64(fi.Size())
}

// BenchmarkDayBesidePrometheus says what both stores write in a day of sixteen
// probes every ten seconds, by both of the kernel's counters. The day is fed
// as fast as it goes, so the kernel's own writing back of changed pages, each
// 30 s by its default, is stood in for by sync(1) every 30 s of that day.
// Ours runs inside this process as in the history's own tests; the peer is the
// real server, fed by remote write. Run it once: -benchtime 1x.
func BenchmarkDayBesidePrometheus(b *testing.B) {
	b.Run("no-coat", func(b *testing.B) { ourDay(b, flushCalm) })
	b.Run("coat-open", func(b *testing.B) { ourDay(b, flushUrgent) })
	b.Run("prometheus", promDay)
}

// hours is how much of the day is fed: all, or less for a quick run. Below
// four hours the peer has not yet written a block.
func hours(b *testing.B) int {
	s := os.Getenv("CUREWRIGHT_HOURS")
	if s == "" {
		return 24
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < 1 || n > 24 {
		b.Fatalf("CUREWRIGHT_HOURS: %q: want 1 to 24", s)
	}
	return n
}

// writeBack is the kernel's: what it returns sends every changed page of the
// file system that holds dir to the disk. A shell that lives until the
// benchmark's end does so: what is written on the way would be counted as ours
// if we did it, or if a child did it that has ended.
func writeBack(b *testing.B, dir string) func() {
	b.Helper()
	cmd := exec.Command("sh", "-c", `while read -r _; do sync --file-system "$1" && echo done; done`, "sh", dir)
	in, err1 := cmd.StdinPipe()
	out, err2 := cmd.StdoutPipe()
	must(b, errors.Join(err1, err2, cmd.Start()))
	b.Cleanup(func() { in.Close(); cmd.Wait() })
	said := bufio.NewReader(out)
	return func() {
		if _, err := io.WriteString(in, "now\n"); err != nil {
			b.Fatalf("sync: %v", err)
		}
		if line, err := said.ReadString('\n'); err != nil || line != "done\n" {
			b.Fatalf("sync: %q, %v", line, err)
		}
	}
}

func ourDay(b *testing.B, flush time.Duration) {
	n := hours(b)
	for b.Loop() {
		dir := diskDir(b)
		w, d, st := writtenInADay(b, dir, flush, n, writeBack(b, dir))
		scale := 24 / float64(n) / 1e6
		b.ReportMetric(float64(w)*scale, "MB/day-wchar")
		b.ReportMetric(float64(d)*scale, "MB/day-write_bytes")
		b.ReportMetric(float64(st.Written)*24/float64(n), "readings/day")
	}
	b.ReportMetric(0, "ns/op")
}

func promDay(b *testing.B) {
	bin := realpart.Program(b, "prometheus")
	n := hours(b)
	for b.Loop() {
		dir := diskDir(b)
		sync := writeBack(b, dir)
		pid, url, stop := startPrometheus(b, bin, dir)
		w0, d0 := ioOf(b, strconv.Itoa(pid))
		s := newShop()
		readings, samples := 0, 0
		for i := range n * 360 {
			at := day.Add(time.Duration(i) * 10 * time.Second)
			var req []byte
			for _, r := range s.at(at) {
				readings++
				quantities(Quantise(r), func(name string, v float64) {
					samples++
					req = appendSeries(req, name, r.Probe, v, toMS(r.At))
				})
			}
			push(b, url, req)
			if i%3 == 2 {
				sync()
			}
		}
		w1, d1 := ioOf(b, strconv.Itoa(pid))
		blocks, _ := filepath.Glob(filepath.Join(dir, "data", "*", "chunks"))
		stop()
		scale := 24 / float64(n) / 1e6
		b.ReportMetric(float64(w1-w0)*scale, "MB/day-wchar")
		b.ReportMetric(float64(d1-d0)*scale, "MB/day-write_bytes")
		b.ReportMetric(float64(readings)*24/float64(n), "readings/day")
		b.ReportMetric(float64(samples)/float64(readings), "samples/reading")
		b.ReportMetric(float64(len(blocks)), "blocks")
	}
	b.ReportMetric(0, "ns/op")
}

// startPrometheus starts the real server on loopback with an empty store that
// takes remote writes and scrapes nothing.
func startPrometheus(b *testing.B, bin, dir string) (pid int, url string, stop func()) {
	b.Helper()
	conf := filepath.Join(dir, "prometheus.yml")
	must(b, os.WriteFile(conf, []byte("global: {}\n"), 0o600))
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	must(b, err)
	addr := ln.Addr().String()
	ln.Close()
	cmd := exec.Command(bin, "--config.file="+conf, "--storage.tsdb.path="+filepath.Join(dir, "data"),
		"--web.listen-address="+addr, "--web.enable-remote-write-receiver", "--log.level=error")
	var log bytes.Buffer
	cmd.Stderr = &log
	must(b, cmd.Start())
	stop = func() { cmd.Process.Kill(); cmd.Wait() }
	b.Cleanup(stop)
	url = "http://" + addr
	for range 300 {
		if res, err := http.Get(url + "/-/ready"); err == nil {
			res.Body.Close()
			if res.StatusCode == http.StatusOK {
				return cmd.Process.Pid, url, stop
			}
		}
		time.Sleep(100 * time.Millisecond)
	}
	b.Fatalf("prometheus is not ready after 30 s: %s", log.String())
	return 0, "", nil
}

// push sends a request of the remote-write protocol 1.0: snappy's block format
// over the message WriteRequest.
func push(b *testing.B, url string, req []byte) {
	b.Helper()
	r, err := http.NewRequestWithContext(b.Context(), "POST", url+"/api/v1/write", bytes.NewReader(snappy.Encode(nil, req)))
	must(b, err)
	r.Header.Set("Content-Encoding", "snappy")
	r.Header.Set("Content-Type", "application/x-protobuf")
	r.Header.Set("X-Prometheus-Remote-Write-Version", "0.1.0")
	res, err := http.DefaultClient.Do(r)
	must(b, err)
	defer res.Body.Close()
	if res.StatusCode != http.StatusNoContent {
		var said bytes.Buffer
		said.ReadFrom(res.Body)
		b.Fatalf("prometheus: %s: %s", res.Status, strings.TrimSpace(said.String()))
	}
}

// appendSeries appends a TimeSeries of one sample to a WriteRequest, as the
// remote-write protocol's messages have them: WriteRequest.timeseries 1;
// TimeSeries.labels 1 and .samples 2; Label.name 1 and .value 2; Sample.value
// 1 (double) and .timestamp 2 (int64, ms).
func appendSeries(req []byte, name, probe string, v float64, ms int64) []byte {
	field := func(to []byte, n byte, body []byte) []byte {
		to = append(to, n<<3|2)
		to = binary.AppendUvarint(to, uint64(len(body)))
		return append(to, body...)
	}
	label := func(k, v string) []byte {
		return field(field(nil, 1, []byte(k)), 2, []byte(v))
	}
	sample := binary.LittleEndian.AppendUint64([]byte{1<<3 | 1}, math.Float64bits(v))
	sample = binary.AppendUvarint(append(sample, 2<<3), uint64(ms))
	var ts []byte
	ts = field(ts, 1, label("__name__", name))
	ts = field(ts, 1, label("probe", probe))
	ts = field(ts, 2, sample)
	return field(req, 1, ts)
}
