// SPDX-License-Identifier: Apache-2.0

package testkit

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"curewright/model/words"
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
