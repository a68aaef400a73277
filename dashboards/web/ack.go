// SPDX-License-Identifier: Apache-2.0

package web

import (
	"bytes"
	"context"
	"errors"
	"html/template"
	"net/http"
	"strconv"
	"time"

	"curewright/alerts"
)

// The page behind a link in a message. Programs that scan mail open links, so
// opening does nothing; only the button's POST acknowledges.
var ackTemplate = template.Must(template.New("ack").Parse(`<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<meta name="robots" content="noindex">
<title>{{.Title}}</title>
{{if .Style}}<link rel="stylesheet" href="/app.css">
{{end}}</head>
<body>
<header id="top"><div class="head"><h1>{{.Title}}</h1></div></header>
<main>
{{with .Say}}<p class="say">{{.}}</p>
{{end}}{{if .Ask}}<form method="post"><div class="do"><button class="first">I have seen it</button></div></form>
{{end}}</main>
</body>
</html>
`))

type ackBody struct {
	Title, Say string
	Ask, Style bool
}

func (s *Server) ackShow(w http.ResponseWriter, r *http.Request, code int, b ackBody) {
	b.Style = s.assets.has("app.css")
	var buf bytes.Buffer
	if err := ackTemplate.Execute(&buf, b); err != nil {
		s.problem(w, r, err)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Content-Length", strconv.Itoa(buf.Len()))
	w.WriteHeader(code)
	if r.Method != http.MethodHead {
		w.Write(buf.Bytes())
	}
}

func (s *Server) ackDo(w http.ResponseWriter, r *http.Request, do func(ctx context.Context, token string) (alerts.Alert, error)) (alerts.Alert, bool) {
	a, err := do(r.Context(), r.PathValue("token"))
	if errors.Is(err, ErrNotFound) {
		// A wrong link costs a try, so that links cannot be guessed at speed.
		// They are counted apart: nobody is kept from pairing by old links.
		if _, ok := s.links.take(s.clientOf(r), time.Now()); !ok {
			s.refusals[refusedTries].Add(1)
			w.Header().Set("Retry-After", "60")
			s.ackShow(w, r, http.StatusTooManyRequests, ackBody{Title: "Too many tries", Say: "Wait a minute."})
			return a, false
		}
		s.ackShow(w, r, http.StatusNotFound, ackBody{
			Title: "This link is used up",
			Say:   "It was used before, or what it was about is over. Look at the bench page.",
		})
		return a, false
	}
	if err != nil {
		s.complain("acknowledge", err.Error())
		s.ackShow(w, r, http.StatusInternalServerError, ackBody{Title: "This did not work", Say: "The reason is in the log. Use the bench page."})
		return a, false
	}
	return a, true
}

func (s *Server) ackPage(w http.ResponseWriter, r *http.Request) {
	a, ok := s.ackDo(w, r, s.b.AckLook)
	if ok {
		s.ackShow(w, r, http.StatusOK, ackBody{Title: "Have you seen this?", Say: a.Say, Ask: true})
	}
}

func (s *Server) ackByLink(w http.ResponseWriter, r *http.Request) {
	a, ok := s.ackDo(w, r, s.b.AckByLink)
	if ok {
		s.ackShow(w, r, http.StatusOK, ackBody{Title: "Noted", Say: a.Say})
	}
}
