// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
)

// CheckURL refuses what is no http or https address with a host. The error
// does not repeat it: an address may carry a secret.
func CheckURL(channel, address string) error {
	if !httpURL(address) {
		return fmt.Errorf("channel %s: url: not an http or https address", channel)
	}
	return nil
}

func httpURL(s string) bool {
	u, err := url.Parse(s)
	return err == nil && (u.Scheme == "http" || u.Scheme == "https") && u.Host != ""
}

// plainClient follows no redirects: a redirect could carry a signed body or a
// password to another host.
var plainClient = &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}

// Post sends v as a channel's JSON to an address; sign, if not nil, may add
// headers that depend on the body's exact bytes. 2xx is success; no answer, 3xx, 408,
// 425, 429 and 5xx are tried again, after the wait that the other side names
// ([RetryAfterError]); every other answer is [ErrPermanent]. Errors do not show
// the address. A nil client is one that follows no redirects.
func Post(ctx context.Context, c *http.Client, channel, address string, v any, sign func(req *http.Request, body []byte)) error {
	body, err := json.Marshal(v)
	if err != nil {
		return Permanent(fmt.Errorf("channel %s: %w", channel, err))
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, address, bytes.NewReader(body))
	if err != nil {
		return Permanent(fmt.Errorf("channel %s: url: not usable", channel))
	}
	if sign != nil {
		sign(req, body)
	}
	if c == nil {
		c = plainClient
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "curewright")
	res, err := c.Do(req)
	if err != nil {
		return fmt.Errorf("channel %s: post: %w", channel, withoutURL(err))
	}
	defer res.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(res.Body, 200))
	io.Copy(io.Discard, io.LimitReader(res.Body, 64<<10)) // so that the connection is used again
	return httpError(channel, res, text)
}

// withoutURL drops the address that net/http puts in front of its errors.
func withoutURL(err error) error {
	var ue *url.Error
	if errors.As(err, &ue) {
		return ue.Err
	}
	return err
}

// httpError turns an answer into nil (2xx), a passing error (3xx, 408, 425, 429 and
// 5xx, with the wait that the other side names) or a permanent one. text is
// the beginning of its body.
func httpError(name string, res *http.Response, text []byte) error {
	code := res.StatusCode
	if code >= 200 && code < 300 {
		return nil
	}
	err := fmt.Errorf("channel %s: post: answered %s", name, res.Status)
	if t := strings.Join(strings.Fields(string(text)), " "); t != "" {
		err = fmt.Errorf("%w: %s", err, t)
	}
	if code/100 == 3 {
		// A redirect is not followed but may pass: a captive portal redirects
		// every request to its log-in page until somebody accepts its terms.
		err = fmt.Errorf("%w (redirects are not followed)", err)
	} else if code < 500 && code != http.StatusRequestTimeout && code != http.StatusTooEarly && code != http.StatusTooManyRequests {
		return Permanent(err)
	}
	if s, e := strconv.Atoi(res.Header.Get("Retry-After")); e == nil && s > 0 {
		return &RetryAfterError{Err: err, Wait: time.Duration(s) * time.Second}
	}
	return err
}
