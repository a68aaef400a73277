// SPDX-License-Identifier: Apache-2.0

package webtest_test

import (
	"context"
	"fmt"

	"curewright/dashboards/web/webtest"
)

func Example() {
	b := webtest.New()
	snap, err := b.Snapshot(context.Background())
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(snap.Result.Coats[0].ID, snap.Result.Coats[0].State)
	// Output: tack tacky
}
