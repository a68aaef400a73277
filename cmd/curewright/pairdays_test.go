// SPDX-License-Identifier: Apache-2.0

package main

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"curewright/internal/daemon/daemontest"
	"curewright/internal/testkit"
)

// The command line gives a log-in for days and shows until when it is good.
func TestPairForDays(t *testing.T) {
	live := daemontest.New(t, daemontest.Options{At: time.Now()})
	t.Setenv("CUREWRIGHT_SERVER", live.URL)
	if code, _, errs := runCmd(t, "pair", "--days", "-1"); code != exitUsage || !strings.Contains(errs, "--days") {
		t.Errorf("--days -1: exit %d, %q", code, errs)
	}
	if code, _, errs := runCmd(t, "pair", "--days", "3651"); code != exitUsage || !strings.Contains(errs, "3650") {
		t.Errorf("--days 3651: exit %d, %q", code, errs)
	}
	if code, body := live.Raw("POST", "/api/v1/paircodes", []byte(`{"role":"look","days":-3}`)); code != 400 || !strings.Contains(string(body), `"days"`) {
		t.Errorf("days -3 over the API: %d %s", code, body)
	}
	for _, days := range []string{"2", "0"} {
		var p struct{ Code string }
		testkit.OK(t, json.Unmarshal([]byte(cmdOK(t, "pair", "--role", "look", "--name", "guest "+days, "--days", days, "--json")), &p))
		if _, _, err := live.Redeem(t.Context(), p.Code, ""); err != nil {
			t.Fatal(err)
		}
	}
	out := cmdOK(t, "token", "list")
	for _, end := range []string{time.Now().AddDate(0, 0, 2).Format("2 Jan 2006 "), time.Now().AddDate(0, 0, 180).Format("2 Jan 2006\n")} {
		if !strings.Contains(out, "good until "+end) {
			t.Errorf("token list does not say %q:\n%s", end, out)
		}
	}
}
