// SPDX-License-Identifier: Apache-2.0

package web

import (
	_ "embed"
	"encoding/json"
	"net/http"
	"strings"
)

// openAPI is the API in OpenAPI 3.1, generated from the routes and from the
// types that they carry: `go test ./internal/daemon -run OpenAPI -update`.
//
//go:embed openapi.json
var openAPI []byte

func (s *Server) openAPI(*http.Request) (any, error) { return json.RawMessage(openAPI), nil }

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
