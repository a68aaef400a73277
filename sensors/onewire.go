// SPDX-License-Identifier: Apache-2.0

package sensors

import "fmt"

// Rated span of the DS18B20, °C (data sheet 19-7487 Rev 6, "DC Electrical
// Characteristics": −55 to +125).
const (
	ds18b20Min = -55
	ds18b20Max = 125
)

// CRC8Maxim is the checksum of the 1-wire family: polynomial x⁸+x⁵+x⁴+1,
// reflected (0x8C), start 0 (Maxim application note 27).
func CRC8Maxim(b []byte) byte {
	var crc byte
	for _, x := range b {
		crc ^= x
		for range 8 {
			if crc&1 != 0 {
				crc = crc>>1 ^ 0x8c
			} else {
				crc >>= 1
			}
		}
	}
	return crc
}

// DS18B20 takes the nine bytes of a DS18B20's scratchpad and returns its
// temperature in °C, or an error:
//
//   - [ErrAbsent]: all bytes FF, the line pulled up with nobody on it;
//   - [ErrBus]: all bytes 00, the line shorted. Their checksum is right, so
//     that nothing else would notice 0 °C;
//   - [ErrChecksum];
//   - [ErrPowerOn]: 85 °C with 0C in the reserved byte 6. A conversion that
//     truly gave 85 °C has 10 there; Linux's w1_therm tells the two apart the
//     same way;
//   - [ErrWrongDevice]: the configuration register's fixed bits are not as in
//     the data sheet;
//   - [ErrRange].
func DS18B20(pad []byte) (celsius float64, err error) {
	if len(pad) != 9 {
		return 0, Fail(ErrBus, "short", Facts{"n": len(pad)})
	}
	ones, zeros := true, true
	for _, b := range pad {
		ones = ones && b == 0xff
		zeros = zeros && b == 0
	}
	switch {
	case ones:
		return 0, Fail(ErrAbsent, "nobody", nil)
	case zeros:
		return 0, Fail(ErrBus, "shorted", nil)
	}
	if got := CRC8Maxim(pad[:8]); got != pad[8] {
		return 0, BadSum(pad[8], got)
	}
	if pad[4]&0x9f != 0x1f { // data sheet, figure "Configuration Register": 0 R1 R0 1 1 1 1 1
		return 0, Fail(ErrWrongDevice, "identity", Facts{"says": fmt.Sprintf("%02x", pad[4])})
	}
	raw := int16(uint16(pad[1])<<8 | uint16(pad[0]))
	if raw == 0x0550 && pad[6] == 0x0c {
		return 0, ErrPowerOn
	}
	// At 9 to 11 bits the lowest bits are undefined (data sheet, "Operation—
	// Measuring Temperature").
	raw &^= 1<<(3-pad[4]>>5&3) - 1
	celsius = float64(raw) / 16
	if celsius < ds18b20Min || celsius > ds18b20Max {
		return 0, outside(celsius, ds18b20Min, ds18b20Max, "°C")
	}
	return celsius, nil
}
