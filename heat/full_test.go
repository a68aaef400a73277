// SPDX-License-Identifier: Apache-2.0

package heat

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"curewright/internal/file"
)

// On a full card latch and on-time are still kept, in the room that they have:
// a full card alone must not leave a panel cold overnight.
func TestFullCard(t *testing.T) {
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=256k"); err != nil {
		t.Skip("no small file system can be mounted here (that needs root):", err)
	}
	t.Cleanup(func() { syscall.Unmount(dir, syscall.MNT_DETACH) })
	now := time.Now()
	if err := Prepare(dir, section().Limits(nil), now); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "ballast"), make([]byte, 1<<20), 0o600); err == nil {
		t.Fatal("the card is not full")
	}
	if err := file.Replace(filepath.Join(dir, LatchFile), []byte("x")); err == nil {
		t.Fatal("there is room for a new file")
	}
	for _, latched := range []bool{true, false} {
		b, err := seal(latchRecord{Latched: latched, Why: OverTemperature, Say: "45.2 °C is over 45 °C", At: now})
		if err != nil {
			t.Fatal(err)
		}
		if err := writeFile(filepath.Join(dir, LatchFile), b); err != nil {
			t.Fatal(err)
		}
		if k := readKept(nil, dir, now, true); (k.latch != nil) != latched || latched && k.latch.Why != OverTemperature {
			t.Errorf("latched %v reads as %+v", latched, k.latch)
		}
	}
}
