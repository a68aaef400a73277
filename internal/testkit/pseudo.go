// SPDX-License-Identifier: Apache-2.0

package testkit

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"curewright/model/words"
	"curewright/sensors"
)

// Pseudo writes the pseudo-language as a language's file, which [shop] language and
// --language take, and returns its name.
func Pseudo(t testing.TB) string {
	t.Helper()
	var b strings.Builder
	pseudo := words.Pseudo()
	for _, code := range words.English.Codes("") {
		fmt.Fprintf(&b, "%q = %q\n", code, pseudo.Text(code))
	}
	file := filepath.Join(t.TempDir(), "x-pseudo.toml")
	OK(t, os.WriteFile(file, []byte(b.String()), 0o600))
	return file
}

// quoted is what the system, a chip or a driver says of itself.
var quoted = regexp.MustCompile(`“[^”]*”`)

// Bare are the words of what is said of a probe in the pseudo-language that stand in no
// catalogue and in no quotes.
func Bare(text string, facts ...string) []string {
	return words.Bare(quoted.ReplaceAllString(text, " "), facts...)
}

// ReadErrors are errors of a probe: one for each reason, and one for each sentence
// of the catalogue with "zq" for its facts, by the code.
func ReadErrors(t testing.TB) map[string]error {
	t.Helper()
	out := map[string]error{"other": errors.New("said elsewhere")}
	for _, err := range []error{sensors.ErrAbsent, sensors.ErrWrongDevice, sensors.ErrChecksum, sensors.ErrPowerOn, sensors.ErrRange, sensors.ErrJump,
		sensors.ErrStuck, sensors.ErrTimeout, sensors.ErrStale, sensors.ErrBus, sensors.ErrDoubted, sensors.ErrEmpty} {
		out[sensors.Reason(err)] = err
	}
	for _, code := range words.English.Codes("probe.reason.") {
		if word := strings.TrimPrefix(code, "probe.reason."); out[word] == nil {
			t.Fatalf("%s: an unknown reason", word)
		}
	}
	for _, code := range slices.Concat(words.English.Codes("probe.why."), words.English.Codes("probe.do.")) {
		short := code[strings.LastIndex(code, ".")+1:]
		if out[short] != nil {
			continue
		}
		facts := sensors.Facts{}
		for _, name := range slices.Concat(words.Names(words.English.Text("probe.why."+short)), words.Names(words.English.Text("probe.do."+short))) {
			facts[name] = "zq"
		}
		out[short] = sensors.Fail(sensors.ErrBus, short, facts)
	}
	return out
}
