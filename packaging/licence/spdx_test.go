// SPDX-License-Identifier: Apache-2.0

package licence

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// Every source file of ours says its licence in its first lines, as the SPDX
// specification's annex on short identifiers has it.
func TestSourcesSayTheirLicence(t *testing.T) {
	out, err := exec.Command("git", "-C", "../..", "ls-files", "-z").Output()
	if err != nil {
		t.Skipf("not a checkout: %v", err)
	}
	n := 0
	for _, f := range strings.Split(strings.TrimRight(string(out), "\x00"), "\x00") {
		switch filepath.Ext(f) {
		case ".go", ".js", ".mjs", ".c", ".css", ".sh", ".py":
		default:
			continue
		}
		if strings.Contains(f, "/vendor/") {
			continue // another's, with its licence beside it
		}
		b, err := os.ReadFile(filepath.Join("../..", f))
		if os.IsNotExist(err) {
			continue // deleted and not yet committed
		} else if err != nil {
			t.Fatal(err)
		}
		if !bytes.Contains(b[:min(len(b), 600)], []byte("SPDX-License-Identifier: Apache-2.0")) {
			t.Errorf("%s does not say its licence", f)
		}
		n++
	}
	if n < 300 {
		t.Errorf("only %d source files were seen", n)
	}
}
