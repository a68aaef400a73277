package pagetest_test

import (
	"context"
	"fmt"

	"curewright/dashboards/web/pagetest"
)

// A made-up shed answers as the daemon would.
func ExampleNew() {
	s, err := pagetest.New("quiet")
	if err != nil {
		fmt.Println(err)
		return
	}
	snap, err := s.Snapshot(context.Background())
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, e := range snap.Result.Coats {
		fmt.Printf("%s: %s\n", e.Flag, e.Advice)
	}
	// Output:
	// wait: Leave it. Feel it from 14:45, every 10 min.
	// done: Hard since about 13:10. Sand when you like.
}
