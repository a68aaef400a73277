// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"crypto/tls"
	"fmt"
	"io"
	"net"
	"net/http"
	"time"
)

const (
	// pageEvery is the interval at which the daemon requests its own page.
	pageEvery = time.Minute
	pageLimit = 10 * time.Second
)

// checkPage requests the page like any client, by its own address. Only that shows a
// server that takes no more connections because it hangs or has no file handles left.
// An answer counts as progress.
func (d *Daemon) checkPage(ctx context.Context, addr net.Addr, secure bool) error {
	d.serving.Store(true)
	defer d.serving.Store(false)
	return d.watchPage(ctx, func(ctx context.Context) error { return d.askPage(ctx, addr, secure) })
}

func (d *Daemon) askPage(ctx context.Context, addr net.Addr, secure bool) error {
	scheme := "http"
	if secure {
		scheme = "https"
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, scheme+"://"+ownAddress(addr)+"/healthz", nil)
	if err != nil {
		return err
	}
	c := &http.Client{Timeout: pageLimit, Transport: &http.Transport{
		// A connection of its own each time, past no proxy. The certificate
		// is the page's own and for another name.
		DisableKeepAlives: true,
		TLSClientConfig:   &tls.Config{InsecureSkipVerify: true},
	}}
	resp, err := c.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	io.Copy(io.Discard, io.LimitReader(resp.Body, 1<<10))
	if resp.StatusCode != http.StatusOK {
		return fmt.Errorf("answers %s", resp.Status)
	}
	return nil
}

func (d *Daemon) watchPage(ctx context.Context, ask func(context.Context) error) error {
	tick := time.NewTicker(pageEvery)
	defer tick.Stop()
	said := false
	for {
		err := ask(ctx)
		switch {
		case err == nil:
			d.progress("page")
			said = false
		case ctx.Err() == nil && !said:
			d.log.Warn("the page does not answer", "err", err)
			said = true
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
	}
}

// ownAddress is the address by which this machine reaches its server on addr.
func ownAddress(addr net.Addr) string {
	a, ok := addr.(*net.TCPAddr)
	if !ok || !a.IP.IsUnspecified() {
		return addr.String()
	}
	ip := net.IPv4(127, 0, 0, 1)
	if a.IP.To4() == nil {
		// One socket mostly takes both kinds. Where it does not, or where the
		// machine has no IPv6, the other answers.
		if c, err := net.DialTimeout("tcp", net.JoinHostPort(ip.String(), fmt.Sprint(a.Port)), time.Second); err == nil {
			c.Close()
		} else {
			ip = net.IPv6loopback
		}
	}
	return net.JoinHostPort(ip.String(), fmt.Sprint(a.Port))
}
