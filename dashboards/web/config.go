// SPDX-License-Identifier: Apache-2.0

package web

import (
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// DefaultListen is the address served where the configuration names none.
const DefaultListen = "127.0.0.1:8374"

// ConfigSection is [web] of the configuration file.
type ConfigSection struct {
	// Listen is the address served, HOST:PORT; HOST is an address, "localhost"
	// or empty for every address of this board.
	Listen string `toml:"listen"`
	// Hosts are further names under which this board is reached; a request for
	// any other name is refused, so that a page elsewhere cannot point its own
	// name at us.
	Hosts []string `toml:"hosts"`
	// Proxies are the addresses, or networks such as "10.0.0.0/24", of reverse
	// proxies in front of this board. From them alone X-Forwarded-For counts,
	// and what comes through one is never of this board itself, whatever it
	// says.
	Proxies []string `toml:"proxies"`
	// Socket is the path of the Unix socket for control at the board; "" for
	// control.sock in the folder that systemd makes, else in the store's.
	Socket string `toml:"socket"`
	// TLSCert and TLSKey are PEM files; both or neither.
	TLSCert string `toml:"tls_cert"`
	TLSKey  string `toml:"tls_key"`
}

// DefaultSection returns [web] as it is without a configuration file.
func DefaultSection() ConfigSection { return ConfigSection{Listen: DefaultListen} }

// Check returns every fault of the section, each a [Fault] whose field is the
// key's path, such as "web.hosts[0]". It opens no file: [New] reads the
// certificate.
func (c ConfigSection) Check() []error {
	var errs []error
	bad := func(key, format string, a ...any) {
		errs = append(errs, Fault{Field: "web." + key, What: fmt.Sprintf(format, a...)})
	}
	if host, port, err := net.SplitHostPort(c.Listen); err != nil {
		bad("listen", "%q is not HOST:PORT", c.Listen)
	} else {
		if n, err := strconv.ParseUint(port, 10, 16); err != nil {
			bad("listen", "port %q is not a number from 0 to 65535", port)
		} else if n != 0 && n < 1024 {
			bad("listen", "port %d is below 1024, which the daemon's own user may not open", n)
		}
		if host != "" && host != "localhost" {
			if _, err := netip.ParseAddr(host); err != nil {
				bad("listen", "host %q is not an address of this board", host)
			}
		}
	}
	seen := map[string]int{}
	for i, h := range c.Hosts {
		key := fmt.Sprintf("hosts[%d]", i)
		name := strings.ToLower(strings.TrimSuffix(h, "."))
		if !plainHost(name) {
			bad(key, "%q is not a host name or address without port", h)
		} else if j, dup := seen[name]; dup {
			bad(key, "%q is already hosts[%d]", h, j)
		}
		seen[name] = i
	}
	for i, p := range c.Proxies {
		if _, err := proxyNet(p); err != nil {
			bad(fmt.Sprintf("proxies[%d]", i), "%q is not an address such as 192.0.2.5 or a network such as 192.0.2.0/28", p)
		}
	}
	if c.Socket != "" && !filepath.IsAbs(c.Socket) {
		bad("socket", "%q is not a whole path, beginning with /", c.Socket)
	}
	if (c.TLSCert == "") != (c.TLSKey == "") {
		missing := "tls_key"
		if c.TLSCert == "" {
			missing = "tls_cert"
		}
		bad(missing, "required beside the other of tls_cert and tls_key")
	}
	return errs
}

// proxyNet reads an address or a network.
func proxyNet(s string) (netip.Prefix, error) {
	if a, err := netip.ParseAddr(s); err == nil && a.Zone() == "" {
		a = a.Unmap()
		return netip.PrefixFrom(a, a.BitLen()), nil
	}
	p, err := netip.ParsePrefix(s)
	if err == nil && p.Bits() == 0 {
		err = errors.New("that is everybody")
	}
	return p.Masked(), err
}

// Loopback reports whether Listen can be reached from this board only. The
// daemon refuses any other address while it cannot keep tokens.
func (c ConfigSection) Loopback() bool {
	host, _, err := net.SplitHostPort(c.Listen)
	if err != nil {
		return false
	}
	if host == "localhost" {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.Unmap().IsLoopback()
}

// plainHost accepts letters, digits, hyphens and dots, or an IP address.
func plainHost(s string) bool {
	if _, err := netip.ParseAddr(s); err == nil {
		return true
	}
	if s == "" || len(s) > 253 {
		return false
	}
	for label := range strings.SplitSeq(s, ".") {
		if label == "" || len(label) > 63 || label[0] == '-' || label[len(label)-1] == '-' {
			return false
		}
		for _, r := range label {
			if (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != '-' && r != '_' {
				return false
			}
		}
	}
	return true
}

// certificate serves the pair of files and reads them again when either
// changes, so that a renewed certificate needs no restart.
type certificate struct {
	certFile, keyFile string

	mu      sync.Mutex
	cert    *tls.Certificate
	stamp   [2]time.Time
	checked time.Time
	expired atomic.Uint64          // connections answered though it is over
	say     func(what, why string) // that it is over, or cannot be read; once a day
	said    string
	saidAt  time.Time
}

func newCertificate(certFile, keyFile string) (*certificate, error) {
	c := &certificate{certFile: certFile, keyFile: keyFile}
	if err := c.load(); err != nil {
		return nil, err
	}
	return c, nil
}

func (c *certificate) stamps() (s [2]time.Time, err error) {
	for i, name := range []string{c.certFile, c.keyFile} {
		fi, e := os.Stat(name)
		if e != nil {
			return s, fmt.Errorf("web.tls_cert: %w", e)
		}
		s[i] = fi.ModTime()
	}
	return s, nil
}

func (c *certificate) load() error {
	stamp, err := c.stamps()
	if err != nil {
		return err
	}
	if fi, err := os.Stat(c.keyFile); err == nil && fi.Mode().Perm()&0o004 != 0 {
		return fmt.Errorf("web.tls_key: %s can be read by everybody: chmod o-r it", c.keyFile)
	}
	cert, err := tls.LoadX509KeyPair(c.certFile, c.keyFile)
	if err != nil {
		return fmt.Errorf("web.tls_cert: %w", err)
	}
	c.cert, c.stamp = &cert, stamp
	return nil
}

// ends is when it ends; the zero time for not known. mu is held.
func (c *certificate) ends() time.Time {
	if c.cert == nil || c.cert.Leaf == nil {
		return time.Time{}
	}
	return c.cert.Leaf.NotAfter
}

// over is the fault of a certificate that has ended.
func (c *certificate) over(now time.Time) error {
	end := c.ends()
	if end.IsZero() || now.Before(end) {
		return nil
	}
	return fmt.Errorf("web.tls_cert: it ended on %s: browsers refuse it", end.Format(time.DateOnly))
}

// CertificateEnds is until when the certificate of the file is good; false
// where there is none that can be read.
func (c ConfigSection) CertificateEnds() (time.Time, bool) {
	if c.TLSCert == "" {
		return time.Time{}, false
	}
	cert, err := newCertificate(c.TLSCert, c.TLSKey)
	if err != nil {
		return time.Time{}, false
	}
	end := cert.ends()
	return end, !end.IsZero()
}

// get is [tls.Config.GetCertificate]. Files that are broken half-way through a
// renewal leave the old certificate in use.
func (c *certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := time.Now()
	if now.Sub(c.checked) > time.Minute {
		c.checked = now
		s, err := c.stamps()
		if err == nil && s != c.stamp {
			err = c.load()
		}
		if err == nil {
			err = c.over(now)
		}
		if err == nil {
			c.said = ""
		} else if why := err.Error(); c.say != nil && (why != c.said || now.Sub(c.saidAt) >= 24*time.Hour) {
			c.said, c.saidAt = why, now
			c.say("certificate", why)
		}
	}
	if c.cert == nil {
		return nil, errors.New("no certificate")
	}
	if c.over(now) != nil {
		c.expired.Add(1)
	}
	return c.cert, nil
}

// until is when it ends; the zero time for not known.
func (c *certificate) until() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.ends()
}
