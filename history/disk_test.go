// SPDX-License-Identifier: Apache-2.0

package history

import (
	"syscall"
)

const tmpfsMagic = 0x01021994

func onDisk(dir string) bool {
	var st syscall.Statfs_t
	return syscall.Statfs(dir, &st) == nil && st.Type != tmpfsMagic
}
