// SPDX-License-Identifier: Apache-2.0

// Package client is the command line's way to the daemon: typed calls of its
// JSON API. Requests that create or change something carry an idempotency key
// and are sent again once when the line breaks before the answer.
//
// What an answer means is not judged here, and nothing is printed.
package client

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"net"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/sensors"
)

// DefaultServer is where a daemon without configuration listens.
const DefaultServer = "http://" + web.DefaultListen

// ErrNoDaemon means that nothing answers at the server's address.
var ErrNoDaemon = errors.New("no daemon answers; start it with `curewright watch`")

// Error is a refusal by the daemon. Its text is one "field: what" a line.
type Error struct {
	Status int
	Faults web.Faults
	// Confirm is what the same request must repeat to be taken after all; "" where
	// nothing is asked (web.ConfirmError).
	Confirm string
	late    []string // of /readyz
}

func (e *Error) Error() string {
	if len(e.Faults) == 0 {
		return fmt.Sprintf("the daemon answered %d %s", e.Status, http.StatusText(e.Status))
	}
	lines := make([]string, len(e.Faults))
	for i, f := range e.Faults {
		lines[i] = f.Error()
	}
	return strings.Join(lines, "\n")
}

// Client speaks to one daemon. Make one with [New].
type Client struct {
	base   *url.URL
	token  string
	http   *http.Client
	socket string // the Unix socket that is spoken through, "" for none

	// Fahrenheit asks for the temperatures in sentences in °F; figures are °C.
	Fahrenheit bool
}

// New returns a client of the daemon at server: an address, or "unix:PATH" for
// its socket. With "" it is the installed service's socket where one answers
// and no token is given, else [DefaultServer]. On the daemon's own board what
// needs the role control goes through its socket by itself.
//
// tokenFile holds the log-in; "" means none. A token file that others can read
// is refused: it is a key to the shop.
func New(server, tokenFile string) (*Client, error) {
	if server == "" {
		server = DefaultServer
		if c, err := web.DialSocket(context.Background(), web.ServiceSocket); err == nil && tokenFile == "" {
			c.Close()
			server = "unix:" + web.ServiceSocket
		}
	}
	c := &Client{}
	if path, ok := strings.CutPrefix(server, "unix:"); ok {
		if path == "" {
			return nil, fmt.Errorf("server %q: want unix:PATH", server)
		}
		c.socket, c.http = path, throughSocket(path)
		c.base = &url.URL{Scheme: "http", Host: "board"}
	} else {
		u, err := url.Parse(server)
		if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.User != nil || u.RawQuery != "" || u.Fragment != "" {
			return nil, fmt.Errorf("server %q: want http://HOST:PORT, https://HOST:PORT or unix:PATH", server)
		}
		u.Path = strings.TrimSuffix(u.Path, "/")
		c.base, c.http = u, &http.Client{CheckRedirect: noRedirect}
	}
	if tokenFile == "" {
		return c, nil
	}
	fi, err := os.Stat(tokenFile)
	if err != nil {
		return nil, fmt.Errorf("token file: %w", err)
	}
	if fi.Mode().Perm()&0o077 != 0 {
		return nil, fmt.Errorf("token file %s: others can read it: chmod 600 it", tokenFile)
	}
	b, err := os.ReadFile(tokenFile)
	if err != nil {
		return nil, fmt.Errorf("token file: %w", err)
	}
	c.token = strings.TrimSpace(string(b))
	if c.token == "" || strings.ContainsAny(c.token, " \t\r\n") {
		return nil, fmt.Errorf("token file %s: want one token and nothing else", tokenFile)
	}
	return c, nil
}

// SetToken replaces the log-in, as after [Client.Pair].
func (c *Client) SetToken(token string) { c.token = token }

// Server returns the daemon's address as [New] takes it.
func (c *Client) Server() string {
	if c.socket != "" {
		return "unix:" + c.socket
	}
	return c.base.String()
}

// noRedirect: a redirect would carry the token to wherever it points.
func noRedirect(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }

// throughSocket speaks HTTP over a Unix socket, whatever the address says.
func throughSocket(path string) *http.Client {
	return &http.Client{CheckRedirect: noRedirect, Transport: &http.Transport{
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) { return web.DialSocket(ctx, path) },
	}}
}

// bySocket sends a refused request again through the socket that the refusal
// names, where that can be opened. Only a daemon on this machine is believed.
func (c *Client) bySocket(r *http.Request, path string) (*http.Response, error) {
	host := c.base.Hostname()
	if ip := net.ParseIP(host); path == "" || c.socket != "" || c.token != "" || host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, nil
	}
	again := r.Clone(r.Context())
	again.URL.Scheme = "http"
	if r.GetBody != nil {
		b, err := r.GetBody()
		if err != nil {
			return nil, err
		}
		again.Body = b
	} else if r.Body != nil && r.Body != http.NoBody {
		return nil, nil // read already
	}
	return throughSocket(path).Do(again)
}

const answerTimeout = time.Minute

// do makes one request and returns the open answer, which is a success.
func (c *Client) do(ctx context.Context, method, p string, query url.Values, body any, key string) (*http.Response, error) {
	var b []byte
	if body != nil {
		var err error
		if raw, ok := body.(json.RawMessage); ok {
			b = raw
		} else if b, err = json.Marshal(body); err != nil {
			return nil, fmt.Errorf("%s %s: %w", method, p, err)
		}
	}
	u := *c.base
	// p is already escaped; RawPath keeps a slash inside an id from becoming a
	// path of its own.
	full := c.base.Path + p
	if dec, err := url.PathUnescape(full); err == nil {
		u.Path, u.RawPath = dec, full
	}
	u.RawQuery = query.Encode()
	for try := 0; ; try++ {
		r, err := http.NewRequestWithContext(ctx, method, u.String(), bytes.NewReader(b))
		if err != nil {
			return nil, err
		}
		if body != nil {
			r.Header.Set("Content-Type", "application/json")
		}
		if key != "" {
			r.Header.Set("Idempotency-Key", key)
		}
		res, err := c.send(r)
		if errors.Is(err, ErrNoDaemon) && key != "" && try == 0 {
			continue
		}
		return res, err
	}
}

// send adds the log-in and turns everything but a success into an error.
func (c *Client) send(r *http.Request) (*http.Response, error) {
	if c.token != "" {
		r.Header.Set("Authorization", "Bearer "+c.token)
	}
	if c.Fahrenheit {
		r.Header.Set("Prefer", web.PreferUS)
	}
	res, err := c.http.Do(r)
	if err != nil {
		if ctx := r.Context(); ctx.Err() != nil {
			return nil, ctx.Err()
		}
		return nil, fmt.Errorf("%s: %w (%v)", c.Server(), ErrNoDaemon, cause(err))
	}
	var shut error // why the socket did not help
	path := res.Header.Get(web.SocketHeader)
	if res.StatusCode == http.StatusUnauthorized || res.StatusCode == http.StatusForbidden {
		var again *http.Response
		if again, shut = c.bySocket(r, path); again != nil {
			res.Body.Close()
			res = again
		}
	}
	if res.StatusCode >= 200 && res.StatusCode < 300 {
		return res, nil
	}
	defer res.Body.Close()
	var e struct {
		Error   web.Faults
		Confirm string
		Late    []string
	}
	text, _ := io.ReadAll(io.LimitReader(res.Body, 1<<20))
	if json.Unmarshal(text, &e) != nil {
		e.Error, e.Confirm, e.Late = nil, "", nil // not our daemon's answer: the status has to do
	}
	if errors.Is(shut, fs.ErrPermission) {
		e.Error = append(e.Error, web.Fault{What: path + " lets in root, the daemon's own user and its group: run this with sudo"})
	} else if shut != nil {
		e.Error = append(e.Error, web.Fault{What: cause(shut).Error()})
	}
	return nil, &Error{res.StatusCode, e.Error, e.Confirm, e.Late}
}

// cause drops the method and address, which the message already has.
func cause(err error) error {
	if u, ok := errors.AsType[*url.Error](err); ok {
		return u.Err
	}
	return err
}

// call makes one request and decodes its answer into out, if that is not nil.
func (c *Client) call(ctx context.Context, method, p string, query url.Values, body any, key string, out any) error {
	ctx, cancel := context.WithTimeout(ctx, answerTimeout)
	defer cancel()
	res, err := c.do(ctx, method, p, query, body, key)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if out == nil {
		_, err := io.Copy(io.Discard, res.Body)
		return err
	}
	text, err := io.ReadAll(io.LimitReader(res.Body, maxAnswer))
	if err == nil {
		err = json.Unmarshal(forTerminal(text), out)
	}
	if err != nil {
		return fmt.Errorf("%s %s: answer: %w", method, p, err)
	}
	return nil
}

// ask makes one request and returns its answer.
func ask[T any](ctx context.Context, c *Client, method, p string, query url.Values, body any, key string) (out T, err error) {
	err = c.call(ctx, method, p, query, body, key, &out)
	return out, err
}

func get[T any](ctx context.Context, c *Client, p string, query url.Values) (T, error) {
	return ask[T](ctx, c, "GET", p, query, nil, "")
}

// list returns what an answer holds under the name that it is asked for by; what
// else a newer daemon says there is left alone.
func list[T any](ctx context.Context, c *Client, name string, query url.Values) (out []T, err error) {
	a, err := get[map[string]json.RawMessage](ctx, c, at(name), query)
	if err != nil || a[name] == nil {
		return nil, err
	}
	if err := json.Unmarshal(a[name], &out); err != nil {
		return nil, fmt.Errorf("%s: the daemon's answer: %w", name, err)
	}
	return out, nil
}

// withAll asks for what is over as well.
func withAll(all bool) url.Values {
	if all {
		return url.Values{"all": {"true"}}
	}
	return nil
}

// maxAnswer is the most of an answer that is held at once.
const maxAnswer = 64 << 20

// forTerminal takes out of a JSON answer's texts what a terminal would obey: an
// older store, or a daemon that is not ours, may call a panel by an escape
// sequence. Line ends and tabs stay.
func forTerminal(text []byte) []byte {
	out := make([]byte, 0, len(text))
	for i := 0; i < len(text); {
		if text[i] == '\\' && i+1 < len(text) {
			if text[i+1] != 'u' || i+6 > len(text) {
				if text[i+1] == 'r' || text[i+1] == 'b' || text[i+1] == 'f' {
					out = append(out, "\\ufffd"...)
				} else {
					out = append(out, text[i:i+2]...)
				}
				i += 2
				continue
			}
			if n, err := strconv.ParseUint(string(text[i+2:i+6]), 16, 16); err == nil && obeyed(rune(n)) {
				out = append(out, "\\ufffd"...)
			} else {
				out = append(out, text[i:i+6]...)
			}
			i += 6
			continue
		}
		r, n := utf8.DecodeRune(text[i:])
		if n > 1 && obeyed(r) || r == 0x7f {
			out = append(out, "\\ufffd"...)
		} else {
			out = append(out, text[i:i+n]...)
		}
		i += n
	}
	return out
}

// obeyed reports whether a terminal does something else with a character than
// show it.
func obeyed(r rune) bool {
	return r != '\n' && r != '\t' && unicode.IsControl(r) || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069
}

const api = "/api/v1"

func at(parts ...string) string {
	for i, p := range parts {
		parts[i] = url.PathEscape(p)
	}
	return api + "/" + strings.Join(parts, "/")
}

// Key returns a fresh idempotency key.
func Key() string { return web.NewToken() }

// Snapshot returns the whole shop as it is now.
func (c *Client) Snapshot(ctx context.Context) (web.Snapshot, error) {
	return get[web.Snapshot](ctx, c, api+"/snapshot", nil)
}

// Coats returns the open coats, or all of them, with the time of the evaluation.
func (c *Client) Coats(ctx context.Context, all bool) (now time.Time, coats []web.CoatView, err error) {
	a, err := get[struct {
		At    time.Time
		Coats []web.CoatView
	}](ctx, c, at("coats"), withAll(all))
	return a.At, a.Coats, err
}

// Coat returns one coat with its changes.
func (c *Client) Coat(ctx context.Context, id string) (web.CoatView, error) {
	return get[web.CoatView](ctx, c, at("coats", id), nil)
}

// Trace returns a coat's temperature and cure from one time to another.
func (c *Client) Trace(ctx context.Context, id string, from, to time.Time, points int) ([]coat.TracePoint, error) {
	q := span(from, to)
	if points > 0 {
		q.Set("points", fmt.Sprint(points))
	}
	a, err := get[struct{ Points []coat.TracePoint }](ctx, c, at("coats", id, "trace"), q)
	return a.Points, err
}

func span(from, to time.Time) url.Values {
	q := url.Values{}
	if !from.IsZero() {
		q.Set("from", from.Format(time.RFC3339Nano))
	}
	if !to.IsZero() {
		q.Set("to", to.Format(time.RFC3339Nano))
	}
	return q
}

type idAnswer struct{ ID string }

// Create stores a record and returns its id. kinds: pieces, panels, batches,
// coats, feels, resins. key may be "": then this call makes its own.
func (c *Client) Create(ctx context.Context, kinds string, record any, key string) (string, error) {
	if key == "" {
		key = Key()
	}
	a, err := ask[idAnswer](ctx, c, "POST", at(kinds), nil, record, key)
	return a.ID, err
}

// StartCoat records a coat put on a panel.
func (c *Client) StartCoat(ctx context.Context, x coat.Coat) (string, error) {
	return c.Create(ctx, "coats", x, "")
}

// EndCoat stops watching a coat from the given time.
func (c *Client) EndCoat(ctx context.Context, id string, when time.Time) error {
	return c.Patch(ctx, "coats", id, map[string]time.Time{"ended": when})
}

// AddPanel records a panel.
func (c *Client) AddPanel(ctx context.Context, x coat.Panel) (string, error) {
	return c.Create(ctx, "panels", x, "")
}

// Mixed records a batch.
func (c *Client) Mixed(ctx context.Context, x coat.Batch) (string, error) {
	return c.Create(ctx, "batches", x, "")
}

// EndBatch records that a cup is used up or thrown out; leftG may be nil.
func (c *Client) EndBatch(ctx context.Context, id string, when time.Time, leftG *float64) error {
	return c.call(ctx, "POST", at("batches", id, "end"), nil, web.BatchEnd{At: &when, LeftG: leftG}, Key(), nil)
}

// Feel records a finger test and returns its id.
func (c *Client) Feel(ctx context.Context, coatID string, state coat.State, when time.Time) (string, error) {
	a, err := ask[idAnswer](ctx, c, "POST", at("coats", coatID, "feels"), nil, map[string]any{"at": when, "state": state}, Key())
	return a.ID, err
}

// Patch changes fields of a record; null clears one.
func (c *Client) Patch(ctx context.Context, kinds, id string, fields any) error {
	return c.call(ctx, "PATCH", at(kinds, id), nil, fields, Key(), nil)
}

// Delete takes a record back; the record of changes keeps it.
func (c *Client) Delete(ctx context.Context, kinds, id string) error {
	return c.call(ctx, "DELETE", at(kinds, id), nil, nil, Key(), nil)
}

// TestSound sends a test through a channel or, with heard, says whether it
// was noticed.
func (c *Client) TestSound(ctx context.Context, channel string, heard *bool) error {
	return c.call(ctx, "POST", api+"/sound/test", nil, web.SoundTest{Channel: channel, Heard: heard}, Key(), nil)
}

// Panels returns the panels.
func (c *Client) Panels(ctx context.Context) ([]coat.Panel, error) {
	return list[coat.Panel](ctx, c, "panels", nil)
}

// Batches returns the mixed cups.
func (c *Client) Batches(ctx context.Context) ([]coat.Batch, error) {
	return list[coat.Batch](ctx, c, "batches", nil)
}

// Resins returns the epoxies known to the daemon.
func (c *Client) Resins(ctx context.Context) ([]cure.Resin, error) {
	return list[cure.Resin](ctx, c, "resins", nil)
}

// Push sends readings and returns what was taken and what was refused.
func (c *Client) Push(ctx context.Context, rs []web.PushReading) (p web.PushResult, err error) {
	if rs == nil {
		rs = []web.PushReading{}
	}
	err = c.call(ctx, "POST", api+"/readings", nil, rs, "", &p)
	return p, err
}

// Readings yields one probe's readings in order of time as they arrive, never
// holding them. The last pair may carry an error; a broken stream always does.
func (c *Client) Readings(ctx context.Context, probe string, from, to time.Time) iter.Seq2[sensors.Reading, error] {
	return func(yield func(sensors.Reading, error) bool) {
		ctx, cancel := context.WithCancel(ctx)
		defer cancel()
		q := span(from, to)
		q.Set("probe", probe)
		res, err := c.do(ctx, "GET", api+"/readings", q, nil, "")
		if err != nil {
			yield(sensors.Reading{}, err)
			return
		}
		defer res.Body.Close()
		dec := json.NewDecoder(res.Body)
		fail := func(err error) {
			if err == io.EOF {
				err = io.ErrUnexpectedEOF
			}
			yield(sensors.Reading{}, fmt.Errorf("readings of %s: %w", probe, err))
		}
		for tok := json.Token(nil); tok != json.Delim('['); { // up to the list
			if tok, err = dec.Token(); err != nil {
				fail(err)
				return
			}
		}
		for dec.More() {
			var r struct {
				Time  time.Time     `json:"time"`
				TempC sensors.Value `json:"temp_c"`
				RHPct sensors.Value `json:"rh_pct"`
				CO2   sensors.Value `json:"co2_ppm"`
			}
			if err := dec.Decode(&r); err != nil {
				fail(err)
				return
			}
			if !yield(sensors.Reading{Probe: probe, At: r.Time, Temp: r.TempC, RH: r.RHPct, CO2: r.CO2}, nil) {
				return
			}
		}
		for range 2 { // "]" and "}": without them it was cut off
			if _, err := dec.Token(); err != nil {
				fail(err)
				return
			}
		}
	}
}

// ReadingsCSV copies one probe's readings as CSV.
func (c *Client) ReadingsCSV(ctx context.Context, w io.Writer, probe string, from, to time.Time) error {
	q := span(from, to)
	q.Set("probe", probe)
	q.Set("format", "csv")
	return c.copy(ctx, w, api+"/readings", q)
}

// Record copies a panel's cure record as "html", "json" or "csv".
func (c *Client) Record(ctx context.Context, w io.Writer, panel, format string) error {
	return c.copy(ctx, w, at("panels", panel, "record"), url.Values{"format": {format}})
}

// Backup copies the whole store.
func (c *Client) Backup(ctx context.Context, w io.Writer) error {
	return c.copy(ctx, w, api+"/backup", nil)
}

func (c *Client) copy(ctx context.Context, w io.Writer, p string, q url.Values) error {
	res, err := c.do(ctx, "GET", p, q, nil, "")
	if err != nil {
		return err
	}
	defer res.Body.Close()
	_, err = io.Copy(w, res.Body)
	return err
}

// Probes returns every probe with its health.
func (c *Client) Probes(ctx context.Context) ([]web.ProbeView, error) {
	return list[web.ProbeView](ctx, c, "probes", nil)
}

// SetProbe names a probe, gives it a role or a panel, or accepts it.
func (c *Client) SetProbe(ctx context.Context, id string, p web.ProbePatch) error {
	return c.call(ctx, "PUT", at("probes", id), nil, p, "", nil)
}

// Alerts returns the open alerts, or also those that are over.
func (c *Client) Alerts(ctx context.Context, all bool) ([]alerts.Alert, error) {
	return list[alerts.Alert](ctx, c, "alerts", withAll(all))
}

// Ack acknowledges an alert.
func (c *Client) Ack(ctx context.Context, id string) error {
	return c.call(ctx, "POST", at("alerts", id, "ack"), nil, nil, "", nil)
}

// Settings returns the settings.
func (c *Client) Settings(ctx context.Context) (web.SettingsView, error) {
	return get[web.SettingsView](ctx, c, api+"/settings", nil)
}

// PutSettings changes some settings, by their JSON keys.
func (c *Client) PutSettings(ctx context.Context, fields map[string]any) (web.SettingsView, error) {
	return ask[web.SettingsView](ctx, c, "PUT", api+"/settings", nil, fields, "")
}

// TrustClock tells a board without a clock of its own what time it is. A time
// that what the board knows speaks against is refused with an [Error] whose Confirm the
// second try has to repeat. It returns the board's time.
func (c *Client) TrustClock(ctx context.Context, now time.Time, confirm string) (time.Time, error) {
	body := web.ClockTime{Time: &now, Confirm: confirm}
	out, err := ask[struct{ Now time.Time }](ctx, c, "POST", api+"/clock", nil, body, "")
	return out.Now, err
}

// Plan asks for a layup day; the request and the answer are the daemon's own
// JSON.
func (c *Client) Plan(ctx context.Context, body json.RawMessage) (json.RawMessage, error) {
	return ask[json.RawMessage](ctx, c, "POST", api+"/plan", nil, body, "")
}

// Restore sends a copy made by [Client.Backup] back and returns what the
// daemon says will happen next.
func (c *Client) Restore(ctx context.Context, r io.Reader) (next string, err error) {
	u := *c.base
	u.Path += api + "/backup"
	req, err := http.NewRequestWithContext(ctx, "POST", u.String(), r)
	if err != nil {
		return "", err
	}
	req.Header.Set("Content-Type", "application/octet-stream")
	res, err := c.send(req)
	if err != nil {
		return "", err
	}
	defer res.Body.Close()
	var a struct{ Next string }
	if err := json.NewDecoder(res.Body).Decode(&a); err != nil {
		return "", fmt.Errorf("restore: answer: %w", err)
	}
	return a.Next, nil
}

// NewPairCode asks for a one-time code for a log-in of the given role, good
// for so many days; 0 means as long as it is used.
func (c *Client) NewPairCode(ctx context.Context, role web.Role, name string, days int) (web.PairCode, error) {
	return ask[web.PairCode](ctx, c, "POST", api+"/paircodes", nil, web.NewPairCode{Role: role, Name: name, Days: days}, "")
}

// Pair redeems a code for a token.
func (c *Client) Pair(ctx context.Context, code, device string) (web.Paired, error) {
	return ask[web.Paired](ctx, c, "POST", api+"/pair", nil, web.Pairing{Code: code, Device: device}, "")
}

// Tokens lists the log-ins, without their secrets.
func (c *Client) Tokens(ctx context.Context) ([]web.TokenInfo, error) {
	return list[web.TokenInfo](ctx, c, "tokens", nil)
}

// Revoke ends a log-in.
func (c *Client) Revoke(ctx context.Context, id string) error {
	return c.call(ctx, "DELETE", at("tokens", id), nil, nil, "", nil)
}

// Tent returns the tent.
func (c *Client) Tent(ctx context.Context) (web.TentView, error) {
	return get[web.TentView](ctx, c, api+"/tent", nil)
}

// AcceptTent accepts the heater's limits that the hash names; only through the
// daemon's socket.
func (c *Client) AcceptTent(ctx context.Context, hash string) (web.TentView, error) {
	return ask[web.TentView](ctx, c, "POST", api+"/tent/accept", nil, web.TentAcceptance{LimitsHash: hash}, "")
}

// TentOff switches the tent's heater off.
func (c *Client) TentOff(ctx context.Context, why string) error {
	return c.call(ctx, "POST", api+"/tent/off", nil, web.TentOffWhy{Why: why}, "", nil)
}

// Ready returns the parts that are late; none means that all is well.
func (c *Client) Ready(ctx context.Context) (late []string, err error) {
	a, err := get[struct{ Late []string }](ctx, c, "/readyz", nil)
	if e, ok := errors.AsType[*Error](err); ok && e.Status == http.StatusServiceUnavailable && len(e.late) > 0 {
		return e.late, nil
	}
	return a.Late, err
}
