// SPDX-License-Identifier: Apache-2.0

package boards_test

import (
	"encoding/json"
	"fmt"

	"curewright/dashboards/boards"
)

func ExampleFiles() {
	text, err := boards.Files.ReadFile("yard.json")
	if err != nil {
		fmt.Println(err)
		return
	}
	var b struct{ UID, Title string }
	if err := json.Unmarshal(text, &b); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(b.UID, "-", b.Title)
	// Output: curewright-yard - A yard of many sheds
}
