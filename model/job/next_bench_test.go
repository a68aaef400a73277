// SPDX-License-Identifier: Apache-2.0

package job

import "testing"

// BenchmarkNext is the next step of one job with its card: what each look of
// the daemon adds for a panel that has a job.
func BenchmarkNext(b *testing.B) {
	d := newDesk(b)
	d.mixed("tack", "09:30")
	d.done("tack", "09:35")
	d.done("aramid", "10:40")
	dk := &Desk{Now: d.now, Work: d.w, Ticks: d.ticks}
	b.ReportAllocs()
	for b.Loop() {
		if n := dk.Next(&d.jobs[0]); len(n) != 1 || n[0].Grams == nil {
			b.Fatalf("%+v", n)
		}
	}
}
