// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"runtime"
	"testing"
)

// A daemon that keeps to one processor gives a plan all of them, until the last of
// several has ended.
func TestLongWorkTakesAllCores(t *testing.T) {
	was := runtime.GOMAXPROCS(3)
	defer func() { cores.all = 0; runtime.GOMAXPROCS(was) }()
	is := func(when string, want int) {
		t.Helper()
		if got := runtime.GOMAXPROCS(0); got != want {
			t.Errorf("%s: %d processors, want %d", when, got, want)
		}
	}
	allCores()()
	is("never limited", 3)
	OneCore()
	is("at rest", 1)
	one, two := allCores(), allCores()
	is("two plans", 3)
	one()
	is("one of them done", 3)
	two()
	is("at rest again", 1)
}
