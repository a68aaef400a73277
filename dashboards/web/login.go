// SPDX-License-Identifier: Apache-2.0

package web

import (
	"errors"
	"net/http"
	"strconv"
	"time"
)

// Paired is the answer to a pairing.
type Paired struct {
	Token string `json:"token"`
	Name  string `json:"name"`
	Role  Role   `json:"role"`
}

// pair redeems a one-time code. Codes are short, so tries are limited for each
// caller and for all together.
func (s *Server) pair(w http.ResponseWriter, r *http.Request) (any, error) {
	q, err := read[Pairing](w, r)
	if err != nil {
		return nil, err
	}
	if q.Code == "" {
		return nil, Faults{{Field: "code", What: "required: the code that `curewright pair` shows"}}
	}
	if len(q.Device) > 60 {
		return nil, Faults{{Field: "device", What: "is longer than 60 bytes"}}
	}
	if wait, ok := s.redeem.take(s.clientOf(r), time.Now()); !ok {
		s.refusals[refusedTries].Add(1)
		secs := strconv.Itoa(int(wait.Seconds()) + 1)
		w.Header().Set("Retry-After", secs)
		return nil, refuse(http.StatusTooManyRequests, "code", "too many tries: wait "+secs+" s")
	}
	token, who, err := s.b.Redeem(r.Context(), CleanCode(q.Code), q.Device)
	if errors.Is(err, ErrNotFound) {
		s.refusals[refusedLogin].Add(1)
		return nil, refuse(http.StatusUnauthorized, "code", "this code is wrong, used up or older than ten minutes")
	}
	if err != nil {
		return nil, err
	}
	http.SetCookie(w, &http.Cookie{
		Name: CookieName, Value: token, Path: "/", HttpOnly: true,
		SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil,
		// Browsers cap a cookie's life at 400 days. The token's own expiry is
		// the backend's.
		MaxAge: 400 * 24 * 3600,
	})
	return Paired{token, who.Name, who.Role}, nil
}

// logout ends the log-in itself and not only this browser's memory of it:
// whoever copied the token is out too.
func (s *Server) logout(w http.ResponseWriter, r *http.Request) (any, error) {
	if token, _ := tokenOf(r); token != "" {
		if who, ok := s.b.Authenticate(r.Context(), token); ok {
			id := who.ID
			if id == "" {
				id = tokenID(token)
			}
			err := s.b.RevokeToken(r.Context(), id)
			s.pages.changed()
			if err != nil && !errors.Is(err, ErrNotFound) {
				return nil, err
			}
		}
	}
	http.SetCookie(w, &http.Cookie{
		Name: CookieName, Path: "/", HttpOnly: true,
		SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil, MaxAge: -1,
	})
	return map[string]bool{"out": true}, nil
}

func (s *Server) page(w http.ResponseWriter, r *http.Request) (any, error) {
	s.assets.serve(w, r, "index.html", http.StatusOK)
	return nil, nil
}
