// SPDX-License-Identifier: Apache-2.0

// Package push sends alerts to a phone or a chat through a library that knows
// many services; which one is in the address, and the address is a secret.
package push

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"log"
	"maps"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/nicholas-fedor/shoutrrr/pkg/types"

	"curewright/alerts"
)

// channel sends messages to one service.
type channel struct {
	name    string
	address string  // kept only until to is made
	to      service // nil until the first send to a service that logs in
	hide    *strings.Replacer
	timeout time.Duration
	busy    chan struct{} // one send at a time: the library's can't be cancelled
}

// New returns a channel to the service that the address names; timeout bounds
// one try (default 20 s). It does no I/O, so that a board
// that starts before its network keeps the channel. Errors never show the address or
// its parts.
func New(name, address string, timeout time.Duration) (alerts.Channel, error) {
	if timeout <= 0 {
		timeout = 20 * time.Second
	}
	c := &channel{name: name, hide: hider(address), timeout: timeout, busy: make(chan struct{}, 1)}
	c.address = address
	if !logsIn(address) {
		if err := c.open(); err != nil {
			return alerts.Channel{}, fmt.Errorf("channel %s: address: %s", name, c.hide.Replace(err.Error()))
		}
	}
	return alerts.Channel{Name: name, Send: c.send}, nil
}

// open makes the library's sender. An address is the service's scheme and what
// that service wants; "generic+https://..." and the like carry one of a server.
func (c *channel) open() error {
	u, err := url.Parse(c.address)
	if err != nil {
		return err
	}
	scheme, custom, isCustom := strings.Cut(u.Scheme, "+")
	open, ok := services[scheme]
	if !ok {
		return fmt.Errorf("no service is called %q; there are %s", scheme, strings.Join(slices.Sorted(maps.Keys(services)), ", "))
	}
	to := open()
	if _, any := to.(*webService); isCustom && !any {
		x, ok := to.(types.CustomURLService)
		if !ok {
			return fmt.Errorf("%s takes no address with +%s", scheme, custom)
		}
		if u, err = x.GetConfigURLFromCustom(u); err != nil {
			return err
		}
	}
	// What the services log may hold tokens.
	if err := to.Initialize(u, log.New(io.Discard, "", 0)); err != nil {
		return err
	}
	c.to, c.address = to, ""
	return nil
}

// logsIn reports whether the library asks the service's server for a log-in
// while it makes the sender, which then fails without a network.
func logsIn(address string) bool {
	u, err := url.Parse(address)
	return err == nil && u.Scheme == "matrix" && u.Hostname() != "" && u.User.Username() != ""
}

// send delivers the message. The library's errors are text: one that names an
// HTTP status of the 400s is permanent, but for 408, 425 and 429.
func (c *channel) send(ctx context.Context, m alerts.Message) error {
	select {
	case c.busy <- struct{}{}:
	default:
		return fmt.Errorf("channel %s: the last try has not ended yet", c.name)
	}
	params := types.Params{}
	if m.Title != "" {
		params.SetTitle(m.Title)
	}
	got := make(chan error, 1)
	go func() {
		defer func() {
			if p := recover(); p != nil {
				got <- fmt.Errorf("panic: %v", p)
			}
			<-c.busy
		}()
		if c.to == nil {
			if err := c.open(); err != nil {
				got <- err
				return
			}
		}
		got <- c.to.Send(m.Body(), &params)
	}()
	ctx, cancel := context.WithTimeout(ctx, c.timeout)
	defer cancel()
	var err error
	select {
	case err = <-got:
	case <-ctx.Done():
		return fmt.Errorf("channel %s: %w", c.name, ctx.Err())
	}
	if err == nil {
		return nil
	}
	text := c.hide.Replace(err.Error())
	out := fmt.Errorf("channel %s: %s", c.name, strings.Join(strings.Fields(text), " "))
	if s := status.FindStringSubmatch(err.Error()); s != nil {
		if code, _ := strconv.Atoi(s[1]); code != 408 && code != 425 && code != 429 {
			return alerts.Permanent(out)
		}
	}
	return out
}

var status = regexp.MustCompile(`(?i)(?:status(?: code)?|http)\D{0,4}\b(4\d\d)\b`)

// hider replaces the address and every part of it that may be a secret.
func hider(address string) *strings.Replacer {
	parts := map[string]bool{address: true}
	add := func(s string) {
		for _, x := range []string{s, url.QueryEscape(s), url.PathEscape(s)} {
			if len(x) >= 4 {
				parts[x] = true
			}
		}
	}
	if u, err := url.Parse(address); err == nil {
		add(u.Host)
		add(u.Hostname())
		add(u.RawQuery)
		if u.User != nil {
			add(u.User.String())
			add(u.User.Username())
			if p, ok := u.User.Password(); ok {
				add(p)
			}
		}
		for _, s := range strings.FieldsFunc(u.Path, func(r rune) bool { return r == '/' }) {
			add(s)
		}
		for _, vs := range u.Query() {
			for _, v := range vs {
				add(v)
			}
		}
	} else {
		for _, s := range strings.FieldsFunc(address, func(r rune) bool { return strings.ContainsRune("/:@?&=", r) }) {
			add(s)
		}
	}
	var pairs []string
	for _, p := range slices.SortedFunc(maps.Keys(parts), func(a, b string) int { return cmp.Or(len(b)-len(a), strings.Compare(a, b)) }) {
		pairs = append(pairs, p, "(hidden)")
	}
	return strings.NewReplacer(pairs...)
}
