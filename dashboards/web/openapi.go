// SPDX-License-Identifier: Apache-2.0

package web

import (
	"bytes"
	"compress/gzip"
	_ "embed"
	"encoding/json"
	"io"
	"net/http"
	"strings"
)

// openAPI is openapi.json, packed: the API in OpenAPI 3.1, generated from the
// routes and from the types that they carry by `go test ./internal/daemon -run
// OpenAPI -update`. It is the largest single thing in the program.
//
//go:embed openapi.json.gz
var openAPI []byte

func (s *Server) openAPI(w http.ResponseWriter, r *http.Request) (any, error) {
	if err := known(r); err != nil {
		return nil, err
	}
	w.Header().Set("Vary", "Accept-Encoding")
	if acceptsGzip(r) {
		w.Header().Set("Content-Encoding", "gzip")
		return file{kind: "application/json", b: openAPI}, nil
	}
	z, err := gzip.NewReader(bytes.NewReader(openAPI))
	if err != nil {
		return nil, err
	}
	b, err := io.ReadAll(z)
	return json.RawMessage(bytes.TrimSpace(b)), err
}

// Route is one method and path of the API, and the role that it asks for; ""
// asks for no log-in.
type Route struct {
	Method, Path string
	Role         Role
}

// APIRoutes lists what the server answers, but for the page and its files.
func APIRoutes() []Route {
	var out []Route
	for _, rt := range routeTable() {
		if rt.path != home && !strings.HasSuffix(rt.path, "}/") {
			out = append(out, Route{rt.method, rt.path, rt.role})
		}
	}
	return out
}
