// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"flag"
	"fmt"
	"maps"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"curewright/internal/testkit"
	"curewright/model/tomlfile"
	"curewright/sensors"
	"curewright/sensors/mqttin"
)

var update = flag.Bool("update", false, "write docs/config.md anew")

// entry is what the reference says of one key beside its type, which comes from
// the struct itself.
type entry struct {
	def      string // what holds where the key is not given
	from, to string // the bounds, "" for none: values beyond them are refused, which the test tries
	example  string // in TOML
	what     string
}

// section is one table of the file.
type section struct {
	head string // such as [store]
	what string
}

// reference is the words of docs/configuration.md. A key that a struct has and
// this has not, or the other way round, fails the test.
var reference = map[string]entry{
	"store.path":         {"where systemd says, else `/var/lib/curewright` for root, else `~/.local/state/curewright`", "", "", `"/var/lib/curewright"`, "folder of the store"},
	"store.keep_days":    {"1098", "0", "", "365", "days of running for which readings are kept; 0 keeps them all"},
	"store.max_mb":       {"2000", "20", "", "500", "and the oldest go when the store is larger, MB; 0 for no limit"},
	"store.backup":       {"none", "", "", `"/media/stick"`, "folder or stick for a nightly copy"},
	"store.backup_every": {"24h", "1h", "", `"24h"`, "how often the copy is made"},

	"web.listen":   {"`127.0.0.1:8374`", "", "", `"0.0.0.0:8374"`, "address served, HOST:PORT; a port from 1024 on. Any address but the board's own asks for a log-in"},
	"web.hosts":    {"none", "", "", `["shed.example"]`, "further names under which the board is reached; requests for any other name are refused"},
	"web.proxies":  {"none", "", "", `["10.0.0.0/24"]`, "reverse proxies in front of the board, each an address or a network: only from them X-Forwarded-For counts, and what comes through one needs a log-in"},
	"web.socket":   {"the service's folder, else the store's", "", "", `"/run/curewright/control.sock"`, "Unix socket for control at the board, a whole path"},
	"web.tls_cert": {"plain HTTP", "", "", `"/etc/curewright/cert.pem"`, "certificate, PEM; read again when it changes"},
	"web.tls_key":  {"", "", "", `"/etc/curewright/key.pem"`, "its key; required beside tls_cert, not readable by everybody"},

	"probe.id":     {"required", "", "", `"panel-1"`, "the name readings are stored under: letters, digits, dots, dashes, underscores"},
	"probe.driver": {"required", "", "", `"ds18b20"`, "what is read: DRIVERS; `kernel` is whatever chip Linux has a driver of its own for, `tmp102` takes LM75, TMP75 and TMP105 too; `push` and `mqtt` reserve a name for a probe that comes over the network, and `mean` is the mean of other probes, as of two on one panel"},
	"probe.bus":    {"required for a wired probe", "", "", `"w1:28-0316a2795d1f"`, "where it is, as `curewright probes` prints it: `i2c-1:0x44`, behind a PCA9548 multiplexer `i2c-1/0x70/3:0x44` (`curewright probes find --mux i2c-1/0x70`), `w1:28-0316a2795d1f`, and for `kernel` `hwmon:1-0048` or `iio:dht11@0`, with `/temp2` or `/temp_ambient` for another of its temperatures"},
	"probe.of":     {"none", "", "", `["lid-left", "lid-right"]`, "of a `mean`: two wired probes or more whose mean it is; one that is lost leaves the others, and over 5 K apart there is no value"},
	"probe.name":   {"the id", "", "", `"Lid, outer"`, "what people call it"},
	"probe.role":   {"none", "", "", `"panel"`, "air, panel, pot, outdoor or tent"},
	"probe.panel":  {"none", "", "", `"lid-outer"`, "the panel that it is on"},
	"probe.every":  {"10s", "1s", "1h", `"10s"`, "how often it is read"},
	"probe.stale":  {"3 × every", "every", "", `"30s"`, "a reading older than this is missing"},

	"shop.name":        {"`Shop`", "", "", `"Boat shed"`, "what the shop is called on pages, in messages and topics"},
	"shop.zone":        {"the board's", "", "", `"Europe/London"`, "time zone, by its IANA name"},
	"shop.air":         {"none", "", "", `"shed-air"`, "the shop's air probe, where a panel names none"},
	"shop.outdoor":     {"none", "", "", `"outdoor"`, "the outdoor probe"},
	"shop.low_c":       {"none", "-30", "35", "4", "tonight's expected low, °C, until the page says otherwise"},
	"shop.language":    {"English", "", "", `"/etc/curewright/nl.toml"`, "a file of sentences in another language, named by its tag: a copy of `model/words/en.toml`; what it lacks is said in English"},
	"shop.fuel_heater": {"false", "", "", "false", "a heater that burns fuel in the room: without a probe of carbon dioxide 5,000 ppm is taken"},

	"sleep.from": {"no sleeping hours", "", "", `"22:30"`, "nobody is awake from"},
	"sleep.to":   {"", "", "", `"06:30"`, "until; required beside from"},

	"alert.closing_lead":       {"45m", "1m", "12h", `"45m"`, "a window's end is called this long before"},
	"alert.cup_lead":           {"6m", "1m", "1h", `"6m"`, "a cup's end is called this long before"},
	"alert.remind_before":      {"10m", "1m", "2h", `"10m"`, "and once more this long before the end"},
	"alert.escalate_danger":    {"3m", "30s", "1h", `"3m"`, "danger that nobody acknowledged goes on to escalate_to after this"},
	"alert.escalate_act":       {"20m", "1m", "12h", `"20m"`, "what wants an act, after this"},
	"alert.dew_margin_k":       {"3", "0", "10", "3", "the surface is called near the dew point below this margin, K; above 0"},
	"alert.link_base":          {"no links", "", "", `"http://shed.local:8374"`, "the page's address as a phone reaches it: links in messages begin with it"},
	"alert.heartbeat_url_file": {"none", "", "", `"/etc/curewright/heartbeat"`, "file with an address that is fetched while every part makes progress; somebody else's watch calls when it falls silent"},
	"alert.heartbeat_url_env":  {"none", "", "", `"HEARTBEAT_URL"`, "or the environment variable that holds it"},
	"alert.heartbeat_every":    {"5m", "1m", "24h", `"5m"`, "how often"},

	"alert.channel.name":         {"required", "", "", `"phone"`, "how routes call it"},
	"alert.channel.kind":         {"required", "", "", `"push"`, "log, webhook, buzzer, mail, push, alertmanager or mqtt"},
	"alert.channel.url":          {"", "", "", `"http://127.0.0.1:9093"`, "webhook, alertmanager: the address, without a password in it"},
	"alert.channel.url_file":     {"", "", "", `"/etc/curewright/push"`, "push, webhook: file with the address, which is a secret itself"},
	"alert.channel.url_env":      {"", "", "", `"PUSH_URL"`, "or the environment variable that holds it"},
	"alert.channel.secret_file":  {"", "", "", `"/etc/curewright/mail"`, "webhook: file with the signing key; mail, alertmanager: with the password"},
	"alert.channel.secret_env":   {"", "", "", `"MAIL_PASSWORD"`, "or the environment variable that holds it"},
	"alert.channel.user":         {"", "", "", `"shed"`, "mail, alertmanager: the user of the log-in"},
	"alert.channel.host":         {"required by mail", "", "", `"mail.example"`, "mail: the server"},
	"alert.channel.port":         {"587, or 465 with tls", "0", "65535", "587", "mail: its port"},
	"alert.channel.tls":          {"`starttls`", "", "", `"starttls"`, "mail: starttls, tls or none"},
	"alert.channel.from":         {"required by mail", "", "", `"shed@example.org"`, "mail: the sender"},
	"alert.channel.to":           {"required by mail", "", "", `["me@example.org"]`, "mail: who gets it"},
	"alert.channel.pin":          {"required by buzzer", "", "", `"GPIO18"`, "buzzer: line of the piezo"},
	"alert.channel.button":       {"none", "", "", `"GPIO27"`, "buzzer: line of a push-button to ground that acknowledges"},
	"alert.channel.active_low":   {"false", "", "", "false", "buzzer: it is off while the line is high"},
	"alert.channel.own_tone":     {"false", "", "", "false", "buzzer: it has its own oscillator and only wants to be switched on"},
	"alert.channel.timeout":      {"30s", "", "", `"30s"`, "of one try"},
	"alert.channel.max_per_hour": {"20", "", "", "20", "mail, push: messages to a person; danger is exempt"},

	"route.severity":    {"all", "", "", `["danger", "act"]`, "danger, act, soon, note"},
	"route.panel":       {"all", "", "", `["lid-outer"]`, "only of these panels"},
	"route.rule":        {"all", "", "", `["closing_soon"]`, "only these rules (docs/alerts.md lists them)"},
	"route.hours":       {"always", "", "", `"07:00-22:00"`, "the route applies only then"},
	"route.to":          {"required", "", "", `["phone"]`, "channels that get it"},
	"route.escalate_to": {"nobody", "", "", `["club"]`, "channels that get it when nobody acknowledged in time"},
	"route.night":       {"`act`", "", "", `"act"`, "what wakes in the sleeping hours: act (only what can be acted on), danger, all"},
	"route.resolved":    {"true", "", "", "true", "whether a person is told when it is over"},

	"mqtt.url":          {"no connection", "", "", `"mqtt://127.0.0.1:1883"`, "the broker: mqtt:// or mqtts://"},
	"mqtt.user":         {"", "", "", `"shed"`, "user of the log-in"},
	"mqtt.secret_file":  {"", "", "", `"/etc/curewright/mqtt"`, "file with the password"},
	"mqtt.secret_env":   {"", "", "", `"MQTT_PASSWORD"`, "or the environment variable that holds it"},
	"mqtt.ca_file":      {"the system's", "", "", `"/etc/curewright/ca.pem"`, "with mqtts: who signed the broker's certificate, PEM"},
	"mqtt.cert_file":    {"", "", "", `"/etc/curewright/mqtt.pem"`, "with mqtts: a certificate of our own"},
	"mqtt.key_file":     {"", "", "", `"/etc/curewright/mqtt.key"`, "its key"},
	"mqtt.client_id":    {"`curewright-` and a number of this board's own", "", "", `"shed-1"`, "at most 128 characters"},
	"mqtt.base":         {"`curewright`", "", "", `"yard"`, "topics begin with base/site"},
	"mqtt.site":         {"the shop's name", "", "", `"boat-shed"`, ""},
	"mqtt.readings":     {"true", "", "", "true", "publish readings"},
	"mqtt.state":        {"true", "", "", "true", "publish coats, panels, cups, alerts"},
	"mqtt.expire":       {"10m", "1m", "24h", `"10m"`, "how long the state is good at the broker"},
	"mqtt.discovery":    {"none", "", "", `"homeassistant"`, "prefix of the discovery topics by which home hubs find probes, coats and the tent by themselves"},
	"mqtt.tent_control": {"false", "", "", "false", "a hub may hold the tent and switch it off, inside [tent]'s limits: for a broker with log-ins only"},
	"mqtt.rate":         {"200", "1", "10000", "200", "readings a second while catching up"},

	"mqtt.topic.topic":        {"required without a preset", "", "", `"radio/+/json"`, "pattern of the topics; + stands for one level"},
	"mqtt.topic.probe":        {"`$1` where there is one +", "", "", `"$1"`, "names the probe; $1 is what the first + matched, {FIELD} a field of the body"},
	"mqtt.topic.preset":       {"", "", "", `"zigbee2mqtt"`, "the form that an open firmware or gateway sends: PRESETS; it fills in every key that is not given"},
	"mqtt.topic.battery":      {"", "", "", `"battery"`, "JSON field of the battery's charge: a probe whose battery runs out is called"},
	"mqtt.topic.battery_unit": {"`%`", "", "", `"ratio"`, "% or ratio"},
	"mqtt.topic.link":         {"", "", "", `"linkquality"`, "JSON field of the radio link's quality"},
	"mqtt.topic.plain":        {"", "", "", `"temp"`, "the body is one number: temp, rh or co2"},
	"mqtt.topic.temp":         {"", "", "", `"temperature"`, "else JSON: the field of the temperature; a.b is b inside a, *.b the b of the one object that has it"},
	"mqtt.topic.rh":           {"", "", "", `"humidity"`, "that of the relative humidity"},
	"mqtt.topic.co2":          {"", "", "", `"co2"`, "that of carbon dioxide, ppm"},
	"mqtt.topic.time":         {"the time of receipt", "", "", `"at"`, "that of the time of measurement"},
	"mqtt.topic.temp_unit":    {"`C`", "", "", `"C"`, "C, F or K; {FIELD} where the body says it"},
	"mqtt.topic.rh_unit":      {"`%`", "", "", `"%"`, "% or ratio"},
	"mqtt.topic.time_format":  {"`rfc3339`", "", "", `"unix"`, "rfc3339, unix (s) or unix_ms"},
	"mqtt.topic.accept":       {"false", "", "", "false", "take probes that nobody has named yet: for a broker that only the shop's own probes reach"},

	"memory.share":  {"false", "", "", "false", "boards of a yard tell each other over [mqtt] what they learnt of a lot, and take it; of nobody's finger"},
	"memory.people": {"false", "", "", "false", "what is made for other boards names whose finger it was"},

	"influx.url":             {"nothing is sent", "", "", `"http://127.0.0.1:8086"`, "the server, without /api/v2"},
	"influx.org":             {"", "", "", `"club"`, "organisation"},
	"influx.bucket":          {"required", "", "", `"shed"`, "bucket"},
	"influx.token_file":      {"none", "", "", `"/etc/curewright/influx"`, "file with the API token"},
	"influx.token_env":       {"none", "", "", `"INFLUX_TOKEN"`, "or the environment variable that holds it"},
	"influx.site":            {"the shop's name", "", "", `"boat-shed"`, "the tag `site`"},
	"influx.external_labels": {"none", "", "", `{ yard = "north" }`, "tags that every point gets besides"},
	"influx.every":           {"10s", "1s", "1h", `"10s"`, "how often new points are sent"},
	"influx.batch":           {"1000", "1", "20000", "1000", "points in one request"},
	"influx.rate":            {"2000", "10", "1000000", "2000", "points a second while catching up"},
	"influx.cure_every":      {"5m", "1m", "1h", `"5m"`, "grid of the cure's points"},
	"influx.timeout":         {"30s", "1s", "5m", `"30s"`, "of one request"},
	"influx.repeat":          {"30s", "0s", "1h", `"30s"`, "what was acknowledged this lately is sent again after the connection broke; \"0s\" for none"},

	"tent.output":               {"no heater", "", "", `"relay"`, "relay, pulse, plug or command"},
	"tent.control_probe":        {"required", "", "", `"panel-1"`, "on the panel or its witness: what is held"},
	"tent.limit_probe":          {"required", "", "", `"tent-air"`, "another one, wired to this board, that stops the heater by itself"},
	"tent.air_probe":            {"limit_probe", "", "", `"tent-air"`, "the tent's air and humidity"},
	"tent.shed_probe":           {"none", "", "", `"shed-air"`, "around the tent: tells a warm day from a stuck relay"},
	"tent.inside":               {"none", "", "", `["panel-2"]`, "further probes in the tent; they control nothing"},
	"tent.allow_pushed_control": {"false", "", "", "false", "let a probe that came over the network be the control or air probe"},
	"tent.pushed_lead_k":        {"10", "1", "20", "10", "then the heater goes off once the limit probe is this far above the set point, K"},
	"tent.max_air_c":            {"required", "15", "70", "45", "the hottest the air may be, °C; reaching it latches the heater off"},
	"tent.max_panel_c":          {"required", "15", "70", "40", "the hottest the panel may be, °C; latches too"},
	"tent.limit_c":              {"max_air_c", "", "", "45", "the limit probe's own limit, °C; at most thermal_cutoff_c"},
	"tent.thermal_cutoff_c":     {"required", "30", "120", "60", "where the separate manual-reset cut-out in series with the heater opens, °C. It is hardware; this declares it"},
	"tent.min_set_c":            {"frost_c", "0", "", "5", "the least that a page may ask for, °C"},
	"tent.max_set_c":            {"5 K below max_panel_c, air_margin_k below max_air_c", "", "", "35", "the most, °C; at least 2 K below both limits"},
	"tent.frost_c":              {"5", "", "", "5", "what frost keeping holds, °C"},
	"tent.max_on_hours":         {"16", "0.1", "24", "16", "hours of heat in any 24"},
	"tent.ramp_k_h":             {"6", "0.1", "60", "6", "fastest rise of the set point, K an hour"},
	"tent.max_lead_k":           {"12", "2", "30", "12", "how far the air may lead the panel, K"},
	"tent.air_margin_k":         {"5", "1", "30", "5", "the air is held this far below max_air_c, K"},
	"tent.dew_margin_k":         {"3", "0", "15", "3", "below this margin to the dew point warming is slowed, K; 0 for none"},
	"tent.disagree_k":           {"20", "5", "40", "20", "control and limit probe further apart than this are in doubt, K"},
	"tent.law":                  {"`pi`", "", "", `"pi"`, "pi or two-point"},
	"tent.band_k":               {"1", "0.1", "10", "1", "two-point: full width of the hysteresis, K"},
	"tent.kp":                   {"0.3", "0.001", "100", "0.3", "pi: share of full heat a kelvin"},
	"tent.ti":                   {"1h", "1m", "24h", `"1h"`, "pi: reset time"},
	"tent.window":               {"5m", "1m", "1h", `"5m"`, "one on-and-off of the proportioning"},
	"tent.min_on":               {"30s", "1s", "10m", `"30s"`, "the heater stays on at least so long"},
	"tent.min_off":              {"30s", "1s", "30m", `"30s"`, "and off"},
	"tent.every":                {"5s", "1s", "30s", `"5s"`, "of the loop"},
	"tent.lease":                {"30s", "5s", "2m", `"30s"`, "heat that is not renewed ends after this; at least three times every"},
	"tent.effect_after":         {"20m", "5m", "2h", `"20m"`, "on for so long without a rise of 1 K: no effect is called"},
	"tent.heater_w":             {"not known", "0", "50000", "1500", "rated power, W, for energy"},
	"tent.price_kwh":            {"not known", "0", "1e6", "0.30", "price of a kWh"},
	"tent.currency":             {"`€`", "", "", `"£"`, ""},
	"tent.heat_switch":          {"none", "", "", `"GPIO22"`, "line of a switch to ground: open, or with its wire broken, heat is off until asked for again"},
	"tent.relay.line":           {"required by relay", "", "", `"GPIO17"`, "line of the relay"},
	"tent.relay.active_low":     {"false", "", "", "false", "the relay is on while the line is low"},
	"tent.relay.watchdog":       {"required by relay", "", "", `"/dev/watchdog"`, "the board's hardware watchdog; \"none\" does without, knowingly"},
	"tent.pulse.line":           {"required by pulse", "", "", `"GPIO17"`, "line of the retriggerable relay"},
	"tent.pulse.hold":           {"required by pulse", "4 × every", "2m", `"30s"`, "how long the relay stays in after the last pulse"},
	"tent.plug.broker":          {"required by plug", "", "", `"mqtt://127.0.0.1:1883"`, "the plug's broker"},
	"tent.plug.topic":           {"required by plug", "", "", `"plug/rpc"`, "where commands go"},
	"tent.plug.on_message":      {"required by plug", "", "", `'{"on":true,"toggle_after":{seconds}}'`, "with {seconds} where the off-timer's time stands"},
	"tent.plug.off_message":     {"required by plug", "", "", `'{"on":false}'`, ""},
	"tent.plug.state_topic":     {"required by plug", "", "", `"plug/status"`, "where the plug says what it does"},
	"tent.plug.state_key":       {"required by plug", "", "", `"output"`, "the key of on or off in it"},
	"tent.plug.timer_key":       {"required by plug", "", "", `"timer"`, "the key of its off-timer, s"},
	"tent.plug.user":            {"", "", "", `"heater"`, "user of the log-in"},
	"tent.plug.password_file":   {"", "", "", `"/etc/curewright/plug"`, "file with the password"},
	"tent.command.argv":         {"required by command", "", "", `["/usr/local/bin/heater"]`, "one long-running program that reads on and off and switches off at the end of its input"},
}

var referenceSections = []section{
	{head: "[store]", what: "Where readings and work are kept."},
	{head: "[web]", what: "The page and the API."},
	{head: "[[probe]]", what: "One sensing point. Without any, a wired probe is taken as `curewright probes` finds it."},
	{head: "[shop]", what: "The shop itself."},
	{head: "[sleep]", what: "The hours in which only what can be acted on wakes somebody. The page sets them too; the file is what holds until it does."},
	{head: "[alert]", what: "When things are called. docs/alerts.md has the rules."},
	{head: "[[alert.channel]]", what: "One way out for alerts. `curewright alert test` tries it."},
	{head: "[[route]]", what: "Which alerts go to which channels; all routes that match count. Without any, every channel gets everything."},
	{head: "[mqtt]", what: "The broker. docs/mqtt-influx.md has the topics."},
	{head: "[[mqtt.topic]]", what: "A radio probe's messages."},
	{head: "[memory]", what: "What other boards of a yard may have of what this one learnt. Nothing leaves by itself; docs/memory.md."},
	{head: "[influx]", what: "A server that takes the InfluxDB v2 write protocol."},
	{head: "[tent]", what: "The heater. docs/tent.md comes first: without the limits and the hardware that it asks for no heater is driven."},
	{head: "[tent.relay]", what: "output = \"relay\""},
	{head: "[tent.pulse]", what: "output = \"pulse\""},
	{head: "[tent.plug]", what: "output = \"plug\""},
	{head: "[tent.command]", what: "output = \"command\""},
}

// configKeys walks the structs: path of each key to its type in TOML's words.
func configKeys() (keys []string, types map[string]string) {
	types = map[string]string{}
	var walk func(prefix string, t reflect.Type)
	walk = func(prefix string, t reflect.Type) {
		for i := range t.NumField() {
			f := t.Field(i)
			name, _, _ := strings.Cut(f.Tag.Get("toml"), ",")
			if name == "" || name == "-" {
				continue
			}
			path := strings.TrimPrefix(prefix+"."+name, ".")
			ft := f.Type
			for ft.Kind() == reflect.Pointer {
				ft = ft.Elem()
			}
			elem := ft
			if elem.Kind() == reflect.Slice {
				elem = elem.Elem()
			}
			if elem.Kind() == reflect.Struct {
				walk(path, elem)
				continue
			}
			keys = append(keys, path)
			switch {
			case ft == reflect.TypeFor[sensors.Duration]() || ft.Name() == "Duration":
				types[path] = "duration"
			case ft.Kind() == reflect.Slice:
				types[path] = "list of text"
			case ft.Kind() == reflect.Map:
				types[path] = "table of text"
			case ft.Kind() == reflect.Bool:
				types[path] = "true or false"
			case ft.Kind() == reflect.Int:
				types[path] = "whole number"
			case ft.Kind() == reflect.Float64:
				types[path] = "number"
			default:
				types[path] = "text"
			}
		}
	}
	walk("", reflect.TypeFor[Config]())
	return keys, types
}

func tableOf(key string) string { return key[:strings.LastIndex(key, ".")] }

func headPath(head string) string { return strings.Trim(head, "[]") }

// referencePage is docs/configuration.md.
func referencePage() string {
	keys, types := configKeys()
	var b strings.Builder
	b.WriteString("# Configuration\n\nEvery key of `curewright.toml`. None is needed: without a file the daemon finds its\nprobes and serves the page on the board alone. `curewright check --config FILE` says\nall that is wrong with one, with line and column, before anything starts. A key that\nis not here is refused, not ignored. Secrets stand in files of their own or in the\nenvironment, never in this one. Durations are written \"10s\", \"5m\", \"1h30m\".\n\nMade from the program's own structs by `go test ./internal/daemon -run Reference -update`;\nthe bounds were tried one by one.\n")
	for _, s := range referenceSections {
		fmt.Fprintf(&b, "\n## `%s`\n\n%s\n\n| key | type | default | from | to | meaning | example |\n|---|---|---|---|---|---|---|\n", s.head, s.what)
		for _, k := range keys {
			if tableOf(k) != headPath(s.head) {
				continue
			}
			e := reference[k]
			e.what = strings.ReplaceAll(e.what, "PRESETS", "`"+strings.Join(mqttin.PresetNames(), "`, `")+"`")
			what := strings.ReplaceAll(e.what, "DRIVERS", "`"+strings.Join(slices.Sorted(maps.Keys(drivers)), "`, `")+"`")
			fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s | %s | `%s` |\n", k[len(tableOf(k))+1:], types[k], e.def, e.from, e.to, what, strings.ReplaceAll(e.example, "|", "\\|"))
		}
	}
	return b.String()
}

func TestReferenceIsWhole(t *testing.T) {
	keys, _ := configKeys()
	heads := map[string]bool{}
	for _, s := range referenceSections {
		heads[headPath(s.head)] = true
	}
	for _, k := range keys {
		e, ok := reference[k]
		if !ok {
			t.Errorf("%s: no words for it", k)
		}
		if ok && e.example == "" {
			t.Errorf("%s: no example", k)
		}
		if !heads[tableOf(k)] {
			t.Errorf("%s: no section for it", k)
		}
	}
	for k := range reference {
		if !slices.Contains(keys, k) {
			t.Errorf("%s: no struct has it", k)
		}
	}
	const page = "../../docs/configuration.md"
	want := referencePage()
	if *update {
		testkit.Write(t, page, want)
	}
	if got, err := os.ReadFile(page); err != nil || string(got) != want {
		t.Errorf("docs/configuration.md is not what the structs say (%v): go test ./internal/daemon -run Reference -update", err)
	}
}

// referenceBase is a configuration that is good and has every table that a key
// may want beside it.
const referenceBase = `[store]
backup = "/tmp"
[web]
listen = "127.0.0.1:8374"
[[probe]]
id = "panel-1"
driver = "ds18b20"
bus = "w1:28-0316a2795d1f"
[[probe]]
id = "tent-air"
driver = "sht4x"
bus = "i2c-1:0x44"
[shop]
name = "Boat shed"
[alert]
closing_lead = "45m"
[[alert.channel]]
name = "mail"
kind = "mail"
host = "mail.example"
from = "shed@example.org"
to = ["me@example.org"]
[mqtt]
url = "mqtt://127.0.0.1:1883"
[influx]
url = "http://127.0.0.1:8086"
bucket = "shed"
[tent]
output = "relay"
control_probe = "panel-1"
limit_probe = "tent-air"
max_air_c = 45
max_panel_c = 40
thermal_cutoff_c = 60
disagree_k = 40
[tent.relay]
line = "GPIO17"
watchdog = "none"
[tent.pulse]
line = "GPIO17"
hold = "30s"
`

// with sets a key of the base, in the first table of that name.
func with(base, key, value string) string {
	table, name := tableOf(key), key[len(tableOf(key))+1:]
	var out []string
	here, done := false, false
	for _, l := range strings.Split(base, "\n") {
		if here && strings.HasPrefix(l, name+" = ") {
			continue
		}
		out = append(out, l)
		here = false
		if strings.Trim(l, "[]") == table && strings.HasPrefix(l, "[") && !done {
			out = append(out, name+" = "+value)
			here, done = true, true
		} else if done {
			here = !strings.HasPrefix(l, "[") && strings.Contains(l, "=")
		}
	}
	return strings.Join(out, "\n")
}

// TestReferenceBounds tries each bound that the page states: just beyond it is
// refused at that key, the bound itself is not.
func TestReferenceBounds(t *testing.T) {
	if _, err := ParseConfig("base", []byte(referenceBase)); err != nil {
		t.Fatalf("the base is not good: %v", err)
	}
	_, types := configKeys()
	faults := func(key, value string) string {
		base := referenceBase
		if strings.HasPrefix(key, "tent.pulse.") {
			base = strings.Replace(base, `output = "relay"`, `output = "pulse"`, 1)
		}
		_, _, fs := decodeConfig([]byte(with(base, key, value)))
		var at []string
		for _, f := range fs {
			if l := (tomlfile.Faults{f}).Lines("x")[0]; strings.Contains(l, key[len(tableOf(key))+1:]) {
				at = append(at, l)
			}
		}
		return strings.Join(at, "\n")
	}
	tried := 0
	for k, e := range reference {
		for _, b := range []struct {
			bound string
			step  int
		}{{e.from, -1}, {e.to, 1}} {
			beyond, ok := beyondBound(b.bound, types[k], b.step)
			if !ok {
				continue
			}
			tried++
			if said := faults(k, beyond); said == "" {
				t.Errorf("%s = %s is beyond %s and was taken", k, beyond, b.bound)
			}
		}
	}
	if tried < 60 {
		t.Errorf("only %d bounds were tried", tried)
	}
}

// beyondBound is a value just outside a bound, in TOML; false where the bound is
// none or depends on another key.
func beyondBound(bound, kind string, step int) (string, bool) {
	if kind == "duration" {
		d, err := time.ParseDuration(bound)
		if err != nil {
			return "", false
		}
		return strconv.Quote((d + time.Duration(step)*10*time.Millisecond).String()), true
	}
	x, err := strconv.ParseFloat(bound, 64)
	if err != nil {
		return "", false
	}
	if kind == "whole number" {
		n := int(x) + step
		if n == 0 && step < 0 {
			n = -1 // 0 is "not given"
		}
		return strconv.Itoa(n), true
	}
	return strconv.FormatFloat(x+float64(step)*max(x*.01, .0005), 'f', -1, 64), true
}
