// SPDX-License-Identifier: Apache-2.0

package push

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/nicholas-fedor/shoutrrr/pkg/types"
)

// webService is any service that takes a message by HTTP: "generic+https://…",
// or "generic://host/path" over HTTPS. Its query may hold template=json (an
// object with title and message; plain text without it), titlekey, messagekey,
// title, method, contenttype, disabletls=yes, "@header=value" and, for the
// object, "$key=value"; all else goes to the server. It stands here instead of
// the library's own, whose templates make the whole program larger.
type webService struct {
	method string
	url    string
	header http.Header
	keys   map[string]string // constant ones of the object; nil for plain text
	title  string
	names  [2]string // of title and message
}

func (s *webService) Initialize(u *url.URL, _ types.StdLogger) error {
	to := *u
	if to.Scheme = strings.TrimPrefix(u.Scheme, "generic+"); to.Scheme == "generic" {
		to.Scheme = "https"
	}
	if to.Host == "" || to.Scheme != "https" && to.Scheme != "http" {
		return fmt.Errorf("generic: want generic+https://HOST/PATH")
	}
	s.method, s.names, s.header = http.MethodPost, [2]string{"title", "message"}, http.Header{}
	extra := map[string]string{}
	asJSON := false
	rest := url.Values{}
	for key, values := range u.Query() {
		v := values[len(values)-1]
		switch low := strings.ToLower(key); {
		case strings.HasPrefix(key, "@"):
			s.header.Set(key[1:], v)
		case strings.HasPrefix(key, "$"):
			extra[key[1:]] = v
		case low == "template":
			if asJSON = strings.EqualFold(v, "json"); !asJSON {
				return fmt.Errorf("generic: template %q is not json", v)
			}
		case low == "titlekey":
			s.names[0] = v
		case low == "messagekey":
			s.names[1] = v
		case low == "title":
			s.title = v
		case low == "method":
			s.method = strings.ToUpper(v)
		case low == "contenttype":
			s.header.Set("Content-Type", v)
		case low == "disabletls":
			if slices.Contains([]string{"yes", "true", "1", "on"}, strings.ToLower(v)) {
				to.Scheme = "http"
			}
		default:
			rest[key] = values
		}
	}
	to.RawQuery = rest.Encode()
	usual := "text/plain; charset=utf-8"
	if asJSON {
		s.keys, usual = extra, "application/json"
	}
	s.header.Set("Content-Type", cmp.Or(s.header.Get("Content-Type"), usual))
	s.url = to.String()
	return nil
}

func (s *webService) Send(message string, params *types.Params) error {
	body := []byte(message)
	if s.keys != nil {
		object := map[string]string{s.names[1]: message}
		for k, v := range s.keys {
			object[k] = v
		}
		title, _ := params.Title()
		if title = cmp.Or(title, s.title); title != "" {
			object[s.names[0]] = title
		}
		var err error
		if body, err = json.Marshal(object); err != nil {
			return err
		}
	}
	req, err := http.NewRequest(s.method, s.url, bytes.NewReader(body))
	if err != nil {
		return err
	}
	req.Header = s.header.Clone()
	res, err := client.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	io.Copy(io.Discard, io.LimitReader(res.Body, 1<<20))
	if res.StatusCode >= 300 {
		return fmt.Errorf("the service answered with HTTP status %d", res.StatusCode)
	}
	return nil
}

// client bounds a request that hangs, so that the next message is sent at all.
var client = &http.Client{Timeout: 2 * time.Minute}
