// SPDX-License-Identifier: Apache-2.0

package web

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"
)

// route is one method and path. Role "" means no log-in; page means that a
// missing log-in is answered with the log-in page instead of JSON.
type route struct {
	method, path string
	role         Role
	page         bool
	fn           func(s *Server, w http.ResponseWriter, r *http.Request)
}

const api = "/api/v1"

// kinds of record and the word in their paths.
var kinds = map[string]string{
	"pieces": "piece", "panels": "panel", "batches": "batch",
	"coats": "coat", "feels": "feel", "resins": "resin", "stock": "stock",
}

func routeTable() []route {
	const get, post, put, patch, del = "GET", "POST", "PUT", "PATCH", "DELETE"
	t := []route{
		{get, "/healthz", "", false, (*Server).healthz},
		{get, "/readyz", Look, false, (*Server).readyz},
		{get, "/metrics", Look, false, func(s *Server, w http.ResponseWriter, r *http.Request) { s.metrics.ServeHTTP(w, r) }},

		{get, "/{$}", Look, true, (*Server).page},
		{get, "/pair", "", false, (*Server).page},
		{post, "/pair", "", false, (*Server).pair},
		{post, api + "/pair", "", false, (*Server).pair},
		{post, "/logout", "", false, (*Server).logout},
		{post, api + "/logout", "", false, (*Server).logout},
		{get, "/ack/{token}", "", false, (*Server).ackPage},
		{post, "/ack/{token}", "", false, (*Server).ackByLink},

		{get, "/events", Look, false, (*Server).events},
		{get, api + "/events", Look, false, (*Server).events},
		{get, api + "/snapshot", Look, false, (*Server).snapshot},
		{get, api + "/whoami", Look, false, (*Server).whoami},
		{get, api + "/openapi.json", Look, false, (*Server).openAPI},

		{get, api + "/coats", Look, false, (*Server).coats},
		{get, api + "/coats/{id}", Look, false, (*Server).coat},
		{get, api + "/coats/{id}/trace", Look, false, (*Server).trace},
		{get, api + "/coats/{id}/feels", Look, false, (*Server).feels},
		{post, api + "/coats/{id}/feels", Record, false, (*Server).addFeel},
		{post, api + "/batches/{id}/end", Record, false, (*Server).endBatch},
		{get, api + "/panels/{id}/record", Look, false, (*Server).record},

		{post, api + "/readings", Push, false, (*Server).push},
		{get, api + "/readings", Look, false, (*Server).readings},
		{get, api + "/probes", Look, false, (*Server).probes},
		{put, api + "/probes/{id}", Record, false, (*Server).setProbe},

		{del, api + "/probes/{id}", Record, false, (*Server).forgetProbe},

		{get, api + "/alerts", Look, false, (*Server).alerts},
		{post, api + "/alerts/{id}/ack", Record, false, (*Server).ack},
		{post, api + "/sound/test", Record, false, (*Server).testSound},

		{get, api + "/settings", Look, false, (*Server).settings},
		{put, api + "/settings", Record, false, (*Server).putSettings},
		{post, api + "/clock", Record, false, (*Server).clock},

		{get, api + "/air", Look, false, (*Server).air},
		{get, api + "/cure", Look, false, (*Server).cure},
		{get, api + "/pot", Look, false, (*Server).pot},
		{post, api + "/mix", Look, false, (*Server).mix},
		{get, api + "/stock", Look, false, (*Server).stock},
		{get, api + "/stock.csv", Look, false, (*Server).stockCSV},
		{post, api + "/stock/import", Record, false, (*Server).importStock},
		{get, api + "/panels/{id}/laminate", Look, false, (*Server).laminate},
		{get, api + "/pieces/{id}/bill", Look, false, (*Server).bill},
		{post, api + "/plan", Look, false, (*Server).plan},
		{post, api + "/resins/fit", Look, false, (*Server).fit},

		{get, api + "/memory", Look, false, (*Server).memory},
		{post, api + "/memory/forget", Record, false, (*Server).forgetMemory},
		{get, api + "/memory/file", Control, false, (*Server).memoryFile},
		{post, api + "/memory/file", Control, false, (*Server).importMemory},

		{get, api + "/tent", Look, false, (*Server).tent},
		{put, api + "/tent/setpoint", Control, false, (*Server).setTent},
		// Off is for everybody who may write: it can only make things safer.
		{post, api + "/tent/off", Record, false, (*Server).tentOff},
		{post, api + "/tent/solvent", Record, false, (*Server).tentSolvent},
		{post, api + "/tent/release", Control, false, (*Server).tentRelease},
		{post, api + "/tent/accept", Control, false, (*Server).tentAccept},
		{put, api + "/tent/resume", Control, false, (*Server).tentResume},
		{post, api + "/tent/aim", Control, false, (*Server).tentAim},
		{del, api + "/tent/aim", Control, false, (*Server).tentAimOff},

		{get, api + "/backup", Control, false, (*Server).backup},
		{post, api + "/backup", Control, false, (*Server).restore},
		{post, api + "/paircodes", Control, false, (*Server).newCode},
		{get, api + "/tokens", Control, false, (*Server).tokens},
		{del, api + "/tokens/{id}", Control, false, (*Server).revoke},
	}
	t = append(t, jobRoutes()...)
	for _, word := range sortedKeys(kinds) {
		kind := kinds[word]
		t = append(t,
			route{post, api + "/" + word, Record, false, func(s *Server, w http.ResponseWriter, r *http.Request) { s.create(w, r, kind, nil) }},
			route{patch, api + "/" + word + "/{id}", Record, false, func(s *Server, w http.ResponseWriter, r *http.Request) { s.patch(w, r, kind) }},
			route{del, api + "/" + word + "/{id}", Record, false, func(s *Server, w http.ResponseWriter, r *http.Request) { s.delete(w, r, kind) }},
		)
		if word != "coats" {
			if word != "stock" { // which says what is left as well
				t = append(t, route{get, api + "/" + word, Look, false, func(s *Server, w http.ResponseWriter, r *http.Request) { s.list(w, r, word) }})
			}
			t = append(t,
				route{get, api + "/" + word + "/{id}", Look, false, func(s *Server, w http.ResponseWriter, r *http.Request) { s.one(w, r, word) }},
			)
		}
	}
	return t
}

func (s *Server) mount() {
	s.routes = routeTable()
	// The page's files hold no data of the shop, and the log-in page needs
	// them before there is a log-in.
	for _, name := range sortedKeys(s.assets.files) {
		s.routes = append(s.routes, route{"GET", "/" + name, "", false, func(s *Server, w http.ResponseWriter, r *http.Request) {
			s.assets.serve(w, r, name, http.StatusOK)
		}})
	}
	s.mux = http.NewServeMux()
	for _, rt := range s.routes {
		s.mux.HandleFunc(rt.method+" "+rt.path, s.gate(rt, func(w http.ResponseWriter, r *http.Request) { rt.fn(s, w, r) }))
	}
	// What is not there is behind the gate too, so that nobody learns from
	// outside what is.
	s.mux.HandleFunc("/", s.gate(route{role: Look}, s.nothing))
	s.handler = s.wrap(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		// The router would answer an untidy path with a redirect before the
		// gate has seen it. None of our addresses needs tidying.
		if p := r.URL.Path; strings.Contains(p, "//") || strings.Contains(p, "/./") || strings.Contains(p, "/../") ||
			strings.HasSuffix(p, "/.") || strings.HasSuffix(p, "/..") || !strings.HasPrefix(p, "/") {
			s.gate(route{role: Look}, s.absent)(w, r)
			return
		}
		s.mux.ServeHTTP(w, r)
	}))
}

// nothing answers what no route does: 405 where the path exists, else 404.
func (s *Server) nothing(w http.ResponseWriter, r *http.Request) {
	var can []string
	for _, m := range []string{"GET", "POST", "PUT", "PATCH", "DELETE"} {
		q := r.Clone(r.Context())
		q.Method = m
		if _, pattern := s.mux.Handler(q); pattern != "/" && strings.HasPrefix(pattern, m+" ") {
			can = append(can, m)
		}
	}
	if len(can) > 0 {
		w.Header().Set("Allow", strings.Join(can, ", "))
		s.fail(w, r, http.StatusMethodNotAllowed, "", r.Method+" is not for this address; "+strings.Join(can, ", ")+" is")
		return
	}
	s.absent(w, r)
}

func (s *Server) absent(w http.ResponseWriter, r *http.Request) {
	s.fail(w, r, http.StatusNotFound, "", "no such address: "+short(r.URL.Path))
}

type errorBody struct {
	Error Faults `json:"error"`
}

// fail answers with one fault.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, code int, field, what string) {
	s.faults(w, r, code, Faults{{field, what}})
}

func (s *Server) faults(w http.ResponseWriter, r *http.Request, code int, f Faults) {
	b, err := json.Marshal(errorBody{f})
	if err != nil {
		b = []byte(`{"error":[{"field":"","what":"unreadable"}]}`)
	}
	s.write(w, r, code, b)
}

func (s *Server) write(w http.ResponseWriter, r *http.Request, code int, b []byte) {
	h := w.Header()
	h.Set("Content-Type", "application/json")
	h.Set("Content-Length", strconv.Itoa(len(b)+1))
	w.WriteHeader(code)
	if r.Method != http.MethodHead {
		w.Write(append(b, '\n')) // a reader that has gone is nobody's fault
	}
}

// answer writes v. It is encoded before the status goes out, so that a value
// that cannot be encoded is an error and not half an answer.
func (s *Server) answer(w http.ResponseWriter, r *http.Request, code int, v any) {
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(true)
	if err := enc.Encode(v); err != nil {
		s.complain("encode answer", err.Error(), "route", r.Pattern)
		s.fail(w, r, http.StatusInternalServerError, "", "the answer could not be written; it is in the log")
		return
	}
	s.write(w, r, code, bytes.TrimSuffix(buf.Bytes(), []byte("\n")))
}

// problem answers with an error of the backend. What is not the caller's goes
// to the log and not to the caller.
func (s *Server) problem(w http.ResponseWriter, r *http.Request, err error) {
	if f, ok := errors.AsType[Faults](err); ok {
		s.faults(w, r, http.StatusBadRequest, f)
		return
	}
	if c, ok := errors.AsType[*ConfirmError](err); ok {
		s.answer(w, r, http.StatusConflict, map[string]any{"error": Faults{{Field: c.Field, What: c.What}}, "confirm": c.Confirm})
		return
	}
	switch {
	case errors.Is(err, ErrNotFound):
		s.fail(w, r, http.StatusNotFound, "", err.Error())
	case errors.Is(err, ErrConflict):
		s.fail(w, r, http.StatusConflict, "", err.Error())
	case errors.Is(err, ErrTooMany):
		s.refusals[refusedTries].Add(1)
		w.Header().Set("Retry-After", "60")
		s.fail(w, r, http.StatusTooManyRequests, "", err.Error())
	case errors.Is(err, ErrNotKept):
		s.complain("request", err.Error(), "route", r.Pattern)
		s.fail(w, r, http.StatusInsufficientStorage, "", err.Error())
	case errors.Is(err, ErrNotSent):
		s.fail(w, r, http.StatusBadGateway, "", err.Error())
	case errors.Is(r.Context().Err(), context.DeadlineExceeded):
		w.Header().Set("Retry-After", "60")
		s.fail(w, r, http.StatusServiceUnavailable, "", "this takes the board too long: ask for less of it")
	case r.Context().Err() != nil:
		panic(http.ErrAbortHandler) // nobody is listening
	default:
		s.complain("request", err.Error(), "route", r.Pattern)
		s.fail(w, r, http.StatusInternalServerError, "", "this did not work here; the reason is in the log")
	}
}

// body reads a request's JSON. It answers itself and returns false where it
// cannot.
func (s *Server) body(w http.ResponseWriter, r *http.Request, limit int64) ([]byte, bool) {
	// A form of another page can send text/plain without asking first; JSON
	// it cannot. Programs that are not browsers may leave the type out or
	// wrong, as small radio probes and hurried command lines do.
	t, _, _ := strings.Cut(r.Header.Get("Content-Type"), ";")
	if r.ContentLength != 0 && !strings.EqualFold(strings.TrimSpace(t), "application/json") && browser(r) {
		s.fail(w, r, http.StatusBadRequest, "Content-Type", "want application/json")
		return nil, false
	}
	b, err := io.ReadAll(http.MaxBytesReader(w, r.Body, limit))
	if _, ok := errors.AsType[*http.MaxBytesError](err); ok {
		s.fail(w, r, http.StatusRequestEntityTooLarge, "", "the body is larger than "+strconv.FormatInt(limit>>10, 10)+" kB")
		return nil, false
	}
	if err != nil {
		s.fail(w, r, http.StatusBadRequest, "", "the body did not arrive whole")
		return nil, false
	}
	return b, true
}

// browser reports whether anything about a request looks like a browser's.
func browser(r *http.Request) bool {
	for _, h := range []string{"Origin", "Sec-Fetch-Site", "Sec-Fetch-Mode", "Cookie", "Referer", "Accept-Language"} {
		if r.Header.Get(h) != "" {
			return true
		}
	}
	return strings.HasPrefix(r.UserAgent(), "Mozilla/") // all of them, for old times' sake
}

// read decodes a request's JSON into v, strictly.
func (s *Server) read(w http.ResponseWriter, r *http.Request, v any) bool {
	b, ok := s.body(w, r, maxBody)
	if !ok {
		return false
	}
	if f := decodeStrict(b, v, false); f != nil {
		s.faults(w, r, http.StatusBadRequest, f)
		return false
	}
	return true
}

// key returns the Idempotency-Key, "" for none, followed by a blank and a print
// of whose request it is and of all that it asks: a key belongs to one log-in,
// route and body. It reads the body ahead.
func (s *Server) key(w http.ResponseWriter, r *http.Request) (string, bool) {
	k := r.Header.Get("Idempotency-Key")
	bad := len(k) > 128 || len(r.Header.Values("Idempotency-Key")) > 1
	for _, c := range k {
		bad = bad || c < '!' || c > '~'
	}
	if bad {
		s.fail(w, r, http.StatusBadRequest, "Idempotency-Key", "want one word of up to 128 printable ASCII characters")
		return "", false
	}
	if k == "" {
		return "", true
	}
	b, ok := s.body(w, r, maxBody)
	if !ok {
		return "", false
	}
	r.Body = io.NopCloser(bytes.NewReader(b))
	h := sha256.New()
	for _, part := range []string{whoOf(r).key(), r.Method, r.URL.EscapedPath(), string(b)} {
		fmt.Fprintf(h, "%d:%s", len(part), part)
	}
	return k + " " + hex.EncodeToString(h.Sum(nil)[:12]), true
}

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

// orEmpty turns a nil list into an empty one, so that JSON says [] and not null.
func orEmpty[T any](x []T) []T {
	if x == nil {
		return []T{}
	}
	return x
}
