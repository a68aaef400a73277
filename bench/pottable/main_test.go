// SPDX-License-Identifier: Apache-2.0

package main

import (
	"os"
	"strings"
	"testing"
)

// The table in the docs is what this command writes now.
func TestTableInDocs(t *testing.T) {
	if testing.Short() {
		t.Skip("24 conduction runs")
	}
	var b strings.Builder
	if err := write(&b); err != nil {
		t.Fatal(err)
	}
	doc, err := os.ReadFile("../../docs/pot.md")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(doc), b.String()) {
		t.Errorf("docs/pot.md does not hold the table as it is: go run ./bench/pottable\n%s", b.String())
	}
	if n := strings.Count(b.String(), "\n"); n != 2+24 {
		t.Errorf("%d lines, want 26", n)
	}
}
