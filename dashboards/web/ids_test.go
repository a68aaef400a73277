// SPDX-License-Identifier: Apache-2.0

package web_test

import "unsafe"

var kept [][]uint32

// first32 is the address of the groups as setgroups(2) wants them, 0 for none.
func first32(groups []int) uintptr {
	if len(groups) == 0 {
		return 0
	}
	g := make([]uint32, len(groups))
	for i, x := range groups {
		g[i] = uint32(x)
	}
	kept = append(kept, g) // the kernel reads it after we return
	return uintptr(unsafe.Pointer(&g[0]))
}
