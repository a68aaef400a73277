// SPDX-License-Identifier: Apache-2.0

package bench

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// BenchmarkProgram is how large the program is, as it is handed out.
func BenchmarkProgram(b *testing.B) {
	for _, t := range []struct{ name, arch string }{{"armv6", "arm"}, {"amd64", "amd64"}} {
		file := filepath.Join(b.TempDir(), "curewright")
		cmd := exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", file, "curewright/cmd/curewright")
		cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH="+t.arch, "GOARM=6")
		if out, err := cmd.CombinedOutput(); err != nil {
			b.Fatalf("%v: %s", err, out)
		}
		fi, err := os.Stat(file)
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(fi.Size())/1e6, "MB-"+t.name)
	}
	b.ReportMetric(0, "ns/op")
}
