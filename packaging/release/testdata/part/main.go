// SPDX-License-Identifier: Apache-2.0

// Command part is a program with one outside part, for the test.
package main

import (
	"fmt"

	"github.com/pelletier/go-toml/v2"
)

func main() {
	b, err := toml.Marshal(map[string]int{"a": 1})
	fmt.Println(string(b), err)
}
