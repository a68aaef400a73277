// SPDX-License-Identifier: Apache-2.0

// Package testkit is what tests of the whole program share: asking the API of a
// daemon, waiting for an event, the real room's readings, a kernel-like 1-wire
// tree. Nothing that runs outside a test may import it.
package testkit

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/realpart"
	"curewright/model/air"
	"curewright/sensors"
)

// API asks a daemon: over the network by URL or, where Handler is set, without
// one, as a client on loopback.
type API struct {
	T       testing.TB
	URL     string
	Handler http.Handler
}

// Do asks once, with body as JSON, and fails the test on any other status than
// want.
func (a *API) Do(method, path string, body any, want int) []byte {
	a.T.Helper()
	var rd []byte
	if body != nil {
		var err error
		if rd, err = json.Marshal(body); err != nil {
			a.T.Fatal(err)
		}
	}
	code, b := a.Raw(method, path, rd)
	if code != want {
		a.T.Fatalf("%s %s: %d, want %d: %s", method, path, code, want, b)
	}
	return b
}

// Raw asks once and returns the status and what was answered.
func (a *API) Raw(method, path string, body []byte) (int, []byte) {
	a.T.Helper()
	url := a.URL
	if a.Handler != nil {
		url = "http://127.0.0.1:8374"
	}
	req, err := http.NewRequestWithContext(a.T.Context(), method, url+path, bytes.NewReader(body))
	OK(a.T, err)
	req.Header.Set("Content-Type", "application/json")
	if a.Handler != nil {
		req.RemoteAddr = "127.0.0.1:40000"
		rec := httptest.NewRecorder()
		here := &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8374}
		a.Handler.ServeHTTP(rec, req.WithContext(context.WithValue(req.Context(), http.LocalAddrContextKey, here)))
		return rec.Code, rec.Body.Bytes()
	}
	resp, err := http.DefaultClient.Do(req)
	OK(a.T, err)
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	OK(a.T, err)
	return resp.StatusCode, b
}

// Post creates something and returns its id.
func (a *API) Post(path string, body any) string {
	a.T.Helper()
	var out struct{ ID string }
	OK(a.T, json.Unmarshal(a.Do("POST", path, body, http.StatusCreated), &out))
	return out.ID
}

// Push sends readings, all of which must be taken.
func (a *API) Push(rs []web.PushReading) {
	a.T.Helper()
	var out web.PushResult
	OK(a.T, json.Unmarshal(a.Do("POST", "/api/v1/readings", rs, http.StatusAccepted), &out))
	if out.Taken != len(rs) {
		a.T.Fatalf("%d of %d readings taken: %+v", out.Taken, len(rs), out.Refused)
	}
}

// Coats are the open coats.
func (a *API) Coats() []web.CoatView {
	a.T.Helper()
	var out struct{ Coats []web.CoatView }
	OK(a.T, json.Unmarshal(a.Do("GET", "/api/v1/coats", nil, http.StatusOK), &out))
	return out.Coats
}

// Get asks url and decodes the JSON that it answers into v, which may be nil.
func Get(t testing.TB, url string, v any) {
	t.Helper()
	resp, err := http.Get(url)
	OK(t, err)
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	OK(t, err)
	if resp.StatusCode != http.StatusOK {
		t.Fatalf("GET %s: %d: %s", url, resp.StatusCode, b)
	}
	if v != nil {
		if err := json.Unmarshal(b, v); err != nil {
			t.Fatalf("GET %s: %v: %s", url, err, b)
		}
	}
}

// Until polls for what takes the daemon a moment.
func Until(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for range 400 {
		if ok() {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatalf("never: %s", what)
}

// OK ends the test where something that must not fail does.
func OK(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// FreePort is a port of this machine's that nobody listens on, and its address.
func FreePort(t testing.TB) (port, addr string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	OK(t, err)
	defer l.Close()
	addr = l.Addr().String()
	return addr[strings.LastIndexByte(addr, ':')+1:], addr
}

// NoLog is a log that nobody reads.
func NoLog() *slog.Logger { return slog.New(slog.DiscardHandler) }

// Buffer is standard output that a test reads while the command runs.
type Buffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *Buffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *Buffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// Opened finds the address in what `watch` prints.
var Opened = regexp.MustCompile(`Open (http://\S+?)/?\n`)

// Write makes or replaces a file.
func Write(t testing.TB, name, text string) {
	t.Helper()
	OK(t, os.WriteFile(name, []byte(text), 0o600))
}

// MustRead is a file's bytes.
func MustRead(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(name)
	OK(t, err)
	return b
}

// BuildBinary builds the whole program and returns its path.
func BuildBinary(tb testing.TB) string {
	tb.Helper()
	bin := filepath.Join(tb.TempDir(), "curewright")
	cmd := exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", bin, "curewright/cmd/curewright")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		tb.Fatalf("build: %v\n%s", err, out)
	}
	return bin
}

// W1File is a w1_slave file, in w1_therm's form, at a temperature in sixteenths
// of a degree.
func W1File(raw int16) []byte {
	pad := []byte{byte(raw), byte(uint16(raw) >> 8), 0x4b, 0x46, 0x7f, 0xff, 0x0f, 0x10}
	hex := ""
	for _, b := range append(pad, sensors.CRC8Maxim(pad)) {
		hex += fmt.Sprintf("%02x ", b)
	}
	return []byte(fmt.Sprintf("%s: crc=%02x YES\n%st=%d\n", hex, sensors.CRC8Maxim(pad), hex, int(raw)*1000/16))
}

// W1Tree makes a tree like the kernel's with one DS18B20 at 25.0625 °C: the
// scratchpad 0191 of the data sheet's temperature table (DS18B20, 19-7487
// Rev 6, Table 1).
func W1Tree(t testing.TB) (root, slave string) {
	t.Helper()
	root = t.TempDir()
	dir := filepath.Join(root, "28-0316a2795d1f")
	OK(t, os.MkdirAll(dir, 0o755))
	slave = filepath.Join(dir, "w1_slave")
	OK(t, os.WriteFile(slave, W1File(0x0191), 0o600))
	return root, slave
}

// OfficeRow is a minute of the real room's open data.
type OfficeRow struct {
	At         time.Time
	C, RH, CO2 float64
	Ratio      float64 // water, kg per kg of dry air
}

// Office reads the room's rows; by shifts its temperature, and humidity then
// follows from the file's own humidity ratio, capped at 100 %.
func Office(t testing.TB, by float64) []OfficeRow {
	t.Helper()
	f, err := os.Open(realpart.Office(t))
	OK(t, err)
	defer f.Close()
	recs, err := csv.NewReader(f).ReadAll()
	OK(t, err)
	var out []OfficeRow
	for _, r := range recs[1:] {
		at, err := time.Parse(time.RFC3339, r[0])
		OK(t, err)
		var x [4]float64
		for i := range x {
			if x[i], err = strconv.ParseFloat(r[i+1], 64); err != nil {
				t.Fatal(err)
			}
		}
		row := OfficeRow{at, x[0] + by, x[1], x[2], x[3]}
		if by != 0 {
			e := air.StandardPressure * row.Ratio / (.621945 + row.Ratio) // vapour, Pa: air.HumidityRatio turned round
			row.RH = math.Min(100, 100*e/air.VapourPressure(row.C))
		}
		out = append(out, row)
	}
	return out
}

// Round4 is what the CSV carries, so that both ways see the same number.
func Round4(x float64) *float64 {
	r := math.Round(x*1e4) / 1e4
	return &r
}

// Tree makes a board's files.
func Tree(t testing.TB, files map[string]string) string {
	t.Helper()
	root := t.TempDir()
	for name, text := range files {
		p := filepath.Join(root, name)
		OK(t, os.MkdirAll(filepath.Dir(p), 0o755))
		Write(t, p, text)
	}
	return root
}

// StockBoot is a boot file as a new system for such boards has it, shortened; from memory.
const StockBoot = `# For more options and information see the documentation
#dtparam=i2c_arm=on
#dtparam=i2s=on
dtparam=audio=on
camera_auto_detect=1
dtoverlay=vc4-kms-v3d
max_framebuffers=2
arm_64bit=1

[cm4]
otg_mode=1

[all]
`
