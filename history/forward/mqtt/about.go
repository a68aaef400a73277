// SPDX-License-Identifier: Apache-2.0

package mqtt

import "encoding/json"

// Field is one field of a message.
type Field struct {
	Name string `json:"name"`
	Unit string `json:"unit,omitempty"`
	// Null says that null stands for a value that is missing.
	Null  bool   `json:"null,omitempty"`
	About string `json:"about,omitempty"`
}

// Topic describes one kind of message.
type Topic struct {
	Topic    string   `json:"topic"` // "+" stands for a name; see [Level]
	About    string   `json:"about"`
	Retained bool     `json:"retained"`
	List     bool     `json:"list,omitempty"`   // a JSON list of objects with these fields
	Values   []string `json:"values,omitempty"` // plain text: one of these
	Fields   []Field  `json:"fields,omitempty"`
}

// Topics is everything that is published, below the base.
var Topics = []Topic{
	{Topic: "status", Retained: true, About: "Whether the board is there; the broker itself says offline when it is lost.", Values: []string{"online", "offline"}},
	{Topic: "about", Retained: true, About: "This description."},
	{Topic: "probe/+/reading", Retained: true, About: "Every reading, in order of intake. One that is too old to pass for the present is not retained.", Fields: []Field{
		{Name: "probe"}, {Name: "time", About: "RFC 3339"},
		{Name: "temp_c", Unit: "°C", Null: true}, {Name: "rh_pct", Unit: "%", Null: true, About: "relative humidity over liquid water"},
		{Name: "co2_ppm", Unit: "ppm", Null: true}}},
	{Topic: "probes", Retained: true, List: true, About: "Every probe and how it is.", Fields: []Field{
		{Name: "id"}, {Name: "name"}, {Name: "role", About: "air, panel, pot, outdoor, tent or empty"}, {Name: "panel"},
		{Name: "state", About: "ok, waiting, stale, missing, stuck or implausible"}, {Name: "last_at", Null: true, About: "time of the last believed reading"}}},
	{Topic: "coat/+", Retained: true, About: "The estimate of one open coat; taken away when the coat ends.", Fields: []Field{
		{Name: "id"}, {Name: "panel"}, {Name: "resin"}, {Name: "kind"}, {Name: "applied_at"},
		{Name: "temp_c", Unit: "°C", Null: true}, {Name: "alpha", Null: true, About: "degree of cure, 0 to 1: p10, p50, p90"},
		{Name: "tg_c", Unit: "°C", Null: true, About: "glass transition: p10, p50, p90"},
		{Name: "state", About: "wet, tacky, green, firm, hard or unknown"}, {Name: "state_probability", Null: true}, {Name: "unknown_why"},
		{Name: "advice", About: "what to do, in a sentence"}, {Name: "next_window", Null: true, About: "kind, status, opens, closes"},
		{Name: "events", About: "first crossings: p10, p50, p90, each null where it is not reached"},
		{Name: "blush"}, {Name: "stall"}, {Name: "degraded_minutes", Unit: "min"}}},
	{Topic: "panels", Retained: true, List: true, About: "Moist air at every panel now.", Fields: []Field{
		{Name: "panel"}, {Name: "temp_c", Unit: "°C", Null: true}, {Name: "air_c", Unit: "°C", Null: true}, {Name: "rh_pct", Unit: "%", Null: true},
		{Name: "dew_point_c", Unit: "°C", Null: true}, {Name: "dew_margin_k", Unit: "K", Null: true}, {Name: "panel_rh_pct", Unit: "%", Null: true},
		{Name: "estimated", About: "no probe lies on the panel: the margin is the air's, less a doubt"}}},
	{Topic: "cups", Retained: true, List: true, About: "Mixed cups that are not used up.", Fields: []Field{
		{Name: "batch"}, {Name: "resin"}, {Name: "grams", Unit: "g", Null: true}, {Name: "mixed"}, {Name: "ends_at", About: "cautious end of working time"}}},
	{Topic: "tent", Retained: true, About: "The heated tent, where there is one.", Fields: []Field{
		{Name: "panel_c", Unit: "°C", Null: true}, {Name: "air_c", Unit: "°C", Null: true}, {Name: "set_point_c", Unit: "°C", Null: true, About: "null: not held"},
		{Name: "heater", About: "on, off or unknown"}, {Name: "latched", About: "off by safety, wants a person"}, {Name: "why", About: "why it is off, in a sentence"}}},
	{Topic: "alerts", Retained: true, List: true, About: "Alerts that last.", Fields: []Field{
		{Name: "id"}, {Name: "rule"}, {Name: "subject"}, {Name: "severity", About: "danger, act, soon or note"},
		{Name: "state", About: "pending, firing or acknowledged"}, {Name: "say", About: "what to do, in a sentence"}, {Name: "since"}}},
	{Topic: "alert", About: "Each message about an alert, by a channel of kind mqtt; the same key may come twice.", Fields: []Field{
		{Name: "key"}, {Name: "what", About: "firing, acknowledged, resolved, reminder, escalated, digest or test"},
		{Name: "site"}, {Name: "title"}, {Name: "text"}, {Name: "at"},
		{Name: "alert", About: "as on alerts; absent in a digest or a test"}, {Name: "lines", About: "of a digest, else absent"}}},
}

// AboutForm is the version of the description's form; fields may be added
// within it.
const AboutForm = 1

// About returns the description that is published at base/about.
func About(base, site, version string) []byte {
	ts := make([]Topic, len(Topics))
	for i, t := range Topics {
		t.Topic = base + "/" + t.Topic
		ts[i] = t
	}
	b, err := json.MarshalIndent(struct {
		Form    int     `json:"form"`
		Program string  `json:"program"`
		Version string  `json:"version"`
		Site    string  `json:"site"`
		Base    string  `json:"base"`
		Names   string  `json:"names"`
		Topics  []Topic `json:"topics"`
	}{AboutForm, "curewright", version, site, base, "a name in a topic has / + # % and control characters percent-encoded", ts}, "", " ")
	if err != nil {
		return nil // strings and bools only
	}
	return b
}
