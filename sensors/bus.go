// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"syscall"
	"time"
)

// Transactor is the part of an I2C bus that a driver needs: write w, then read
// r, at one address, as one transaction. periph's i2c.Bus has it.
type Transactor interface {
	Tx(addr uint16, w, r []byte) error
}

// Transact does one bus transaction unless ctx has ended, and wraps its error:
// [ErrAbsent] where no chip acknowledged the address, [ErrTimeout] where the bus gave
// up waiting, [ErrBus] for any other. A transaction that has begun can't be
// interrupted.
func Transact(ctx context.Context, bus Transactor, addr uint16, w, r []byte) error {
	if err := ctx.Err(); err != nil {
		return Late(err)
	}
	return BusError(bus.Tx(addr, w, r))
}

// TransactTwice does the transaction until two answers in a row agree, at most
// four times, else [ErrChecksum]. It is for chips without a checksum whose
// registers do not change meanwhile: interference on the wire rarely makes the same
// error twice.
func TransactTwice(ctx context.Context, bus Transactor, addr uint16, w, r []byte) error {
	was := make([]byte, len(r))
	for i := range 4 {
		copy(was, r)
		if err := Transact(ctx, bus, addr, w, r); err != nil {
			return err
		}
		if i > 0 && bytes.Equal(was, r) {
			return nil
		}
	}
	return Fail(ErrChecksum, "no_two_agree", Facts{"was": fmt.Sprintf("% x", was), "now": fmt.Sprintf("% x", r)})
}

// BusError classifies the error of a bus. Bus libraries pass on the kernel's text
// without its error number, so the text is searched too. I2C adapters return ENXIO or
// EREMOTEIO for an address that no chip acknowledged
// (Linux Documentation/i2c/fault-codes).
func BusError(err error) error {
	if err == nil {
		return nil
	}
	for _, known := range []error{ErrAbsent, ErrTimeout, ErrChecksum, ErrWrongDevice, ErrBus} {
		if errors.Is(err, known) {
			return err
		}
	}
	s := err.Error()
	is := func(no syscall.Errno) bool {
		return errors.Is(err, no) || strings.Contains(s, no.Error())
	}
	switch {
	case is(syscall.ENXIO), is(syscall.EREMOTEIO), is(syscall.ENODEV):
		return Fail(ErrAbsent, "passed", Facts{"err": err})
	case is(syscall.ETIMEDOUT):
		return Fail(ErrTimeout, "hangs", Facts{"err": err})
	}
	return Fail(ErrBus, "passed", Facts{"err": err})
}

// Wait sleeps for d, or returns [ErrTimeout] as soon as ctx ends. Drivers wait
// for conversions with it, so that a deadline cuts the wait short.
func Wait(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return Late(ctx.Err())
	}
}

// CRC8 is the checksum that the humidity and carbon dioxide chips put after
// each word: polynomial 0x31, start 0xFF, no reflection, no final XOR
// (SHT4x data sheet, "Checksum Calculation": BE EF gives 92).
func CRC8(b []byte) byte {
	crc := byte(0xff)
	for _, x := range b {
		crc ^= x
		for range 8 {
			if crc&0x80 != 0 {
				crc = crc<<1 ^ 0x31
			} else {
				crc <<= 1
			}
		}
	}
	return crc
}

// Word takes one 16-bit word with its [CRC8] from the front of b, three bytes,
// most significant first.
func Word(b []byte) (uint16, error) {
	if len(b) < 3 {
		return 0, Fail(ErrBus, "short", Facts{"n": len(b)})
	}
	if got := CRC8(b[:2]); got != b[2] {
		return 0, BadSum(b[2], got)
	}
	return uint16(b[0])<<8 | uint16(b[1]), nil
}

// SaturatedRH takes a relative humidity as a chip computes it, in %, and the
// chip's stated tolerance near saturation. Readings up to that tolerance above
// 100 are returned as 100: chips read so in fog, data sheets say to crop the excess,
// and an error would disable the dew warning when it is needed most. Anything
// higher, and anything below 0, is [ErrRange].
func SaturatedRH(rh, tolerance float64) (Value, error) {
	switch {
	case rh >= 0 && rh <= 100:
		return Some(rh), nil
	case rh > 100 && rh <= 100+tolerance:
		return Some(100), nil
	}
	return Value{}, Fail(ErrRange, "humidity", Facts{"rh": fmt.Sprintf("%.1f", rh)})
}

// Within returns the value if it lies in the rated span, else [ErrRange].
func Within(x, lo, hi float64, unit string) (Value, error) {
	if !(x >= lo && x <= hi) { // written so that NaN fails
		return Value{}, outside(x, lo, hi, unit)
	}
	return Some(x), nil
}
