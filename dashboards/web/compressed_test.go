// SPDX-License-Identifier: Apache-2.0

package web_test

import (
	"compress/gzip"
	"io"
	"strings"
	"testing"
)

// A scrape is compressed for who takes that, as the standard library reads it, to
// less than a third.
func TestScrapeCompressed(t *testing.T) {
	h := server(t, bare(t)).Handler()
	ends := func(s string) bool {
		return strings.HasPrefix(s, "# HELP") && strings.HasSuffix(s, "\n") && strings.Contains(s, "\ngo_goroutines ")
	}
	for _, accept := range []string{"", "gzip;q=0", "br"} {
		w := ask{path: "/metrics", header: map[string]string{"Accept-Encoding": accept}}.do(t, h)
		if w.Header().Get("Content-Encoding") != "" || !ends(w.Body.String()) {
			t.Errorf("accepting %q: %v, %.100s", accept, w.Header(), w.Body)
		}
	}
	w := ask{path: "/metrics", header: map[string]string{"Accept-Encoding": "deflate, gzip"}}.do(t, h)
	n := w.Body.Len()
	zr, err := gzip.NewReader(w.Body)
	if err != nil {
		t.Fatalf("%v: %v", w.Header(), err)
	}
	b, err := io.ReadAll(zr)
	if err != nil || !ends(string(b)) || n > len(b)/3 {
		t.Errorf("%v: %d bytes of %d compressed, %.100s", err, n, len(b), b)
	}
}
