// SPDX-License-Identifier: Apache-2.0

package tomlfile

import (
	"errors"
	"fmt"
	"strings"
	"testing"
)

type sample struct {
	Shop struct {
		Name string  `toml:"name"`
		Low  float64 `toml:"low"`
	} `toml:"shop"`
	Probe []struct {
		ID   string `toml:"id"`
		Opts struct {
			Every int `toml:"every"`
		} `toml:"opts"`
	} `toml:"probe"`
}

const good = `[shop]
name = "boathouse"
low = 6.0

[[probe]]
id = "shed-air"

[[probe]]
  id = "panel-1"
  [probe.opts]
  every = 10
`

func TestPlaces(t *testing.T) {
	var s sample
	f, faults := Decode([]byte(good), &s)
	if err := faults.Err(); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		path      []any
		line, col int
	}{
		{[]any{"shop"}, 1, 2},
		{[]any{"shop", "low"}, 3, 1},
		{[]any{"probe", 0, "id"}, 6, 1},
		{[]any{"probe", 1, "id"}, 9, 3},
		{[]any{"probe", 1, "opts", "every"}, 11, 3},
		{[]any{"probe", 1, "absent"}, 8, 3}, // nearest place above
		{[]any{"nothing"}, 0, 0},
	} {
		if line, col := f.Place(tt.path...); line != tt.line || col != tt.col {
			t.Errorf("Place(%v) = %d:%d, want %d:%d", tt.path, line, col, tt.line, tt.col)
		}
	}
	if f.Has("shop", "tent") || !f.Has("shop", "name") {
		t.Error("Has is wrong about shop.tent or shop.name")
	}
}

func TestFaults(t *testing.T) {
	for name, tt := range map[string]struct{ in, want string }{
		"unknown keys, all of them": {"[shop]\nnam = 1\nlow = 2\nhi = 3\n", "f:2:1: shop.nam: unknown key\nf:4:1: shop.hi: unknown key"},
		"wrong type":                {"[shop]\nlow = \"six\"\n", "f:2:7: "},
		"wrong types, all of them":  {"[shop]\nlow = \"six\"\nname = 3\nhi = 1\n[[probe]]\nid = 4\n", "f:2:7: shop.low: a string where a number belongs\nf:3:8: shop.name: an integer where text in quotes belongs"},
		"syntax":                    {"[shop\n", "f:1:"},
		"same key twice":            {"[shop]\nlow = 1\nlow = 2\n", "f:3:"},
	} {
		t.Run(name, func(t *testing.T) {
			var s sample
			_, faults := Decode([]byte(tt.in), &s)
			if faults.Err() == nil {
				t.Fatal("no fault")
			}
			got := strings.Join(faults.Lines("f"), "\n")
			if !strings.HasPrefix(got, tt.want) {
				t.Errorf("got %q, want prefix %q", got, tt.want)
			}
		})
	}
}

// After the two wrong types the unknown key and the third wrong type must
// still be found.
func TestAllFaults(t *testing.T) {
	var s sample
	_, faults := Decode([]byte("[shop]\nlow = \"six\"\nname = 3\nhi = 1\n[[probe]]\nid = 4\n"), &s)
	_ = faults.Err()
	var lines []int
	for _, f := range faults {
		lines = append(lines, f.Line)
	}
	if got, want := fmt.Sprint(lines), "[2 3 4 6]"; got != want {
		t.Errorf("faults on lines %s, want %s:\n%v", got, want, faults)
	}
}

func TestFaultAt(t *testing.T) {
	var s sample
	f, _ := Decode([]byte(good), &s)
	for in, want := range map[string]string{
		"probe[1].id: taken":        "f:9:3: probe[1].id: taken",
		"probe[1].driver: required": "f:8:3: probe[1].driver: required",
		"tent.max_air_c: required":  "f: tent.max_air_c: required",
		"no probe: and no place":    "f: no probe: and no place",
	} {
		if got := f.FaultAt(errors.New(in)).At("f"); got != want {
			t.Errorf("FaultAt(%q) = %q, want %q", in, got, want)
		}
	}
}

func ExampleDecode() {
	var s sample
	_, faults := Decode([]byte("[shop]\nlo = 6\n"), &s)
	for _, line := range faults.Lines("shop.toml") {
		fmt.Println(line)
	}
	// Output: shop.toml:2:1: shop.lo: unknown key
}

func FuzzDecode(f *testing.F) {
	f.Add([]byte(good))
	f.Add([]byte("a.b = [1, {c = 2}]\n[[x]]\n[x.y]\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		var s sample
		file, faults := Decode(data, &s)
		if file == nil && len(faults) == 0 {
			t.Error("neither a file nor a fault")
		}
	})
}
