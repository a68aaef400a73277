// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"testing"
	"time"
)

// A panel's probe that goes quiet is told in whole words, with the panel that is
// judged without it.
func TestQuietProbe(t *testing.T) {
	b := browser(t)
	s := day(t)
	s.Clock.Put(s.Now().Add(30 * time.Minute)) // and no reading came meanwhile
	s.Look(t.Context())
	ctx, bad := tab(t, b, 360, 740, false)
	open(t, ctx, s.url)
	says(t, ctx, "Lid A, outer is judged without it, with wider doubt. See Probes")
	clean(t, bad)
}
