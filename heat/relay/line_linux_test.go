// SPDX-License-Identifier: Apache-2.0

package relay

import (
	"testing"
	"unsafe"
)

// TestKernelStructs: sizes as sizeof and the _IOC macros of Debian 12's
// linux/gpio.h (linux-libc-dev 6.1) give them, printed by a C program.
func TestKernelStructs(t *testing.T) {
	for name, s := range map[string][2]uintptr{
		"gpiochip_info":        {unsafe.Sizeof(chipInfo{}), 68},
		"gpio_v2_line_info":    {unsafe.Sizeof(lineInfo{}), 256},
		"gpio_v2_line_request": {unsafe.Sizeof(lineRequest{}), 592},
		"gpio_v2_line_values":  {unsafe.Sizeof(lineValues{}), 16},
		"line_request.config":  {unsafe.Offsetof(lineRequest{}.config), 288},
		"line_request.fd":      {unsafe.Offsetof(lineRequest{}.fd), 588},
	} {
		if s[0] != s[1] {
			t.Errorf("%s: %d, want %d", name, s[0], s[1])
		}
	}
	// The size stands in bits 16 to 29 of each number.
	for n, want := range map[uintptr]uintptr{getChipInfo: 68, getLineInfo: 256, getLine: 592, getValues: 16, setValues: 16} {
		if got := n >> 16 & 0x3fff; got != want {
			t.Errorf("%#x carries %d bytes, want %d", n, got, want)
		}
	}
}
