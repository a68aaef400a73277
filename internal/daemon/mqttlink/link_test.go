// SPDX-License-Identifier: Apache-2.0

package mqttlink

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"log/slog"
	"math/big"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/internal/testkit"
)

// link starts a connection of its own and returns its log.
func link(t *testing.T, o Options) (*Link, *testkit.Buffer) {
	t.Helper()
	out := &testkit.Buffer{}
	o.Log = slog.New(slog.NewTextHandler(out, nil))
	if o.ClientID == "" {
		o.ClientID = "test"
	}
	if o.Online == "" {
		o.Online = "curewright/test/status"
	}
	if o.Message == nil {
		o.Message = func(string, []byte, bool) {}
	}
	if o.Backoff == 0 {
		o.Backoff = 10 * time.Millisecond
	}
	l := New(o)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- l.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Errorf("the connection ended with %v", err)
		}
	})
	return l, out
}

func mustURL(t *testing.T, s string) *url.URL {
	t.Helper()
	u, err := url.Parse(s)
	testkit.OK(t, err)
	return u
}

// Wrong credentials, an unknown host and a port where nobody is: said once,
// counted, and tried again for ever.
func TestTroubleIsSaidOnce(t *testing.T) {
	m := testkit.NewMosquitto(t, "")
	free, _ := testkit.FreePort(t)
	for _, c := range []struct{ url, password, want string }{
		{"mqtt://127.0.0.1:" + m.Port, "wrong-Secret", "refuses the user name or the password"},
		// RFC 6761, 6.4: a name in .invalid never resolves.
		{"mqtt://nowhere.invalid:1883", "wrong-Secret", "nowhere.invalid"},
		{"mqtt://127.0.0.1:" + free, "wrong-Secret", "connection refused"},
	} {
		l, out := link(t, Options{URL: mustURL(t, c.url), User: "shed", Password: c.password})
		testkit.Until(t, "three tries", func() bool { return l.Status().Failures >= 3 })
		text := out.String()
		if strings.Count(text, "level=WARN") != 1 || !strings.Contains(text, c.want) || strings.Contains(text, "wrong-Secret") {
			t.Errorf("%s: said\n%s\nwant one line with %q and no password", c.url, text, c.want)
		}
		if err := l.Publish(t.Context(), "x", []byte("y"), false, 0); !errors.Is(err, ErrDown) || ErrDown.Permanent() {
			t.Errorf("%s: publish: %v", c.url, err)
		}
	}
}

// What the broker's own rules forbid is a permanent refusal, with the topic;
// what they allow still works.
func TestNotAllowed(t *testing.T) {
	acl := filepath.Join(t.TempDir(), "acl")
	testkit.Write(t, acl, "user shed\ntopic readwrite curewright/#\ntopic readwrite marker\ntopic read radio/#\ntopic write radio/#\n")
	m := testkit.NewMosquitto(t, "acl_file "+acl+"\n")
	got := make(chan string, 10)
	l, out := link(t, Options{URL: mustURL(t, "mqtt://127.0.0.1:"+m.Port), User: "shed", Password: "tack coat",
		Filters: []Filter{{Topic: "radio/+/t", Place: "3:1: mqtt.topic[0]"}}, Message: func(topic string, body []byte, _ bool) { got <- topic + " " + string(body) }})
	testkit.Until(t, "the connection", l.Up)
	err := l.Publish(t.Context(), "attic/x", []byte("1"), false, 0)
	var le *Error
	if !errors.As(err, &le) || !le.Permanent() || !strings.Contains(err.Error(), "attic/x") {
		t.Errorf("publishing where it may not: %v", err)
	}
	if err := l.Publish(t.Context(), "curewright/x", []byte("1"), false, 0); err != nil {
		t.Errorf("publishing where it may: %v", err)
	}
	testkit.Until(t, "the subscription", func() bool {
		m.Pub("radio/a/t", "20")
		return len(got) > 0
	})
	if x := <-got; x != "radio/a/t 20" {
		t.Errorf("got %q", x)
	}
	if strings.Contains(out.String(), "not listening") {
		t.Error(out.String())
	}
}

// Two boards under one name would push each other off for ever: they slow down
// and say why.
func TestNameTwice(t *testing.T) {
	m := testkit.NewMosquitto(t, "")
	o := Options{URL: mustURL(t, "mqtt://127.0.0.1:"+m.Port), User: "shed", Password: "tack coat", ClientID: "same"}
	a, outA := link(t, o)
	testkit.Until(t, "the first", a.Up)
	b, outB := link(t, o)
	testkit.Until(t, "the trouble is said", func() bool {
		return strings.Contains(outA.String()+outB.String(), `another client may have the name \"same\"`)
	})
	testkit.Until(t, "both slow down", func() bool {
		return a.Status().Short >= 3 || b.Status().Short >= 3
	})
	for _, out := range []*testkit.Buffer{outA, outB} {
		if n := strings.Count(out.String(), "level="); n > 2 {
			t.Errorf("said %d lines:\n%s", n, out.String())
		}
	}
}

// authority makes certificates for a test.
type authority struct {
	t    *testing.T
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	a := &authority{t: t, dir: t.TempDir()}
	a.key, a.cert = a.issue("ca", &x509.Certificate{IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign})
	return a
}

func (a *authority) issue(name string, c *x509.Certificate) (*ecdsa.PrivateKey, *x509.Certificate) {
	a.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	testkit.OK(a.t, err)
	c.SerialNumber = big.NewInt(time.Now().UnixNano())
	c.Subject = pkix.Name{CommonName: name}
	c.NotBefore, c.NotAfter = time.Now().Add(-time.Hour), time.Now().Add(time.Hour)
	parent, signer := c, key
	if a.cert != nil {
		parent, signer = a.cert, a.key
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, key.Public(), signer)
	testkit.OK(a.t, err)
	kb, err := x509.MarshalPKCS8PrivateKey(key)
	testkit.OK(a.t, err)
	for file, b := range map[string]*pem.Block{name + ".pem": {Type: "CERTIFICATE", Bytes: der}, name + ".key": {Type: "PRIVATE KEY", Bytes: kb}} {
		testkit.OK(a.t, os.WriteFile(a.path(file), pem.EncodeToMemory(b), 0o600))
	}
	made, err := x509.ParseCertificate(der)
	testkit.OK(a.t, err)
	return key, made
}

func (a *authority) path(file string) string { return filepath.Join(a.dir, file) }

// Over TLS the broker proves who it is, and the board too; a broker whose
// certificate another authority signed gets nothing, not even the password.
func TestOverTLS(t *testing.T) {
	a := newAuthority(t)
	a.issue("broker", &x509.Certificate{IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}})
	a.issue("board", &x509.Certificate{ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}})
	port, _ := testkit.FreePort(t)
	testkit.NewMosquitto(t, fmt.Sprintf("listener %s 127.0.0.1\ncafile %s\ncertfile %s\nkeyfile %s\nrequire_certificate true\n",
		port, a.path("ca.pem"), a.path("broker.pem"), a.path("broker.key")))
	u := mustURL(t, "mqtts://127.0.0.1:"+port)
	sec, err := TLSConfig(a.path("ca.pem"), a.path("board.pem"), a.path("board.key"), os.ReadFile)
	testkit.OK(t, err)
	l, out := link(t, Options{URL: u, TLS: sec, User: "shed", Password: "tack coat"})
	testkit.Until(t, "connected over TLS\n"+out.String(), l.Up)
	if err := l.Publish(t.Context(), "curewright/x", []byte("1"), true, time.Minute); err != nil {
		t.Error(err)
	}
	other := newAuthority(t)
	for name, c := range map[string]struct {
		cfg  func() (*tls.Config, error)
		want []string
	}{
		"another authority": {func() (*tls.Config, error) {
			return TLSConfig(other.path("ca.pem"), a.path("board.pem"), a.path("board.key"), os.ReadFile)
		}, []string{"unknown authority"}},
		"without a certificate": {func() (*tls.Config, error) { return TLSConfig(a.path("ca.pem"), "", "", os.ReadFile) },
			// The alert may be overtaken by the end of the connection.
			[]string{"certificate required", "reset by peer", "broken pipe", "EOF"}},
	} {
		sec, err := c.cfg()
		testkit.OK(t, err)
		l, out := link(t, Options{URL: u, TLS: sec, User: "shed", Password: "tack coat", ClientID: "other"})
		testkit.Until(t, name+" is refused", func() bool { return l.Status().Failures > 0 })
		if l.Up() || !slices.ContainsFunc(c.want, func(w string) bool { return strings.Contains(out.String(), w) }) {
			t.Errorf("%s: up %v, said %s", name, l.Up(), out.String())
		}
	}
	if _, err := TLSConfig(a.path("nothing.pem"), a.path("board.key"), a.path("board.pem"), os.ReadFile); err == nil || len(strings.Split(err.Error(), "\n")) != 2 {
		t.Errorf("bad files: %v, want both faults at once", err)
	}
}
