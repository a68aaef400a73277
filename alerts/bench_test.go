// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"fmt"
	"testing"
	"time"

	"curewright/model/coat"
	"curewright/sensors"
)

// One look at a full shop: four coats, sixteen probes, some troubles going on.
func BenchmarkStep(b *testing.B) {
	var es []coat.Estimate
	for i := range 4 {
		c := cold(8 + float64(i))
		c.ID, c.Panel = fmt.Sprint("c", i), fmt.Sprint("p", i)
		c.NextWindow = window(coat.WindowCoat, time.Hour, 9*time.Hour)
		es = append(es, c)
	}
	in := shop(t0, es...)
	for i := range 16 {
		in.Probes = append(in.Probes, sensors.Health{Probe: fmt.Sprint("probe-", i), Accepted: true, State: "ok", LastAt: t0})
	}
	e := New(Tuning{}, newMem(), nil)
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		in.Now = t0.Add(time.Duration(i) * 30 * time.Second)
		e.Step(in)
	}
}
