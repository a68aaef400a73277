// SPDX-License-Identifier: Apache-2.0

package web

import (
	"context"
	"net/http"
	"strings"
)

// PreferUS is what the header Prefer (RFC 7240) says of a request that asks for the
// temperatures in an answer's sentences in °F. Its figures are °C all the same.
const PreferUS = "units=us"

type unitsKey struct{}

// UnitsOf are the units that the request behind ctx asks for, "si" or "us".
func UnitsOf(ctx context.Context) string {
	if us, _ := ctx.Value(unitsKey{}).(bool); us {
		return "us"
	}
	return "si"
}

// withUnits is the request with what it prefers.
func withUnits(r *http.Request) *http.Request {
	for _, line := range r.Header.Values("Prefer") {
		for p := range strings.FieldsFuncSeq(line, func(c rune) bool { return c == ',' || c == ';' || c == ' ' }) {
			if strings.EqualFold(p, PreferUS) {
				return r.WithContext(context.WithValue(r.Context(), unitsKey{}, true))
			}
		}
	}
	return r
}
