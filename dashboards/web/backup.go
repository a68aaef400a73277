// SPDX-License-Identifier: Apache-2.0

package web

import (
	"context"
	"errors"
	"io"
	"net/http"
	"strings"
	"time"
)

func (s *Server) backup(w http.ResponseWriter, r *http.Request) (any, error) {
	h := w.Header()
	h.Set("Content-Type", "application/vnd.sqlite3")
	h.Set("Content-Disposition", `attachment; filename="curewright-`+s.b.Now().Format("2006-01-02")+`.db"`)
	if r.Method == http.MethodHead {
		return nil, nil
	}
	return s.work(w, r, s.pour, 0, func(ctx context.Context) (any, error) {
		o := &steady{w: w, rc: http.NewResponseController(w)}
		err := s.b.Backup(ctx, o)
		if err != nil && o.n > 0 {
			s.complain("backup", err.Error())
			panic(http.ErrAbortHandler)
		}
		if err != nil {
			h.Del("Content-Disposition")
		}
		return nil, err
	})
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

func (s *Server) restore(w http.ResponseWriter, r *http.Request) (any, error) {
	// Not a type that a form of another page can send.
	switch t, _, _ := strings.Cut(r.Header.Get("Content-Type"), ";"); strings.TrimSpace(t) {
	case "application/octet-stream", "application/vnd.sqlite3":
	default:
		return nil, Faults{{Field: "Content-Type", What: "want application/octet-stream"}}
	}
	rc := http.NewResponseController(w)
	in := &patient{r: http.MaxBytesReader(w, r.Body, maxRestore), rc: rc}
	next, err := s.b.Restore(r.Context(), whoOf(r), in)
	rc.SetWriteDeadline(time.Now().Add(writeTimeout))
	if _, ok := errors.AsType[*http.MaxBytesError](err); ok {
		return nil, refuse(http.StatusRequestEntityTooLarge, "", "the copy is larger than 2 GB")
	}
	if in.err != nil {
		return nil, Faults{{Field: "", What: "the copy did not arrive whole"}}
	}
	return map[string]string{"next": next}, err
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
