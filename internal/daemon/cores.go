// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"runtime"
	"sync"
)

// cores are the processors of this process, the runtime's own setting.
var cores struct {
	sync.Mutex
	all  int // to be used by long work; 0: always
	long int // pieces of it that are under way
}

// OneCore keeps the process to one processor while no long work is under way. All
// that goes on by itself is done by one in a hundredth of its time: with more, other
// threads are woken each second to find nothing to do.
func OneCore() {
	cores.Lock()
	defer cores.Unlock()
	cores.all = runtime.GOMAXPROCS(1)
}

// allCores lets long work use every processor until it calls done.
func allCores() (done func()) {
	use := func(long int) {
		cores.Lock()
		defer cores.Unlock()
		cores.long += long
		switch {
		case cores.all == 0:
		case cores.long > 0:
			runtime.GOMAXPROCS(cores.all)
		default:
			runtime.GOMAXPROCS(1)
		}
	}
	use(1)
	return func() { use(-1) }
}
