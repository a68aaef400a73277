// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"curewright/dashboards/web"
)

// Two phones that change two fields at once keep both, every time.
func TestSettingsAtOnce(t *testing.T) {
	live := newLiveDaemon(t, t.TempDir(), time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC))
	who := web.Who{Name: "phone", Role: web.Record}
	for i := range 30 {
		var wg sync.WaitGroup
		for _, patch := range []string{fmt.Sprintf(`{"low_c":%d}`, i%20), fmt.Sprintf(`{"shop_name":"shed %d"}`, i), fmt.Sprintf(`{"fuel_heater":%v}`, i%2 == 0)} {
			wg.Go(func() {
				if err := live.d.PutSettings(t.Context(), who, []byte(patch)); err != nil {
					t.Error(err)
				}
			})
		}
		wg.Wait()
		s := live.d.settings()
		if s.LowC == nil || *s.LowC != float64(i%20) || s.ShopName != fmt.Sprintf("shed %d", i) || s.FuelHeater != (i%2 == 0) {
			t.Fatalf("round %d: %+v", i, s)
		}
	}
}
