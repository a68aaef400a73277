// SPDX-License-Identifier: Apache-2.0

package boards_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/boards"

	"curewright/internal/realpart"
)

// The sample for the broker, with only its paths and its address changed: a
// real broker starts with it, takes who has a password over TLS and refuses
// who has none.
func TestBrokerSample(t *testing.T) {
	mosquitto, pub, passwd := realpart.Program(t, "mosquitto"), realpart.Program(t, "mosquitto_pub"), realpart.Program(t, "mosquitto_passwd")
	b, err := boards.Files.ReadFile("fleet/mosquitto.conf")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	// Valid from a while ago: the machine's clock and this one are the same.
	cert := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "yard"}, NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, cert, cert, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	crt := filepath.Join(dir, "yard.crt")
	write(t, crt, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
	write(t, filepath.Join(dir, "yard.key"), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER}))
	if out, err := exec.CommandContext(t.Context(), passwd, "-b", "-c", filepath.Join(dir, "curewright.passwords"), "shed-1", "invented").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	write(t, filepath.Join(dir, "curewright.acl"), []byte("user shed-1\ntopic readwrite curewright/shed-1/#\n"))

	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_, port, _ := net.SplitHostPort(ln.Addr().String())
	ln.Close()
	conf := strings.NewReplacer("listener 8883", "listener "+port+" 127.0.0.1", "/etc/mosquitto/certs", dir, "/etc/mosquitto", dir,
		"/var/lib/mosquitto/", dir+"/").Replace(string(b))
	if strings.Contains(conf, "/etc/") || strings.Contains(conf, "/var/") {
		t.Fatalf("a path of this machine is left:\n%s", conf)
	}
	// It gives up root's rights where it is started as root, and could not
	// read this folder then.
	write(t, filepath.Join(dir, "mosquitto.conf"), []byte("user root\n"+conf))
	var log strings.Builder
	cmd := exec.Command(mosquitto, "-c", filepath.Join(dir, "mosquitto.conf"))
	cmd.Stderr = &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	stop := func() { cmd.Process.Kill(); cmd.Wait() }
	defer stop()

	send := func(more ...string) error {
		args := append([]string{"-h", "127.0.0.1", "-p", port, "--cafile", crt, "-q", "1", "-t", "curewright/shed-1/state", "-m", "x"}, more...)
		if out, err := exec.CommandContext(t.Context(), pub, args...).CombinedOutput(); err != nil {
			return fmt.Errorf("%w: %s", err, out)
		}
		return nil
	}
	deadline := time.Now().Add(20 * time.Second)
	for {
		err := send("-u", "shed-1", "-P", "invented")
		if err == nil {
			break
		}
		if time.Now().After(deadline) {
			stop()
			t.Fatalf("the broker never took a message: %v\n%s", err, log.String())
		}
		time.Sleep(100 * time.Millisecond)
	}
	if send() == nil {
		t.Error("a message without a password was taken")
	}
	if send("-u", "shed-1", "-P", "wrong") == nil {
		t.Error("a message with a wrong password was taken")
	}
}
