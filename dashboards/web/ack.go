// SPDX-License-Identifier: Apache-2.0

package web

import (
	"context"
	"errors"
	"io"
	"net/http"
	"strconv"
	"time"

	"curewright/alerts"
	"curewright/dashboards/html"
)

type ackBody struct {
	Title, Say string
	Ask        bool
}

// page is what stands behind a link in a message. Programs that scan mail open
// links, so opening does nothing; only the button's POST acknowledges.
func (b ackBody) page() string {
	w := html.Begin("en", b.Title)
	w.Put(`<meta name="color-scheme" content="light dark">
<meta name="robots" content="noindex">
<link rel="stylesheet" href="/app.css">
</head>
<body>
<header id="top"><div class="head"><h1>%s</h1></div></header>
<main>
`, b.Title)
	w.If("<p class=\"say\">%s</p>\n", b.Say)
	if b.Ask {
		w.Put("<form method=\"post\"><div class=\"do\"><button class=\"first\">I have seen it</button></div></form>\n")
	}
	w.Put("</main>\n</body>\n</html>\n")
	return w.String()
}

func (s *Server) ackShow(w http.ResponseWriter, r *http.Request, code int, b ackBody) {
	text := b.page()
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Content-Length", strconv.Itoa(len(text)))
	w.WriteHeader(code)
	if r.Method != http.MethodHead {
		io.WriteString(w, text)
	}
}

// byLink is the handler of a link in a message: it does what the link is good for
// and shows the alert that it is about.
func byLink(do func(b Backend, ctx context.Context, token string) (alerts.Alert, error), show ackBody) handler {
	return func(s *Server, w http.ResponseWriter, r *http.Request) (any, error) {
		a, err := do(s.b, r.Context(), r.PathValue("token"))
		switch {
		case errors.Is(err, ErrNotFound):
			code, show := http.StatusNotFound, ackBody{Title: "This link is used up", Say: "It was used before, or what it was about is over. Look at the bench page."}
			// A wrong link costs a try, so that links cannot be guessed at speed.
			// They are counted apart: nobody is kept from pairing by old links.
			if _, ok := s.links.take(s.clientOf(r), time.Now()); !ok {
				s.refusals[refusedTries].Add(1)
				w.Header().Set("Retry-After", "60")
				code, show = http.StatusTooManyRequests, ackBody{Title: "Too many tries", Say: "Wait a minute."}
			}
			s.ackShow(w, r, code, show)
			return nil, nil
		case err != nil:
			s.complain("acknowledge", err.Error())
			s.ackShow(w, r, http.StatusInternalServerError, ackBody{Title: "This did not work", Say: "The reason is in the log. Use the bench page."})
			return nil, nil
		}
		s.ackShow(w, r, http.StatusOK, ackBody{Title: show.Title, Say: a.Say, Ask: show.Ask})
		return nil, nil
	}
}
