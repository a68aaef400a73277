// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"encoding/csv"
	"encoding/json"
	"io"
	"mime"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode"

	"curewright/dashboards/web"
	"curewright/internal/testkit"
)

// exposition is one line of the text format (Prometheus, "Exposition formats"):
// a comment, or a name, labels in quotes with \\, \" and \n escaped, a number.
var exposition = regexp.MustCompile(`^(# .*|[a-zA-Z_:][a-zA-Z0-9_:]*(\{([a-zA-Z_][a-zA-Z0-9_]*="([^"\\\n]|\\["\\n])*",?)*\})? [-+0-9.eINFa]+( \d+)?)$`)

// Names that somebody typed to make a page, a header, a file, a table or a
// metric do what they want. They come through the API like any others and go
// out by every way; what is refused is refused with a reason.
func TestHostileNames(t *testing.T) {
	live := newLiveDaemon(t, t.TempDir(), time.Date(2026, 10, 10, 12, 0, 0, 0, time.UTC))
	inside := filepath.Join(live.d.cfg.Store.Path, "..", "outside")
	names := []string{
		`<script>alert(1)</script>`, `"><img src=x onerror=alert(1)>`, "x\r\nSet-Cookie: a=b", "x\nSTATE:1", `=HYPERLINK("x")`, `+1|cmd`, `@SUM(1)`,
		`../../outside`, `..`, `%2e%2e%2foutside`, `{{.Secret}}`, `${jndi:x}`, `a,b=c d`, `'; DROP TABLE kv; --`, "x\x00y", "\u202Etxt", `a"b\c`, `#+/$SYS`,
	}
	taken := 0
	seen := map[string]int{}
	for i, name := range names {
		body := mustJSON(t, map[string]any{"id": name, "name": name, "core": "foam", "piece": "lid"})
		code, b := live.Raw("POST", "/api/v1/panels", body)
		if code != http.StatusCreated && code != http.StatusBadRequest {
			t.Errorf("panel %q: %d %s", name, code, b)
		}
		id := name
		if code == http.StatusBadRequest {
			id = "lid-" + string(rune('a'+i))
			// A name may be any text; what commands a terminal or a line is refused.
			code, b := live.Raw("POST", "/api/v1/panels", mustJSON(t, map[string]any{"id": id, "name": name, "core": "foam", "piece": "lid"}))
			switch control := strings.ContainsFunc(name, func(r rune) bool { return unicode.IsControl(r) || unicode.Is(unicode.Cf, r) }); {
			case control && (code != http.StatusBadRequest || !strings.Contains(string(b), "control character")):
				t.Errorf("panel named %q: %d %s", name, code, b)
				continue
			case control:
				continue
			case code != http.StatusCreated:
				t.Errorf("panel named %q: %d %s", name, code, b)
				continue
			}
		} else {
			taken++
		}
		// A coat with it in every text that a person may choose.
		live.Raw("POST", "/api/v1/coats", mustJSON(t, map[string]any{"panel": id, "resin": "medium", "kind": "fill coat", "applied": live.clk.Now().Add(-time.Hour), "note": name}))
		if code, b := live.Raw("POST", "/api/v1/readings", mustJSON(t, []map[string]any{{"probe": name, "temp_c": 18}})); code != http.StatusAccepted || !strings.Contains(string(b), `"taken":0`) {
			t.Errorf("a probe called %q: %d %s", name, code, b)
		}
		live.Raw("PUT", "/api/v1/settings", mustJSON(t, map[string]any{"shop_name": name}))
		testkit.OK(t, live.d.Evaluate(t.Context()))

		for _, format := range []string{"html", "csv", "json"} {
			resp, err := http.Get(live.URL + "/api/v1/panels/" + url.PathEscape(id) + "/record?format=" + format)
			testkit.OK(t, err)
			b, err := io.ReadAll(resp.Body)
			resp.Body.Close()
			testkit.OK(t, err)
			text := string(b)
			if resp.StatusCode == http.StatusOK {
				seen[format]++
			}
			if resp.StatusCode != http.StatusOK && resp.StatusCode != http.StatusNotFound && resp.StatusCode != http.StatusBadRequest {
				t.Errorf("record of %q as %s: %d", id, format, resp.StatusCode)
				continue
			}
			if resp.Header.Get("Set-Cookie") != "" {
				t.Errorf("record of %q sets a cookie", id)
			}
			if d := resp.Header.Get("Content-Disposition"); d != "" {
				_, p, err := mime.ParseMediaType(d)
				if err != nil || strings.ContainsAny(p["filename"], `/\"<>`+"\r\n") || strings.HasPrefix(p["filename"], ".") {
					t.Errorf("record of %q is to be saved as %q: %v", id, d, err)
				}
			}
			if format == "html" && (strings.Contains(text, "<script") || strings.Contains(text, "<img")) {
				t.Errorf("record of %q: what was typed became markup", id)
			}
			if format == "csv" && resp.StatusCode == http.StatusOK {
				rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
				if err != nil {
					t.Errorf("record of %q: %v", id, err)
				}
				for _, r := range rows {
					for _, c := range r {
						if c != "" && strings.ContainsRune("=+@\t\r", rune(c[0])) {
							t.Errorf("record of %q: the cell %q is a formula", id, c)
						}
					}
				}
			}
		}
	}
	if taken < 5 || seen["html"] < taken || seen["csv"] < taken || seen["json"] < taken {
		t.Errorf("%d names were taken and %v records drawn: too little was tried", taken, seen)
	}
	code, b := live.Raw("GET", "/metrics", nil)
	if code != http.StatusOK {
		t.Fatalf("metrics: %d", code)
	}
	for _, l := range strings.Split(strings.TrimSuffix(string(b), "\n"), "\n") {
		if !exposition.MatchString(l) {
			t.Errorf("metrics: %q is no line of the format", l)
		}
	}
	if _, err := os.Stat(inside); err == nil {
		t.Error("a file was made outside the store")
	}
	var snap web.Snapshot
	testkit.Get(t, live.URL+"/api/v1/snapshot", &snap)
	if code, b := live.Raw("GET", "/", nil); code != http.StatusOK || strings.Contains(string(b), "alert(1)") {
		t.Errorf("the page: %d", code)
	}
}

func mustJSON(t *testing.T, v any) []byte {
	t.Helper()
	b, err := json.Marshal(v)
	testkit.OK(t, err)
	return b
}
