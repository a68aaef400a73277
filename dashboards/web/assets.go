// SPDX-License-Identifier: Apache-2.0

package web

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"encoding/json"
	"io/fs"
	"net/http"
	"path"
	"strconv"
	"strings"
	"sync"
)

//go:embed assets
var embedded embed.FS

// assets are the page's own files, looked up by exact name only: no path is
// ever joined, so none can lead out.
type assets struct {
	files map[string]*asset
}

// asset is one file. Its text lies in the program and is made ready each time;
// what is kept of it is its compressed form, once somebody asked for it, since
// that is what browsers take.
type asset struct {
	body func() []byte
	mime string
	etag string
	gz   func() []byte // nil where it would not be shorter
}

// Types by name, not from the system's tables, which a board may not have.
var mimeTypes = map[string]string{
	".html":        "text/html; charset=utf-8",
	".css":         "text/css; charset=utf-8",
	".js":          "text/javascript; charset=utf-8",
	".webmanifest": "application/manifest+json",
	".svg":         "image/svg+xml",
	".txt":         "text/plain; charset=utf-8",
}

func newAssets() *assets {
	a := &assets{files: map[string]*asset{}}
	// An embedded tree cannot fail to be read.
	_ = fs.WalkDir(embedded, "assets", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		body := func() []byte {
			b, _ := embedded.ReadFile(p)
			return lean(p, b)
		}
		sum := sha256.Sum256(body())
		a.files[strings.TrimPrefix(p, "assets/")] = &asset{
			body: body, mime: mimeTypes[path.Ext(p)], etag: hex.EncodeToString(sum[:12]),
			gz: sync.OnceValue(func() []byte { return shrink(body()) }),
		}
		return nil
	})
	a.listForWorker()
	return a
}

// listForWorker puts the list of the page's files, and a version that changes
// with any of them, before the service worker that keeps them on the phone.
// What only a person reads (licences) is left out.
func (a *assets) listForWorker() {
	sw := a.files["sw.js"]
	list, sum := []string{"./"}, sha256.New()
	for _, name := range sortedKeys(a.files) {
		if name == "sw.js" || name == "index.html" || strings.HasSuffix(name, ".txt") {
			continue
		}
		list = append(list, name)
	}
	for _, name := range sortedKeys(a.files) {
		sum.Write([]byte(a.files[name].etag))
	}
	names, _ := json.Marshal(list) // strings: cannot fail
	version := hex.EncodeToString(sum.Sum(nil)[:12])
	head, script := "const FILES = "+string(names)+", VERSION = \""+version+"\";\n", sw.body
	sw.body, sw.etag = func() []byte { return append([]byte(head), script()...) }, version
	sw.gz = sync.OnceValue(func() []byte { return shrink(sw.body()) })
}

func shrink(b []byte) []byte {
	var buf bytes.Buffer
	zw, _ := gzip.NewWriterLevel(&buf, gzip.BestCompression)
	zw.Write(b) // into memory: cannot fail
	zw.Close()
	if buf.Len() >= len(b) {
		return nil
	}
	return bytes.Clone(buf.Bytes())
}

// serve writes one file. The browser keeps it but asks each time whether it
// changed, so that a new version of the program is seen at once.
func (a *assets) serve(w http.ResponseWriter, r *http.Request, name string, code int) {
	f := a.files[name]
	h := w.Header()
	var body []byte
	etag := `"` + f.etag + `"`
	if acceptsGzip(r) {
		body = f.gz()
	}
	if body != nil {
		h.Set("Content-Encoding", "gzip")
		etag = `"` + f.etag + `-gz"`
	} else {
		body = f.body()
	}
	h.Set("Content-Type", f.mime)
	h.Set("Vary", "Accept-Encoding")
	if code == http.StatusOK {
		h.Set("Cache-Control", "no-cache")
		h.Set("ETag", etag)
		for t := range strings.SplitSeq(r.Header.Get("If-None-Match"), ",") {
			if strings.TrimPrefix(strings.TrimSpace(t), "W/") == etag {
				h.Del("Content-Encoding")
				w.WriteHeader(http.StatusNotModified)
				return
			}
		}
	}
	h.Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(code)
	if r.Method != http.MethodHead {
		w.Write(body) // a reader that has gone is nobody's fault
	}
}

func acceptsGzip(r *http.Request) bool {
	for e := range strings.SplitSeq(r.Header.Get("Accept-Encoding"), ",") {
		name, q, _ := strings.Cut(strings.TrimSpace(e), ";")
		if strings.EqualFold(strings.TrimSpace(name), "gzip") {
			q = strings.ReplaceAll(q, " ", "")
			return q != "q=0" && q != "q=0.0" && q != "q=0.00" && q != "q=0.000"
		}
	}
	return false
}
