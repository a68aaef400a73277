// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/cardfault"
	"curewright/internal/testkit"
	"curewright/sensors"
)

// A new probe's readings are taken on a full card as everybody else's are, and
// that it is known is written down once there is room.
func TestNewProbeOnAFullCard(t *testing.T) {
	cardfault.Set(nil)
	t.Cleanup(func() { cardfault.Set(nil) })
	d := newLiveDaemon(t, t.TempDir(), time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC)).d
	cardfault.Refuse(cardfault.ErrFull, cardfault.Write)
	c := 18.0
	res, err := d.PushReadings(t.Context(), web.Who{Name: "board", Role: web.Control, Board: true}, true, []web.PushReading{{Probe: "radio-1", TempC: &c}})
	if err != nil || res.Taken != 1 || len(res.Refused) != 0 {
		t.Errorf("a push on a full card: %+v, %v", res, err)
	}
	testkit.OK(t, d.takeMessage(sensors.Pushed{Probe: "radio-2", Temp: sensors.Some(c)}, true))
	d.keepAppeared(t.Context(), <-d.appeared)
	if len(d.store.ProbeMetas()) > 0 {
		t.Fatal("they were kept on a full card: nothing is tested")
	}
	cardfault.Set(nil)
	d.keepDueProbes(t.Context())
	for _, id := range []string{"radio-1", "radio-2"} {
		if !d.store.ProbeMetas()[id].Accepted {
			t.Errorf("with room again the probe %s is not kept", id)
		}
	}
}

// A pushed probe can be forgotten, unless somebody needs it.
func TestForgetProbe(t *testing.T) {
	live := newLiveDaemon(t, t.TempDir(), time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC))
	c := 17.0
	live.Push([]web.PushReading{{Probe: "stray", TempC: &c}, {Probe: "panel-1", TempC: &c}})
	live.Post("/api/v1/panels", map[string]any{"id": "lid", "probe": "panel-1", "core": "foam"})
	live.Do("DELETE", "/api/v1/probes/stray", nil, http.StatusOK)
	if _, kept := live.d.store.ProbeMetas()["stray"]; kept {
		t.Error("it is still on the card")
	}
	if _, known := live.d.set.Get("stray"); known {
		t.Error("it is still listed")
	}
	live.Do("DELETE", "/api/v1/probes/stray", nil, http.StatusNotFound)
	code, b := live.Raw("DELETE", "/api/v1/probes/panel-1", nil)
	var e struct{ Error web.Faults }
	if err := json.Unmarshal(b, &e); code != http.StatusConflict || err != nil || len(e.Error) == 0 {
		t.Errorf("a panel's probe: %d %s", code, b)
	}
	if err := live.d.ForgetProbe(t.Context(), web.Who{}, "panel-1"); !errors.Is(err, web.ErrConflict) {
		t.Error(err)
	}
}

// A reading older than the store keeps is refused with the reason, and not
// taken to be let go of by the next upkeep.
func TestAncientReadingsAreRefused(t *testing.T) {
	now := time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC)
	live := newLiveDaemon(t, t.TempDir(), now)
	c := 17.0
	for _, year := range []int{1969, 1989, 1999, 2022} {
		at := time.Date(year, 6, 1, 12, 0, 0, 0, time.UTC)
		res, err := live.d.PushReadings(t.Context(), web.Who{Board: true, Role: web.Control}, true, []web.PushReading{{Probe: "logger", Time: &at, TempC: &c}})
		if err != nil || res.Taken != 0 || len(res.Refused) != 1 || !strings.Contains(res.Refused[0].Why, "too long ago") {
			t.Errorf("of %d: %+v, %v", year, res, err)
		}
	}
	at := now.AddDate(-2, 0, 0)
	if res, err := live.d.PushReadings(t.Context(), web.Who{Board: true, Role: web.Control}, true, []web.PushReading{{Probe: "logger", Time: &at, TempC: &c}}); err != nil || res.Taken != 1 {
		t.Errorf("two years old: %+v, %v", res, err)
	}
}
