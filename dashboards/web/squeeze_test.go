// SPDX-License-Identifier: Apache-2.0

package web

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"math/rand/v2"
	"testing"
)

// unsqueezed is what the standard library reads of it, which checks the sum and
// that nothing comes after.
func unsqueezed(t *testing.T, b []byte) []byte {
	t.Helper()
	r, err := gzip.NewReader(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	out, err := io.ReadAll(r)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// Every length and distance of deflate, and bytes of all kinds, come back as they
// were.
func TestSqueezeComesBack(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	noise := func(n int) []byte {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(rnd.Uint32())
		}
		return b
	}
	for n := range 300 {
		check(t, noise(n))
		check(t, bytes.Repeat([]byte{byte(n)}, n))
		head := noise(n + 4)
		check(t, append(head, head...))
	}
	for _, gap := range []int{1, 2, 3, 4, 5, 7, 8, 9, 1 << 10, 1<<14 + 5, maxDistance - 9, maxDistance - 8, maxDistance - 7, 1 << 16} {
		word := noise(8)
		check(t, append(append(word, make([]byte, gap)...), word...))
		check(t, append(append(word, noise(gap)...), word...))
	}
}

func check(t *testing.T, text []byte) {
	t.Helper()
	if got := unsqueezed(t, squeeze(text)); !bytes.Equal(got, text) {
		t.Fatalf("%d bytes came back as %d others", len(text), len(got))
	}
}

func FuzzSqueeze(f *testing.F) {
	f.Add([]byte("curewright_probe_state{probe=\"a\",state=\"ok\"} 1\ncurewright_probe_state{probe=\"b\",state=\"ok\"} 1\n"))
	f.Fuzz(check)
}

// A scrape shrinks to less than a third, or it would not be worth the while.
func TestSqueezeShrinks(t *testing.T) {
	e := newExposition(false)
	for i := range 200 {
		e.put(mProbeTemp, 20+float64(i)/16, fmt.Sprintf("probe-%d", i), "panel", fmt.Sprintf("lid-%d", i))
		e.put(mProbeAge, float64(i)/7, fmt.Sprintf("probe-%d", i))
	}
	text := e.text()
	if n := len(squeeze(text)); n > len(text)/3 {
		t.Errorf("%d bytes became %d", len(text), n)
	}
	check(t, text)
}
