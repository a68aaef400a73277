// SPDX-License-Identifier: Apache-2.0

package web

import (
	"cmp"
	"context"
	"math"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"time"

	"curewright/alerts"
	"curewright/model/coat"
)

// maxSeries bounds each family's subjects (probes, coats, cups, panels): a
// scraper's memory is not ours to fill. What is left out is counted.
const maxSeries = 256

// maxReasons bounds an intake's reasons, which are the daemon's own words.
const maxReasons = 32

// The bounded words of labels. "band" is the p10, p50 or p90 of an estimate;
// it is not called quantile, which the exposition format keeps for summaries.
var (
	states     = append([]coat.State{coat.Unknown}, coat.States...)
	unknowns   = []string{coat.ColdGlass, coat.BelowMinimum, coat.OutsideRange, coat.NoReading, coat.Gap, coat.OffRatio}
	severities = []alerts.Severity{alerts.Danger, alerts.Act, alerts.Soon, alerts.Note}
	windowStat = []string{"before", "open", "closed", "cold", "unknown"}
	blushBands = []string{"low", "elevated", "high", "unknown"}
	probeTrbl  = []string{"ok", "waiting", "stale", "missing", "stuck", "implausible"}
	reasons    = map[string]bool{"absent": true, "wrong_device": true, "checksum": true, "power_on": true, "range": true,
		"jump": true, "stuck": true, "timeout": true, "stale": true, "bus": true, "doubted": true, "empty": true,
		"not_accepted": true, "too_many": true, "future": true, "too_old": true, "repeat": true, "name": true, "wired": true, "flood": true, "undated": true, "other": true}
)

// family is one metric with all its series.
type family struct {
	kind   kind
	name   string
	help   string
	labels []string
	order  []int // of the labels, by their names
}

// makeFamily describes a metric. Its labels are written in the order of their
// names, so that a series reads the same everywhere.
func makeFamily(kind kind, name, help string, labels ...string) *family {
	f := &family{kind: kind, name: name, help: help, labels: labels}
	for i := range labels {
		f.order = append(f.order, i)
	}
	slices.SortFunc(f.order, func(i, j int) int { return strings.Compare(labels[i], labels[j]) })
	return f
}

// families is every family in the order of its declaration, for docs/metrics.md.
var families []*family

func newFamily(kind kind, name, help string, labels []string) *family {
	f := makeFamily(kind, "curewright_"+name, help, labels...)
	families = append(families, f)
	return f
}

func gauge(name, help string, labels ...string) *family {
	return newFamily(gaugeKind, name, help, labels)
}

func counter(name, help string, labels ...string) *family {
	return newFamily(counterKind, name, help, labels)
}

// durations is a histogram of seconds.
func durations(name, help string) *family { return newFamily(histogramKind, name, help, nil) }

// durationBuckets reach from a page's file to a plan on a small board, s.
var durationBuckets = []float64{.002, .01, .05, .2, .5, 1, 2, 5, 10, 20, 60}

// measure is a metric that one number of an X gives; NaN is none.
type measure[X any] struct {
	*family
	of func(X) float64
}

func putAll[X any](out *exposition, x X, rows []measure[X], labels ...string) {
	for _, m := range rows {
		out.put(m.family, m.of(x), labels...)
	}
}

// orNaN is a number that may be missing.
func orNaN(x *float64) float64 {
	if x == nil {
		return math.NaN()
	}
	return *x
}

// unixSeconds is a time that may be missing, in seconds.
func unixSeconds(t *time.Time) float64 {
	if t == nil || t.IsZero() {
		return math.NaN()
	}
	return float64(t.UnixMilli()) / 1000
}

// TimingBackend is what the daemon measures of its own work.
type TimingBackend interface {
	// EstimateDurations is how long each evaluation of the whole shop took.
	EstimateDurations() *Durations
}

var (
	mBuild      = gauge("build_info", "Always 1; the labels say which build runs.", "version", "revision", "goversion")
	mSnapshotUp = gauge("snapshot_ok", "1 if this scrape could read the state of the shop.")
	mEstAge     = gauge("estimate_age_seconds", "Time since the coats were last estimated.")
	mEstTook    = durations("estimate_duration_seconds", "Time taken by one evaluation of the whole shop: estimates, alerts and the page's data.")
	mShop       = gauge("shop_info", "Always 1; the label is the shop's own name.", "name")
	mClock      = gauge("clock_trusted", "1 if the board's date and time are trusted.")
	mLate       = gauge("parts_late", "Parts of the daemon that have made no progress within their own time limit.")
	mLeftOut    = gauge("series_left_out", "Subjects left out of this scrape because there are more than 256 of their kind.")
	mLow        = gauge("shop_forecast_low_celsius", "Coldest air expected in the next 18 hours.", "band")
)

// collect reads one snapshot. It keeps nothing, so a coat that ended or a value
// that went missing leaves no series behind.
func (s *Server) collect(out *exposition) {
	out.put(mBuild, 1, s.cfg.Version, s.cfg.Revision, runtime.Version())
	s.ownMetrics(out)
	ctx, cancel := context.WithTimeout(context.Background(), writeTimeout/3)
	defer cancel()
	putAll(out, s.b.StoreStats(), storeMetrics)
	intakeMetrics(out, s.b.IntakeStats())
	for _, c := range once(s.b.AlertChannels(ctx), func(c ChannelStats) string { return c.Name }) {
		putAll(out, c, channelMetrics, c.Name)
	}
	for _, f := range once(s.b.Forwards(ctx), func(f ForwardStats) string { return f.To }) {
		putAll(out, f, forwardMetrics, f.To)
	}
	if b := s.b.HeatedTent(); b != nil {
		if t, err := b.Tent(ctx); err == nil {
			putAll(out, t, tentMetrics)
		}
	}
	out.put(mLate, float64(len(s.b.Ready(ctx))))
	snap, err := s.b.Snapshot(ctx)
	if err != nil {
		s.complain("scrape", err.Error())
		out.put(mSnapshotUp, 0)
		return
	}
	out.put(mSnapshotUp, 1)
	out.put(mClock, one(snap.Settings.ClockTrusted))
	if name := snap.Settings.ShopName; name != "" {
		out.put(mShop, 1, name)
	}
	if !snap.Result.At.IsZero() {
		out.put(mEstAge, math.Max(0, snap.At.Sub(snap.Result.At).Seconds()))
	}
	if sh := snap.Result.Shop; sh != nil && sh.LowC != nil {
		bands(out, mLow, sh.LowC)
	}
	left := probeMetrics(out, snap) + panelMetrics(out, snap) + coatMetrics(out, snap) + alertMetrics(out, snap) + cupMetrics(out, snap)
	out.put(mLeftOut, float64(left))
}

var (
	mProbeInfo   = gauge("probe_info", "Always 1; the labels say what the probe is.", "probe", "name", "driver", "bus", "role", "panel")
	mProbeState  = gauge("probe_state", "1 for the probe's present state.", "probe", "state")
	mProbeTemp   = gauge("probe_temperature_celsius", "Temperature; absent without a fresh reading.", "probe", "role", "panel")
	mProbeRH     = gauge("probe_relative_humidity_ratio", "Relative humidity over liquid water, 0 to 1; absent without a fresh reading.", "probe", "role", "panel")
	mProbeCO2    = gauge("probe_co2_ratio", "Carbon dioxide by volume, 1e-6 for 1 ppm; absent without a fresh reading.", "probe", "role", "panel")
	mProbeAge    = gauge("probe_age_seconds", "Time since the last plausible reading; absent before the first.", "probe")
	mProbeErrors = counter("probe_errors_total", "Reads that gave no plausible value, by reason.", "probe", "reason")
	mProbeTaken  = counter("probe_readings_total", "Plausible readings since start.", "probe")
	mProbeWait   = gauge("probes_not_accepted", "Pushed probes that nobody has named yet; they have no other series.")
)

func probeMetrics(out *exposition, snap Snapshot) (left int) {
	waiting, n := 0, 0
	seen := map[string]bool{}
	for _, h := range snap.Probes {
		// A stranger can push under any name; only what a person has accepted
		// becomes a series.
		if !h.Accepted {
			waiting++
			continue
		}
		id := clean(h.Probe)
		if seen[id] {
			continue
		}
		seen[id] = true
		if n++; n > maxSeries {
			left++
			continue
		}
		out.put(mProbeInfo, 1, h.Probe, h.Name, h.Driver, h.Bus, h.Role, h.Panel)
		for _, st := range probeTrbl {
			out.put(mProbeState, one(h.State == st), h.Probe, st)
		}
		if r, ok := h.Now(snap.At); ok {
			scaled := func(f *family, v interface{ Get() (float64, bool) }, k float64) {
				if x, ok := v.Get(); ok {
					out.put(f, x*k, h.Probe, h.Role, h.Panel)
				}
			}
			scaled(mProbeTemp, r.Temp, 1)
			scaled(mProbeRH, r.RH, 0.01)
			scaled(mProbeCO2, r.CO2, 1e-6)
		}
		if !h.LastAt.IsZero() {
			out.put(mProbeAge, math.Max(0, snap.At.Sub(h.LastAt).Seconds()), h.Probe)
		}
		out.put(mProbeTaken, float64(h.Taken), h.Probe)
		for _, e := range byReason(h.Errors) {
			out.put(mProbeErrors, e.count, h.Probe, e.reason)
		}
	}
	out.put(mProbeWait, float64(waiting))
	return left
}

var panelRows = []measure[alerts.Surface]{
	{gauge("panel_temperature_celsius", "Panel temperature by which dew is judged.", "panel"), func(p alerts.Surface) float64 { return orNaN(p.TempC) }},
	{gauge("panel_dew_point_celsius", "Dew point of the air at the panel.", "panel"), func(p alerts.Surface) float64 { return orNaN(p.DewC) }},
	{gauge("panel_dew_margin_kelvin", "Panel temperature minus dew point; 0 or less when dew forms.", "panel"), func(p alerts.Surface) float64 { return orNaN(p.MarginK) }},
	{gauge("panel_relative_humidity_ratio", "Relative humidity of the air at the panel's surface temperature; above 1 when dew forms.", "panel"), func(p alerts.Surface) float64 { return orNaN(p.PanelRHPct) / 100 }},
}

func panelMetrics(out *exposition, snap Snapshot) (left int) {
	some, left := few(snap.Surfaces, func(p alerts.Surface) string { return p.Panel })
	for _, p := range some {
		putAll(out, p, panelRows, p.Panel)
	}
	return left
}

var (
	mCoats      = gauge("coats_open", "Coats that are still followed.")
	mCoatInfo   = gauge("coat_info", "Always 1; the labels say what the coat is.", "coat", "panel", "kind", "resin")
	mCoatAge    = gauge("coat_age_seconds", "Time since the coat was applied.", "coat", "panel")
	mCoatCure   = gauge("coat_cure_ratio", "Estimated degree of cure, 0 to 1.", "coat", "panel", "band")
	mCoatTg     = gauge("coat_tg_celsius", "Estimated glass transition temperature.", "coat", "panel", "band")
	mCoatRate   = gauge("coat_rate_factor_ratio", "Estimated rate of cure relative to the data sheet; 1 is as on the sheet.", "coat", "panel", "band")
	mCoatState  = gauge("coat_state", "1 for the coat's estimated state.", "coat", "panel", "state")
	mCoatProb   = gauge("coat_state_probability_ratio", "Estimated probability of each state; absent when the state is unknown.", "coat", "panel", "state")
	mCoatWhy    = gauge("coat_unknown", "1 for each reason why the coat's state is not known.", "coat", "panel", "reason")
	mCoatWinSt  = gauge("coat_window_status", "1 for the present status of the next window.", "coat", "panel", "window", "status")
	mCoatOpens  = gauge("coat_window_opens_seconds", "Time until the next window opens, negative once it is open; absent if that is beyond the forecast.", "coat", "panel", "window", "band")
	mCoatCloses = gauge("coat_window_closes_seconds", "Time until the next window closes, negative once it is closed; absent if that is beyond the forecast.", "coat", "panel", "window", "band")
	mCoatBlushB = gauge("coat_blush_band", "1 for the present band of the blush index.", "coat", "panel", "blush")
)

var coatRows = []measure[coat.Estimate]{
	{gauge("coat_temperature_celsius", "The coat's mean temperature over the last ten minutes.", "coat", "panel"), func(e coat.Estimate) float64 { return orNaN(e.TempC) }},
	{gauge("coat_blush_index", "Amine blush index: ordinal, not validated; absent without humidity.", "coat", "panel"), func(e coat.Estimate) float64 { return orNaN(e.Blush.Index) }},
	{gauge("coat_condensed", "1 if dew lay on the coat while it could still blush.", "coat", "panel"), func(e coat.Estimate) float64 { return one(e.Blush.Condensed) }},
	{gauge("coat_stall", "1 if the cure will not reach its target at the present temperature.", "coat", "panel"), func(e coat.Estimate) float64 { return one(e.Stall) }},
	{gauge("coat_outgassing", "1 if the panel is warming under a wet coat: its air then makes bubbles.", "coat", "panel"), func(e coat.Estimate) float64 { return one(e.Outgassing) }},
	{gauge("coat_degraded_seconds", "Time since application without a trusted panel reading.", "coat", "panel"), func(e coat.Estimate) float64 { return e.DegradedMinutes * 60 }},
}

func coatMetrics(out *exposition, snap Snapshot) (left int) {
	coats, left := few(snap.Result.Coats, func(e coat.Estimate) string { return e.ID })
	out.put(mCoats, float64(len(coats)+left))
	for _, e := range coats {
		id, panel := e.ID, e.Panel
		out.put(mCoatInfo, 1, id, panel, e.Kind, e.Resin)
		out.put(mCoatAge, snap.At.Sub(e.AppliedAt).Seconds(), id, panel)
		putAll(out, e, coatRows, id, panel)
		bands(out, mCoatCure, e.Alpha, id, panel)
		bands(out, mCoatTg, e.TgC, id, panel)
		bands(out, mCoatRate, e.Kappa, id, panel)
		for _, st := range states {
			out.put(mCoatState, one(e.State == st), id, panel, string(st))
		}
		if p := e.StateProbability; p != nil {
			for i, x := range p.List() {
				out.put(mCoatProb, x, id, panel, string(coat.States[i]))
			}
		}
		for _, why := range unknowns {
			out.put(mCoatWhy, one(slices.Contains(e.UnknownWhy, why)), id, panel, why)
		}
		if w := e.NextWindow; w != nil {
			word := cmp.Or(w.Kind, "other")
			for _, st := range windowStat {
				out.put(mCoatWinSt, one(w.Status == st), id, panel, word, st)
			}
			until := func(f *family, b coat.TimeBand) {
				for i, t := range []*time.Time{b.P10, b.P50, b.P90} {
					if t != nil {
						out.put(f, t.Sub(snap.At).Seconds(), id, panel, word, bandWords[i])
					}
				}
			}
			until(mCoatOpens, w.OpensBand)
			until(mCoatCloses, w.ClosesBand)
		}
		for _, b := range blushBands {
			out.put(mCoatBlushB, one(e.Blush.Band == b), id, panel, b)
		}
	}
	return left
}

var (
	mAlerts = gauge("alerts_firing", "Alerts that are firing or acknowledged, by rule and severity.", "rule", "severity", "state")
	mAlert  = gauge("alert_active", "1 for each alert that is firing or acknowledged, with its subject.", "rule", "severity", "state", "subject", "panel")
	mAlertN = gauge("alerts_unacknowledged", "Alerts that are firing and not acknowledged.", "severity")
)

func alertMetrics(out *exposition, snap Snapshot) (left int) {
	type key struct{ rule, severity, state string }
	count := map[key]int{}
	loud := map[alerts.Severity]int{}
	type about struct{ rule, severity, state, subject, panel string }
	each := map[about]bool{}
	for _, a := range snap.Alerts {
		if a.State != "firing" && a.State != "acknowledged" {
			continue
		}
		sev := "other"
		if slices.Contains(severities, a.Severity) {
			sev = string(a.Severity)
		}
		e := about{clean(a.Rule), sev, a.State, clean(a.Subject), clean(a.Panel)}
		if !each[e] {
			if len(each) >= maxSeries {
				left++
			} else {
				each[e] = true
				out.put(mAlert, 1, e.rule, e.severity, e.state, e.subject, e.panel)
			}
		}
		k := key{clean(a.Rule), sev, a.State}
		if _, ok := count[k]; !ok && len(count) >= maxSeries {
			left++
			continue
		}
		count[k]++
		if a.State == "firing" {
			loud[a.Severity]++
		}
	}
	for k, n := range count {
		out.put(mAlerts, float64(n), k.rule, k.severity, k.state)
	}
	for _, x := range severities {
		out.put(mAlertN, float64(loud[x]), string(x))
	}
	return left
}

var (
	mCupEnds = gauge("cup_remaining_seconds", "Time until the cautious end of a mixed cup's working time, negative after it.", "batch")
	mCupHot  = gauge("cup_danger_seconds", "Time until a mixed cup that can overheat must be attended to, negative after that; absent for a cup that cannot, that is on the panel, or that was entered too late.", "batch")
)

func cupMetrics(out *exposition, snap Snapshot) (left int) {
	cups, left := few(snap.Cups, func(c alerts.Cup) string { return c.Batch })
	for _, cup := range cups {
		if !cup.EndsAt.IsZero() {
			out.put(mCupEnds, cup.EndsAt.Sub(snap.At).Seconds(), cup.Batch)
		}
		if cup.DangerFrom != nil && !cup.OnPanel && !cup.Late {
			out.put(mCupHot, cup.DangerFrom.Sub(snap.At).Seconds(), cup.Batch)
		}
	}
	return left
}

var storeMetrics = []measure[StoreStats]{
	{gauge("store_size_bytes", "Size of the store on disk."), func(st StoreStats) float64 { return orNaN(st.Bytes) }},
	{gauge("store_free_bytes", "Space left on the store's file system."), func(st StoreStats) float64 { return orNaN(st.FreeBytes) }},
	{gauge("store_readings", "Readings kept in the store."), func(st StoreStats) float64 { return orNaN(st.Readings) }},
	{gauge("store_pending_readings", "Readings accepted and not yet on disk."), func(st StoreStats) float64 { return orNaN(st.Pending) }},
	{gauge("store_last_write_timestamp_seconds", "When the store last wrote to disk."), func(st StoreStats) float64 { return unixSeconds(st.LastWrite) }},
	{gauge("store_oldest_reading_timestamp_seconds", "Time of the oldest reading kept."), func(st StoreStats) float64 { return unixSeconds(st.Oldest) }},
	{gauge("store_last_backup_timestamp_seconds", "When the store was last copied."), func(st StoreStats) float64 { return unixSeconds(st.LastBackup) }},
	{counter("store_readings_written_total", "Readings written since start."), func(st StoreStats) float64 { return float64(st.Written) }},
	{counter("store_write_errors_total", "Writes that failed since start."), func(st StoreStats) float64 { return float64(st.WriteErrors) }},
	{counter("store_set_aside_total", "Damaged entries set aside since the store was made."), func(st StoreStats) float64 { return float64(st.SetAside) }},
	{counter("store_readings_dropped_total", "Old readings deleted to keep within the limits of age and size."), func(st StoreStats) float64 { return float64(st.DroppedOld) }},
	{gauge("store_last_stop_clean", "1 if the run before this one stopped cleanly."), func(st StoreStats) float64 {
		if st.CleanStop == nil {
			return math.NaN()
		}
		return one(*st.CleanStop)
	}},
	{gauge("store_trouble", "1 while the store cannot write."), func(st StoreStats) float64 { return one(st.TroubleNow) }},
}

var (
	mIntakeOK  = counter("intake_readings_total", "Readings accepted, by the way they came in.", "intake")
	mIntakeBad = counter("intake_refused_total", "Readings refused, by the way they came in and by reason.", "intake", "reason")
)

func intakeMetrics(out *exposition, ways []IntakeStats) {
	for _, in := range once(ways, func(in IntakeStats) string { return in.Intake }) {
		out.put(mIntakeOK, float64(in.Taken), in.Intake)
		for i, k := range sortedKeys(in.Refused) {
			if i < maxReasons {
				out.put(mIntakeBad, float64(in.Refused[k]), in.Intake, k)
			}
		}
	}
}

var tentMetrics = []measure[TentView]{
	{gauge("tent_panel_temperature_celsius", "Panel temperature by which the tent is controlled."), func(t TentView) float64 { return orNaN(t.PanelC) }},
	{gauge("tent_air_temperature_celsius", "Air temperature in the tent."), func(t TentView) float64 { return orNaN(t.AirC) }},
	{gauge("tent_set_point_celsius", "Set point; absent when the tent is not held."), func(t TentView) float64 { return orNaN(t.SetPointC) }},
	{gauge("tent_heater_on", "1 if the heater is on; absent if that is not known."), func(t TentView) float64 {
		if t.Heater != "on" && t.Heater != "off" {
			return math.NaN()
		}
		return one(t.Heater == "on")
	}},
	{gauge("tent_latched", "1 if a safety fault keeps the heater off until a person releases it."), func(t TentView) float64 { return one(t.Latched) }},
	{counter("tent_switchings_total", "Times the heater was switched since start."), func(t TentView) float64 { return float64(t.Switch) }},
	{gauge("tent_heater_on_today_seconds", "Time the heater was on in the last 24 h."), func(t TentView) float64 { return orNaN(t.OnToday) * 3600 }},
}

var (
	mTook    = durations("http_request_duration_seconds", "Time taken by one answer, without event streams and whole backups.")
	mAnswers = counter("http_responses_total", "Answers by class of status code.", "code")
	mRefused = counter("http_refused_total", "Requests refused by the gate, and connections refused because there were too many, by reason.", "reason")
	mCertEnd = gauge("tls_certificate_not_after_timestamp_seconds", "When the page's own certificate expires; absent without one.")
	mCertOld = counter("tls_expired_connections_total", "Connections answered with an expired certificate, which phones refuse.")
)

var pageMetrics = []measure[*Server]{
	{gauge("event_streams", "Pages listening to live events."), func(s *Server) float64 { return float64(s.streams.Load()) }},
	{counter("event_streams_dropped_total", "Pages dropped because they could not keep up."), func(s *Server) float64 { return float64(s.streamsLost.Load()) }},
	{counter("push_readings_total", "Readings accepted by push over HTTP."), func(s *Server) float64 { return float64(s.pushTaken.Load()) }},
	{counter("push_refused_total", "Readings refused by push over HTTP."), func(s *Server) float64 { return float64(s.pushRefused.Load()) }},
}

// ownMetrics are what the server counts of its own answers.
func (s *Server) ownMetrics(out *exposition) {
	for i := range s.answers {
		if n := s.answers[i].Load(); n > 0 {
			out.put(mAnswers, float64(n), strconv.Itoa(i)+"xx")
		}
	}
	for i, word := range refusalWords {
		out.put(mRefused, float64(s.refusals[i].Load()), word)
	}
	if s.cert != nil {
		if end := s.cert.until(); !end.IsZero() {
			out.put(mCertEnd, float64(end.Unix()))
		}
		out.put(mCertOld, float64(s.cert.expired.Load()))
	}
	putAll(out, s, pageMetrics)
}

var bandWords = [3]string{"p10", "p50", "p90"}

func bands(out *exposition, f *family, b *coat.Band, labels ...string) {
	if b == nil {
		return
	}
	all := append(make([]string, 0, 4), labels...)
	for i, x := range []float64{b.P10, b.P50, b.P90} {
		out.put(f, x, append(all, bandWords[i])...)
	}
}

type reasonCount struct {
	reason string
	count  float64
}

// byReason maps words we do not know to "other", so that the label stays
// bounded whatever a driver says.
func byReason(m map[string]uint64) []reasonCount {
	known := map[string]uint64{}
	for k, n := range m {
		if !reasons[k] {
			k = "other"
		}
		known[k] += n
	}
	var out []reasonCount
	for _, k := range sortedKeys(known) {
		out = append(out, reasonCount{k, float64(known[k])})
	}
	return out
}

// once drops later entries of the same id: two series of the same name would
// spoil the whole family.
func once[T any](in []T, id func(T) string) []T {
	seen := map[string]bool{}
	var out []T
	for _, x := range in {
		k := clean(id(x))
		if !seen[k] {
			seen[k] = true
			out = append(out, x)
		}
	}
	return out
}

// few is once, of no more subjects than a scrape has room for; left are the others.
func few[T any](in []T, id func(T) string) (some []T, left int) {
	all := once(in, id)
	n := min(len(all), maxSeries)
	return all[:n], len(all) - n
}

// clean makes a label value that the exposition format takes: valid UTF-8 and
// not endless.
func clean(s string) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	if r := []rune(s); len(r) > maxLabel {
		s = string(r[:maxLabel])
	}
	return s
}

// maxLabel is how many characters of a label's value are shown.
const maxLabel = 128

func one(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
