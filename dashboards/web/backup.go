// SPDX-License-Identifier: Apache-2.0

package web

import (
	"errors"
	"io"
	"net/http"
	"strings"
	"time"
)

func (s *Server) backup(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Type", "application/vnd.sqlite3")
	h.Set("Content-Disposition", `attachment; filename="curewright-`+s.b.Now().Format("2006-01-02")+`.db"`)
	if r.Method == http.MethodHead {
		return
	}
	r, done, ok := s.work(w, r, s.pour, 0)
	if !ok {
		return
	}
	defer done()
	o := &steady{w: w, rc: http.NewResponseController(w)}
	if err := s.b.Backup(r.Context(), o); err != nil {
		if o.n == 0 {
			h.Del("Content-Disposition")
			s.problem(w, r, err)
			return
		}
		s.complain("backup", err.Error())
		panic(http.ErrAbortHandler)
	}
}

// steady gives each write its own deadline, so that a long download may take
// its time and a dead one may not.
type steady struct {
	w  io.Writer
	rc *http.ResponseController
	n  int64
}

func (o *steady) Write(b []byte) (int, error) {
	o.rc.SetWriteDeadline(time.Now().Add(writeTimeout))
	n, err := o.w.Write(b)
	o.n += int64(n)
	return n, err
}

// maxRestore is the largest copy taken back; the store keeps itself smaller.
const maxRestore = 2 << 30

func (s *Server) restore(w http.ResponseWriter, r *http.Request) {
	// Not a type that a form of another page can send.
	switch t, _, _ := strings.Cut(r.Header.Get("Content-Type"), ";"); strings.TrimSpace(t) {
	case "application/octet-stream", "application/vnd.sqlite3":
	default:
		s.fail(w, r, http.StatusBadRequest, "Content-Type", "want application/octet-stream")
		return
	}
	rc := http.NewResponseController(w)
	in := &patient{r: http.MaxBytesReader(w, r.Body, maxRestore), rc: rc}
	next, err := s.b.Restore(r.Context(), whoOf(r), in)
	rc.SetWriteDeadline(time.Now().Add(writeTimeout))
	if _, ok := errors.AsType[*http.MaxBytesError](err); ok {
		s.fail(w, r, http.StatusRequestEntityTooLarge, "", "the copy is larger than 2 GB")
		return
	}
	if in.err != nil {
		s.fail(w, r, http.StatusBadRequest, "", "the copy did not arrive whole")
		return
	}
	if err != nil {
		s.problem(w, r, err)
		return
	}
	s.answer(w, r, http.StatusOK, map[string]string{"next": next})
}

// patient gives each read its own deadline, for uploads that take longer than
// a request may, and remembers an end that came too early.
type patient struct {
	r   io.Reader
	rc  *http.ResponseController
	err error
}

func (p *patient) Read(b []byte) (int, error) {
	p.rc.SetReadDeadline(time.Now().Add(writeTimeout))
	n, err := p.r.Read(b)
	if _, big := errors.AsType[*http.MaxBytesError](err); err != nil && err != io.EOF && !big {
		p.err = err
	}
	return n, err
}
