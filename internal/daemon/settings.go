// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"cmp"
	"context"
	"encoding/json"
	"strings"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/model/coat"
	"curewright/model/job"
	"curewright/model/words"
	"curewright/sensors"
)

// settingsKey is where the store keeps what the person set on the page.
const settingsKey = "page"

// storedSettings is what a person may set; where it is not set the file's values
// count.
type storedSettings struct {
	SleepFrom  string   `json:"sleep_from"`
	SleepTo    string   `json:"sleep_to"`
	LowC       *float64 `json:"low_c"`
	LowFor     string   `json:"low_for"`
	Units      string   `json:"units"`
	Clock      string   `json:"clock"`
	ShopName   string   `json:"shop_name"`
	FuelHeater bool     `json:"fuel_heater"`
}

const maxShopName = 2000 // bytes

func (d *Daemon) settings() storedSettings {
	s := storedSettings{
		SleepFrom: d.cfg.Sleep.From, SleepTo: d.cfg.Sleep.To, LowC: d.cfg.Shop.LowC,
		Units: "si", Clock: "24h", ShopName: d.cfg.Shop.Name, FuelHeater: d.cfg.Shop.FuelHeater,
	}
	d.store.ReadSetting(settingsKey, &s)
	if len(s.ShopName) > maxShopName {
		s.ShopName = strings.ToValidUTF8(s.ShopName[:maxShopName], "") // an earlier version's
	}
	return s
}

// night is the date of the night that a moment belongs to: until noon it is
// still the night that began the evening before.
func night(now time.Time) string {
	return now.Add(-12 * time.Hour).Format(time.DateOnly)
}

// lowNow is the expected low of the coming night, °C, nil where it was not entered for
// this night. A low from the file holds for every night.
func (s storedSettings) lowNow(now time.Time) *float64 {
	if s.LowC == nil || (s.LowFor != "" && s.LowFor < night(now)) {
		return nil
	}
	return s.LowC
}

// view is how the person reads.
func (d *Daemon) view(s storedSettings) words.View {
	return words.View{Words: d.lang.In(s.Units), Loc: d.loc, Clock12: s.Clock == "12h"}
}

func (d *Daemon) jobSettings(now time.Time, s storedSettings, probes []sensors.Health) job.Settings {
	out := job.Settings{
		Words: d.lang, Loc: d.loc, LowC: s.lowNow(now), LowFor: now, FuelHeater: s.FuelHeater,
		Outdoor: d.cfg.Shop.Outdoor, Air: d.cfg.Shop.Air,
	}
	if s.LowFor != "" {
		if t, err := time.ParseInLocation(time.DateOnly, s.LowFor, d.loc); err == nil {
			out.LowFor = t
		}
	}
	for _, h := range d.heldCure() {
		out.Held = append(out.Held, coat.Span{From: h.From, To: h.To})
	}
	from, err1 := job.ParseClock(s.SleepFrom)
	to, err2 := job.ParseClock(s.SleepTo)
	if err1 == nil && err2 == nil {
		out.SleepFrom, out.SleepTo = from, to
	}
	if out.Outdoor == "" {
		for _, h := range probes {
			if h.Accepted && h.Role == sensors.RoleOutdoor {
				out.Outdoor = h.Probe
				break
			}
		}
	}
	if d.tent != nil {
		out.SetPointC = d.tent.setPoint(now)
	}
	out.Air = cmp.Or(out.Air, firstAir(probes))
	d.mem.Into(&out)
	return out
}

func sleepHours(s storedSettings) alerts.Hours {
	h, _ := alerts.ParseHours(s.SleepFrom + "-" + s.SleepTo) // without valid hours there is no sleeping time
	return h
}

func (d *Daemon) settingsView(now time.Time, s storedSettings, w *coat.Work, probes []sensors.Health) web.SettingsView {
	outdoor := d.cfg.Shop.Outdoor != ""
	working := false
	for _, h := range probes {
		outdoor = outdoor || (h.Accepted && h.Role == sensors.RoleOutdoor)
		working = working || h.State == "ok"
	}
	v := web.SettingsView{
		SleepFrom: s.SleepFrom, SleepTo: s.SleepTo, LowC: s.lowNow(now), LowFor: s.LowFor,
		Units: s.Units, Clock: s.Clock, ShopName: s.ShopName, FuelHeater: s.FuelHeater,
		ClockTrusted: d.clockTrusted.Load(), WakeTested: d.post.WakeTested(),
		NoProbe: len(probes) == 0 || !working && d.noProbes != "", Speed: d.clk.Speed(),
		LastBackup: d.backup.last(), StoreTrouble: d.store.Trouble(), Waits: d.waits(),
	}
	// Asked once a day, with the first coat after noon: earlier is too early to tell,
	// and without a coat it is not needed.
	v.AskLow = !outdoor && v.LowC == nil && now.Hour() >= 12 && anyOpen(w, now)
	return v
}

// Settings is what GET /settings answers.
func (d *Daemon) Settings(ctx context.Context) (web.SettingsView, error) {
	s := d.settings()
	w, err := d.work(ctx)
	if err != nil {
		return web.SettingsView{}, err
	}
	return d.settingsView(d.Now(), s, w, d.set.Health()), nil
}

// PutSettings changes the fields that the patch names; [web.CheckSettings] has
// passed what comes of it.
func (d *Daemon) PutSettings(ctx context.Context, who web.Who, patch json.RawMessage) error {
	// One change at a time, from reading the settings to writing them, so that two
	// phones that change two fields at once do not undo each other's.
	d.settingsMu.Lock()
	defer d.settingsMu.Unlock()
	if err := d.mayEnter(); err != nil {
		return err
	}
	s := d.settings()
	var named map[string]json.RawMessage
	if err := json.Unmarshal(patch, &named); err != nil {
		return web.Faults{{What: "not a JSON object"}}
	}
	now := d.Now()
	if err := strict(patch, &s); err != nil {
		return err
	}
	if _, ok := named["low_c"]; ok {
		if _, dated := named["low_for"]; !dated {
			s.LowFor = night(now)
		}
	}
	if err := d.store.WriteSetting(ctx, settingsKey, s); err != nil {
		return webError(err)
	}
	d.RequestEvaluation()
	return nil
}
