// SPDX-License-Identifier: Apache-2.0

package daemon_test

import (
	"io"
	"net/http"
	"strings"
	"testing"

	"curewright/internal/daemon/daemontest"
	"curewright/internal/testkit"
)

// What the board says to a request that prefers °F has no °C in it; without that it
// has no °F, whatever the page is set to, and figures are °C either way.
func TestUnitsAskedFor(t *testing.T) {
	d := daemontest.NewShop(t, daemontest.Options{})
	d.Do("PUT", "/api/v1/settings", map[string]any{"units": "us"}, http.StatusOK)
	ask := func(prefer, path string) string {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), "GET", d.URL+path, nil)
		testkit.OK(t, err)
		if prefer != "" {
			r.Header.Set("Prefer", prefer)
		}
		res, err := http.DefaultClient.Do(r)
		testkit.OK(t, err)
		defer res.Body.Close()
		b, err := io.ReadAll(res.Body)
		if err != nil || res.StatusCode != http.StatusOK {
			t.Fatalf("%s: %d %v\n%s", path, res.StatusCode, err, b)
		}
		return string(b)
	}
	for path, want := range map[string][2]string{
		"/api/v1/pot?resin=medium&grams=180&shape=cup&shop=20": {"g at 25 °C, to 60 °C", "g at 77 °F, to 140 °F"},
		"/api/v1/air?temp=-1&rh=95":                            {"Below 0 °C", "Below 32 °F"},
	} {
		for prefer, is := range map[string]int{"": 0, "units=si": 0, "respond-async, Units=US": 1, "units=us": 1} {
			got := ask(prefer, path)
			if !strings.Contains(got, want[is]) || strings.Contains(got, [2]string{"°F", "°C"}[is]) {
				t.Errorf("%s, asked with %q: no %q, or a unit that nobody asked for:\n%s", path, prefer, want[is], got)
			}
		}
	}
}
