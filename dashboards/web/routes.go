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

// route is one method and path. Role "" means no log-in.
type route struct {
	method, path string
	role         Role
	fn           handler
}

// handler answers a request: with what is written as JSON, a [status] or a
// [file], or with an error, which [Server.problem] puts into words. One that
// writes by itself returns nil.
type handler func(s *Server, w http.ResponseWriter, r *http.Request) (any, error)

// plain is the handler of a route that takes neither body nor parameters.
func plain(fn func(s *Server, r *http.Request) (any, error)) handler {
	return func(s *Server, _ http.ResponseWriter, r *http.Request) (any, error) {
		if err := known(r); err != nil {
			return nil, err
		}
		return fn(s, r)
	}
}

// backed is plain where the backend's answer is ours.
func backed[A any](fn func(b Backend, r *http.Request) (A, error)) handler {
	return plain(func(s *Server, r *http.Request) (any, error) { return fn(s.b, r) })
}

// onOne is the handler of a change to the one that the address names.
func onOne(fn func(s *Server, r *http.Request, id string) error) handler {
	return func(s *Server, w http.ResponseWriter, r *http.Request) (any, error) {
		id := r.PathValue("id")
		return idBody{ID: id}, fn(s, r, id)
	}
}

// computing is the handler of a route that takes an object, whose keys the
// backend checks, and whose answer costs the board much.
func computing(fn func(b Backend, ctx context.Context, body json.RawMessage) (json.RawMessage, error)) handler {
	return func(s *Server, w http.ResponseWriter, r *http.Request) (any, error) {
		b, err := object(w, r)
		if err != nil {
			return nil, err
		}
		return s.computed(w, r, func(ctx context.Context) (any, error) { return fn(s.b, ctx, b) })
	}
}

// taking is the handler of a route that takes a Q as its body.
func taking[Q any](fn func(s *Server, r *http.Request, q Q) (any, error)) handler {
	return func(s *Server, w http.ResponseWriter, r *http.Request) (any, error) {
		q, err := read[Q](w, r)
		if err != nil {
			return nil, err
		}
		return fn(s, r, q)
	}
}

// status is an answer with another code than 200.
type status struct {
	code int
	v    any
}

// file is an answer to keep under a name, or to look at where it has none.
type file struct {
	name, kind string
	b          []byte
}

// refusal is an error with a code of its own.
type refusal struct {
	code int
	Faults
}

func refuse(code int, field, what string) error {
	return refusal{code, Faults{{Field: field, What: what}}}
}

// reply runs a route's handler and writes what it answers.
func (s *Server) reply(fn handler, w http.ResponseWriter, r *http.Request) {
	r = withUnits(r)
	out, err := fn(s, w, r)
	if err != nil {
		s.problem(w, r, err)
		return
	}
	switch v := out.(type) {
	case nil:
	case status:
		s.answer(w, r, v.code, v.v)
	case file:
		w.Header().Set("Content-Type", v.kind)
		if v.name != "" {
			w.Header().Set("Content-Disposition", `attachment; filename="`+v.name+`"`)
		}
		w.WriteHeader(http.StatusOK)
		if r.Method != http.MethodHead {
			w.Write(v.b) // a reader that has gone is nobody's fault
		}
	case json.RawMessage: // written already
		if !json.Valid(v) {
			s.complain("answer", "not JSON", "route", r.Pattern)
			s.fail(w, r, http.StatusInternalServerError, "", "the answer could not be written; it is in the log")
			return
		}
		s.write(w, r, http.StatusOK, v)
	default:
		s.answer(w, r, http.StatusOK, v)
	}
}

const api = "/api/v1"

// home is the page's path: there a missing log-in is answered with the log-in
// page instead of JSON.
const home = "/{$}"

// kinds of record and the word in their paths.
var kinds = map[string]string{
	"pieces": "piece", "panels": "panel", "batches": "batch",
	"coats": "coat", "feels": "feel", "resins": "resin", "stock": "stock",
}

func routeTable() []route {
	const get, post, put, patch, del = "GET", "POST", "PUT", "PATCH", "DELETE"
	t := []route{
		{get, "/healthz", "", (*Server).healthz},
		{get, "/readyz", Look, (*Server).readyz},
		{get, "/metrics", Look, func(s *Server, w http.ResponseWriter, r *http.Request) (any, error) {
			s.metrics.ServeHTTP(w, r)
			return nil, nil
		}},

		{get, home, Look, (*Server).page},
		{get, "/pair", "", (*Server).page},
		{post, "/pair", "", (*Server).pair},
		{post, api + "/pair", "", (*Server).pair},
		{post, "/logout", "", (*Server).logout},
		{post, api + "/logout", "", (*Server).logout},
		{get, "/ack/{token}", "", byLink(Backend.AckLook, ackBody{Title: "Have you seen this?", Ask: true})},
		{post, "/ack/{token}", "", byLink(Backend.AckByLink, ackBody{Title: "Noted"})},

		{get, "/events", Look, (*Server).events},
		{get, api + "/events", Look, (*Server).events},
		{get, api + "/snapshot", Look, backed(func(b Backend, r *http.Request) (Snapshot, error) { return b.Snapshot(r.Context()) })},
		{get, api + "/whoami", Look, (*Server).whoami},
		{get, api + "/openapi.json", Look, (*Server).openAPI},

		{get, api + "/coats", Look, (*Server).coats},
		{get, api + "/coats/{id}", Look, plain((*Server).coat)},
		{get, api + "/coats/{id}/trace", Look, (*Server).trace},
		{get, api + "/coats/{id}/feels", Look, plain((*Server).feels)},
		{post, api + "/coats/{id}/feels", Record, (*Server).addFeel},
		{post, api + "/batches/{id}/end", Record, (*Server).endBatch},
		{get, api + "/panels/{id}/record", Look, (*Server).record},

		{post, api + "/readings", Push, (*Server).push},
		{get, api + "/readings", Look, (*Server).readings},
		{get, api + "/probes", Look, plain((*Server).probes)},
		{put, api + "/probes/{id}", Record, taking((*Server).setProbe)},
		{del, api + "/probes/{id}", Record, onOne(func(s *Server, r *http.Request, id string) error { return s.b.ForgetProbe(r.Context(), whoOf(r), id) })},

		{get, api + "/alerts", Look, (*Server).alerts},
		{post, api + "/alerts/{id}/ack", Record, (*Server).ack},
		{post, api + "/sound/test", Record, taking((*Server).testSound)},

		{get, api + "/settings", Look, backed(func(b Backend, r *http.Request) (SettingsView, error) { return b.Settings(r.Context()) })},
		{put, api + "/settings", Record, (*Server).putSettings},
		{post, api + "/clock", Record, taking((*Server).clock)},

		{get, api + "/air", Look, (*Server).air},
		{get, api + "/cure", Look, (*Server).cure},
		{get, api + "/pot", Look, (*Server).pot},
		{post, api + "/mix", Look, (*Server).mix},
		{get, api + "/stock", Look, backed(func(b Backend, r *http.Request) (json.RawMessage, error) { return b.Stock(r.Context()) })},
		{get, api + "/stock.csv", Look, plain((*Server).stockCSV)},
		{post, api + "/stock/import", Record, (*Server).importStock},
		{get, api + "/panels/{id}/laminate", Look, backed(func(b Backend, r *http.Request) (json.RawMessage, error) {
			return b.Laminate(r.Context(), r.PathValue("id"))
		})},
		{get, api + "/pieces/{id}/bill", Look, backed(func(b Backend, r *http.Request) (json.RawMessage, error) {
			return b.Bill(r.Context(), r.PathValue("id"))
		})},
		{post, api + "/plan", Look, computing(Backend.Plan)},
		{post, api + "/resins/fit", Look, computing(Backend.FitResin)},

		{get, api + "/memory", Look, (*Server).memory},
		{post, api + "/memory/forget", Record, (*Server).forgetMemory},
		{get, api + "/memory/file", Control, (*Server).memoryFile},
		{post, api + "/memory/file", Control, (*Server).importMemory},

		{get, api + "/tent", Look, (*Server).tent},
		{put, api + "/tent/setpoint", Control, tentChange((*Server).setTent)},
		// Off is for everybody who may write: it can only make things safer.
		{post, api + "/tent/off", Record, tentChange((*Server).tentOff)},
		{post, api + "/tent/solvent", Record, tentTap(Tent.TentSolvent)},
		{post, api + "/tent/release", Control, tentTap(Tent.TentRelease)},
		{post, api + "/tent/accept", Control, tentChange((*Server).tentAccept)},
		{put, api + "/tent/resume", Control, tentChange((*Server).tentResume)},
		{post, api + "/tent/aim", Control, (*Server).tentAim},
		{del, api + "/tent/aim", Control, tentTap(Tent.TentAimOff)},

		{get, api + "/backup", Control, (*Server).backup},
		{post, api + "/backup", Control, (*Server).restore},
		{post, api + "/paircodes", Control, taking((*Server).newCode)},
		{get, api + "/tokens", Control, (*Server).tokens},
		{del, api + "/tokens/{id}", Control, (*Server).revoke},
	}
	t = append(t, jobRoutes()...)
	for _, word := range sortedKeys(kinds) {
		kind := kinds[word]
		t = append(t,
			route{post, api + "/" + word, Record, func(s *Server, w http.ResponseWriter, r *http.Request) (any, error) { return s.create(w, r, kind, nil) }},
			route{patch, api + "/" + word + "/{id}", Record, patched(kind)},
			route{del, api + "/" + word + "/{id}", Record, deleted(kind)},
		)
		if word != "coats" {
			if word != "stock" { // which says what is left as well
				t = append(t, route{get, api + "/" + word, Look, plain(func(s *Server, r *http.Request) (any, error) { return s.list(r, word) })})
			}
			t = append(t,
				route{get, api + "/" + word + "/{id}", Look, plain(func(s *Server, r *http.Request) (any, error) { return s.one(r, word) })},
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
		s.routes = append(s.routes, route{"GET", "/" + name, "", func(s *Server, w http.ResponseWriter, r *http.Request) (any, error) {
			s.assets.serve(w, r, name, http.StatusOK)
			return nil, nil
		}})
	}
	s.mux = http.NewServeMux()
	for _, rt := range s.routes {
		s.mux.HandleFunc(rt.method+" "+rt.path, s.gate(rt, func(w http.ResponseWriter, r *http.Request) { s.reply(rt.fn, w, r) }))
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
	s.faults(w, r, code, Faults{{Field: field, What: what}})
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
	if f, ok := errors.AsType[refusal](err); ok {
		s.faults(w, r, f.code, f.Faults)
		return
	}
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
	case errors.Is(err, errTooLong):
		w.Header().Set("Retry-After", "60")
		s.fail(w, r, http.StatusServiceUnavailable, "", errTooLong.Error())
	case r.Context().Err() != nil:
		panic(http.ErrAbortHandler) // nobody is listening
	default:
		s.complain("request", err.Error(), "route", r.Pattern)
		s.fail(w, r, http.StatusInternalServerError, "", "this did not work here; the reason is in the log")
	}
}

// body reads a request's JSON.
func body(w http.ResponseWriter, r *http.Request, limit int64) ([]byte, error) {
	// A form of another page can send text/plain without asking first; JSON
	// it cannot. Programs that are not browsers may leave the type out or
	// wrong, as small radio probes and hurried command lines do.
	t, _, _ := strings.Cut(r.Header.Get("Content-Type"), ";")
	if r.ContentLength != 0 && !strings.EqualFold(strings.TrimSpace(t), "application/json") && browser(r) {
		return nil, Faults{{Field: "Content-Type", What: "want application/json"}}
	}
	b, err := io.ReadAll(http.MaxBytesReader(w, r.Body, limit))
	if _, ok := errors.AsType[*http.MaxBytesError](err); ok {
		return nil, refuse(http.StatusRequestEntityTooLarge, "", "the body is larger than "+strconv.FormatInt(limit>>10, 10)+" kB")
	}
	if err != nil {
		return nil, Faults{{Field: "", What: "the body did not arrive whole"}}
	}
	return b, nil
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

// read decodes a request's JSON, strictly.
func read[Q any](w http.ResponseWriter, r *http.Request) (Q, error) { return decode[Q](w, r, false) }

// decode is read; with nulls a null stands for what is left out.
func decode[Q any](w http.ResponseWriter, r *http.Request, nulls bool) (q Q, err error) {
	b, err := body(w, r, maxBody)
	if err != nil {
		return q, err
	}
	if f := decodeStrict(b, &q, nulls); f != nil {
		return q, f
	}
	return q, nil
}

// noBody accepts an empty body or an empty object.
func noBody(w http.ResponseWriter, r *http.Request) error {
	if r.ContentLength == 0 {
		return nil
	}
	b, err := body(w, r, maxBody)
	if err != nil || len(b) == 0 {
		return err
	}
	if f := decodeStrict(b, new(struct{}), false); f != nil {
		return f
	}
	return nil
}

// object reads a request's body as one JSON object whose keys the backend
// checks.
func object(w http.ResponseWriter, r *http.Request) (json.RawMessage, error) {
	b, err := body(w, r, maxBody)
	if err != nil {
		return nil, err
	}
	f := jsonText(b)
	if f == nil {
		var m map[string]json.RawMessage
		if json.Unmarshal(b, &m) != nil || m == nil {
			f = Faults{{Field: "", What: "want an object"}}
		}
	}
	if f == nil {
		f = boundTexts(b)
	}
	if f != nil {
		return nil, f
	}
	return b, nil
}

// keyOf returns the Idempotency-Key, "" for none, followed by a blank and a
// print of whose request it is and of all that it asks: a key belongs to one
// log-in, route and body. It reads the body ahead.
func keyOf(w http.ResponseWriter, r *http.Request) (string, error) {
	k := r.Header.Get("Idempotency-Key")
	bad := len(k) > 128 || len(r.Header.Values("Idempotency-Key")) > 1
	for _, c := range k {
		bad = bad || c < '!' || c > '~'
	}
	if bad {
		return "", Faults{{Field: "Idempotency-Key", What: "want one word of up to 128 printable ASCII characters"}}
	}
	if k == "" {
		return "", nil
	}
	b, err := body(w, r, maxBody)
	if err != nil {
		return "", err
	}
	r.Body = io.NopCloser(bytes.NewReader(b))
	h := sha256.New()
	for _, part := range []string{whoOf(r).key(), r.Method, r.URL.EscapedPath(), string(b)} {
		fmt.Fprintf(h, "%d:%s", len(part), part)
	}
	return k + " " + hex.EncodeToString(h.Sum(nil)[:12]), nil
}

// keyed returns the Idempotency-Key and the body.
func keyed(w http.ResponseWriter, r *http.Request) (key string, b []byte, err error) {
	if key, err = keyOf(w, r); err == nil {
		b, err = body(w, r, maxBody)
	}
	return key, b, err
}

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

// orEmpty turns a nil list into an empty one, so that JSON says [] and not null.
func orEmpty[T any](x []T) []T {
	if x == nil {
		return []T{}
	}
	return x
}
