// SPDX-License-Identifier: Apache-2.0

package web_test

import (
	"bufio"
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
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"curewright/dashboards/web"
)

func TestSectionCheck(t *testing.T) {
	if errs := web.DefaultSection().Check(); len(errs) > 0 || !web.DefaultSection().Loopback() {
		t.Errorf("the default has faults %v or is not loopback", errs)
	}
	for _, tt := range []struct {
		c    web.ConfigSection
		want string // all faults, one line each
	}{
		{web.ConfigSection{Listen: "[::]:8374", Hosts: []string{"bench.example.org", "2001:db8::1"}, TLSCert: "a", TLSKey: "b"}, ""},
		{web.ConfigSection{Listen: "8374"}, `web.listen: "8374" is not HOST:PORT`},
		{web.ConfigSection{Listen: "127.0.0.1:http"}, `web.listen: port "http" is not a number from 0 to 65535`},
		{web.ConfigSection{Listen: "127.0.0.1:99999"}, `web.listen: port "99999" is not a number from 0 to 65535`},
		{web.ConfigSection{Listen: "shed:80"}, "web.listen: port 80 is below 1024, which the daemon's own user may not open\nweb.listen: host \"shed\" is not an address of this board"},
		{web.ConfigSection{Listen: ":8374", Hosts: []string{"a.example", "http://b", "c:80", "A.example.", ""}, TLSKey: "k"},
			"web.hosts[1]: \"http://b\" is not a host name or address without port\n" +
				"web.hosts[2]: \"c:80\" is not a host name or address without port\n" +
				"web.hosts[3]: \"A.example.\" is already hosts[0]\n" +
				"web.hosts[4]: \"\" is not a host name or address without port\n" +
				"web.tls_cert: required beside the other of tls_cert and tls_key"},
	} {
		err := errors.Join(tt.c.Check()...)
		got := ""
		if err != nil {
			got = err.Error()
		}
		if got != tt.want {
			t.Errorf("%+v:\n%s\nwant\n%s", tt.c, got, tt.want)
		}
	}
	for addr, want := range map[string]bool{"127.0.0.1:1": true, "127.8.8.8:1": true, "[::1]:1": true, "localhost:1": true, ":1": false, "0.0.0.0:1": false, "192.0.2.1:1": false, "[::ffff:127.0.0.1]:1": true} {
		if got := (web.ConfigSection{Listen: addr}).Loopback(); got != want {
			t.Errorf("Loopback(%s) = %v, want %v", addr, got, want)
		}
	}
}

// pair writes a fresh self-signed certificate and its key.
func pair(t *testing.T, dir, name string) (cert, key string) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		DNSNames: []string{"localhost"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &k.PublicKey, k)
	if err != nil {
		t.Fatal(err)
	}
	kd, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	for p, b := range map[string]*pem.Block{cert: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "PRIVATE KEY", Bytes: kd}} {
		if err := os.WriteFile(p, pem.EncodeToMemory(b), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return cert, key
}

func TestTLS(t *testing.T) {
	cert, key := pair(t, t.TempDir(), "shed")
	b := bare(t)
	addr := serve(t, web.Config{ConfigSection: web.ConfigSection{TLSCert: cert, TLSKey: key}}, b)
	pool := x509.NewCertPool()
	pemCert, _ := os.ReadFile(cert)
	pool.AppendCertsFromPEM(pemCert)
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}, ForceAttemptHTTP2: true}}
	res, err := client.Get("https://" + addr + "/api/v1/snapshot")
	if err != nil || res.StatusCode != 200 {
		t.Fatalf("%v %v", res, err)
	}
	res.Body.Close()
	code, _, _ := b.NewPairCode(t.Context(), web.Look, "p", 0)
	res, err = client.Post("https://"+addr+"/pair", "application/json", strings.NewReader(`{"code":"`+code+`"}`))
	if err != nil || len(res.Cookies()) != 1 || !res.Cookies()[0].Secure {
		t.Errorf("over TLS the cookie is %+v, want Secure; %v", res.Cookies(), err)
	}
	res.Body.Close()
	// Browsers speak HTTP/2 then; events have to work over it too.
	res, err = client.Get("https://" + addr + "/events")
	if err != nil || res.ProtoMajor != 2 {
		t.Fatalf("events over TLS: %v %v, want HTTP/2", res, err)
	}
	if name, _, ok := frame(t, bufio.NewReader(res.Body)); !ok || name != "snapshot" {
		t.Errorf("first event %q", name)
	}
	res.Body.Close()
	if c, err := tls.Dial("tcp", addr, &tls.Config{RootCAs: pool, MaxVersion: tls.VersionTLS11}); err == nil {
		c.Close()
		t.Error("TLS 1.1 was taken")
	}
}

func TestTLSFiles(t *testing.T) {
	dir := t.TempDir()
	cert, key := pair(t, dir, "shed")
	try := func(cert, key string) error {
		_, err := web.New(web.Config{ConfigSection: web.ConfigSection{TLSCert: cert, TLSKey: key}}, bare(t))
		return err
	}
	if err := try(cert, filepath.Join(dir, "none")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no key: %v", err)
	}
	if err := try(cert, cert); err == nil {
		t.Error("a certificate as its own key was taken")
	}
	if err := os.Chmod(key, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := try(cert, key); err == nil || !strings.Contains(err.Error(), "can be read by everybody") {
		t.Errorf("a key for everybody: %v", err)
	}
}

// A header that is too large is refused.
func TestServerLimits(t *testing.T) {
	addr := serve(t, web.Config{}, bare(t))
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	fmt.Fprintf(c, "GET / HTTP/1.1\r\nHost: %s\r\nX: %s\r\n\r\n", addr, strings.Repeat("x", 64<<10))
	if res, err := http.ReadResponse(bufio.NewReader(c), nil); err == nil && res.StatusCode != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("64 kB of header: %d, want 431", res.StatusCode)
	}
}

// from is a listener that hands out connections as if from given addresses.
type from struct {
	net.Listener // nil: only Accept is used
	addrs        chan string
}

func (f from) Accept() (net.Conn, error) {
	a, ok := <-f.addrs
	if !ok {
		return nil, net.ErrClosed
	}
	c, _ := net.Pipe()
	return ended{c, tcpAddr(lan), tcpAddr(a)}, nil
}

// Nobody elsewhere can use up the connections of the others or of the board
// itself, and a closed connection frees its place.
func TestConnectionLimits(t *testing.T) {
	var refused atomic.Uint64
	src := from{addrs: make(chan string, 2000)}
	ln := web.LimitConns(src, &refused)
	var open []net.Conn
	evicted := 0
	take := func(n int, addr func(i int) string) (taken int) {
		t.Helper()
		was := refused.Load()
		for i := range n {
			src.addrs <- addr(i)
		}
		for range n {
			// What is refused never comes out of Accept; one from the board
			// follows each to tell.
			src.addrs <- "127.0.0.1:1"
		}
		for range n {
			c, err := ln.Accept()
			for err == nil && c.RemoteAddr().String() != "127.0.0.1:1" {
				open = append(open, c)
				taken++
				c, err = ln.Accept()
			}
			if err != nil {
				t.Fatal(err)
			}
			c.Close()
		}
		if got := int(refused.Load() - was); got != n-taken+evicted {
			t.Errorf("%d refused and counted, want %d", got, n-taken+evicted)
		}
		return taken
	}
	one := func(int) string { return "192.0.2.77:5000" }
	many := func(format string) func(int) string {
		return func(i int) string { return fmt.Sprintf(format, i+1) }
	}
	if got := take(100, one); got != web.MaxConnsEach {
		t.Errorf("one machine has %d connections, want %d", got, web.MaxConnsEach)
	}
	// The phones of a shed are of one IPv6 network: none takes all of it.
	if got := take(100, func(int) string { return "[2001:db8::bad]:5000" }); got != web.MaxConnsEach {
		t.Errorf("one IPv6 address has %d connections, want %d", got, web.MaxConnsEach)
	}
	if got := take(300, many("[2001:db8::%x]:5000")); got != web.MaxConns-2*web.MaxConnsEach {
		t.Errorf("%d more from elsewhere, want %d in all", got, web.MaxConns)
	}
	// The board by its own address is not from elsewhere.
	if got := take(100, func(int) string { return "192.0.2.10:5000" }); got != 100 {
		t.Errorf("the board itself has %d connections of 100", got)
	}
	for _, c := range open {
		c.Close()
	}
	open = nil
	if got := take(300, many("[2001:db8:0:7::%x]:5000")); got != web.MaxConnsNet {
		t.Errorf("one IPv6 network has %d connections, want %d", got, web.MaxConnsNet)
	}
	// Where the share of all is used up, newcomers take the places of whoever
	// holds most and has not logged in.
	evicted = 250 - (web.MaxConns - web.MaxConnsNet)
	if got := take(250, many("198.51.100.%d:5000")); got != 250 {
		t.Errorf("%d of 250 newcomers found a place", got)
	}
	evicted = 0
	for _, c := range open {
		c.Close()
		c.Close() // as net/http may
	}
	if got := take(1, one); got != 1 {
		t.Error("no place was freed")
	}
}

// Idle strangers keep nobody out: who comes new finds a place at once, and who
// has logged in keeps theirs. One log-in holds no more than its share.
func TestStrangersMakeRoom(t *testing.T) {
	b := bare(t)
	tok, other := b.Token("phone", web.Look), b.Token("tablet", web.Look)
	s := serverOf(t, web.Config{HostName: "shed"}, b)
	ln := served(t, s)
	ask := func(c net.Conn, token string) int {
		c.SetDeadline(time.Now().Add(10 * time.Second))
		go fmt.Fprintf(c, "GET /api/v1/whoami HTTP/1.1\r\nHost: shed\r\nAuthorization: Bearer %s\r\n\r\n", token)
		res, err := http.ReadResponse(bufio.NewReader(c), nil)
		if err != nil {
			return 0
		}
		io.Copy(io.Discard, res.Body)
		if res.Close {
			c.Close()
		}
		return res.StatusCode
	}
	flood := func(round int) {
		for i := range 4 * web.MaxConnsEach {
			ln.from(fmt.Sprintf("198.51.%d.%d:5000", round, i%4+1))
		}
	}
	flood(0)
	phone := ln.from("192.0.2.50:5000")
	if got := ask(phone, tok); got != 200 {
		t.Fatalf("a phone among idle strangers: %d", got)
	}
	flood(1)
	flood(2)
	if got := ask(phone, tok); got != 200 {
		t.Errorf("the phone's open connection after two more floods: %d", got)
	}
	// One log-in from many addresses does not fill the board either.
	left := 0
	var held []net.Conn
	for i := range 3 * web.MaxConnsToken {
		c := ln.from(fmt.Sprintf("203.0.113.%d:5000", i+1))
		if got := ask(c, other); got != 200 {
			t.Fatalf("connection %d of one log-in: %d", i, got)
		}
		held = append(held, c)
	}
	for _, c := range held {
		if ask(c, other) == 200 {
			left++
		}
	}
	if left == 0 || left > web.MaxConnsToken {
		t.Errorf("one log-in holds %d connections, want 1 to %d", left, web.MaxConnsToken)
	}
}

// served serves on connections in memory until the test ends.
func served(t *testing.T, s *web.Server) *pipes {
	t.Helper()
	ln := newPipes(lan)
	running(t, func(ctx context.Context) error { return s.Serve(ctx, ln) })
	return ln
}

// A stop ends open event streams at once and frees the address.
func TestStop(t *testing.T) {
	s := server(t, bare(t))
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, ln) }()
	res, err := http.Get("http://" + ln.Addr().String() + "/events")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	stop()
	if err := <-done; err != nil {
		t.Errorf("Serve = %v", err)
	}
	if _, err := io.ReadAll(res.Body); err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("the stream ended with %v", err)
	}
	ln2, err := net.Listen("tcp", ln.Addr().String())
	if err != nil {
		t.Fatalf("the address is still taken: %v", err)
	}
	ln2.Close()
	if err := s.Serve(t.Context(), ln2); err == nil {
		t.Error("serving on a closed listener gave no error")
	}
}
