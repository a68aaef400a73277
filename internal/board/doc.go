// SPDX-License-Identifier: Apache-2.0

// Package board has no code of its own: its tests run the program on boards
// that QEMU emulates, whose kernel, I2C controller, 1-wire core, GPIO, watchdog
// and disk are real enough to find what emulated registers cannot.
//
//	make board          all scenes and a hundred power cuts
//	go test ./internal/board   the short form
//
// scripts/board-parts.sh fetches the kernel. Emulated are an i.MX6 board
// (sabrelite; I2C with a TMP105 whose temperature is set from outside, GPIO,
// watchdog), a Raspberry Pi 2 (GPIO) and, for power cuts and the clock chip,
// QEMU's virt with a disk that is served here and forgets what was not flushed.
//
// A board's time goes by its instructions, so that the host's load is nothing
// that it sees. Where a scene is tried many times, a board is brought to its
// beginning once and its memory saved (QEMU's migration); each try goes on from
// there.
package board
