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

var update = flag.Bool("update", false, "write docs/configuration.md anew")

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
	"store.path":         {"where systemd says, else `/var/lib/curewright` for root, else `~/.local/state/curewright`", "", "", `"/var/lib/curewright"`, "folder in which the store is kept"},
	"store.keep_days":    {"1098", "0", "", "365", "how many days of readings are kept, counted in days on which the board ran; 0 keeps all"},
	"store.max_mb":       {"2000", "20", "", "500", "largest size of the store, MB: beyond it the oldest readings are deleted; 0 for no limit"},
	"store.backup":       {"none", "", "", `"/media/stick"`, "folder, such as a mounted stick, that gets a copy of the store"},
	"store.backup_every": {"24h", "1h", "", `"24h"`, "time between two copies"},

	"web.listen":   {"`127.0.0.1:8374`", "", "", `"0.0.0.0:8374"`, "address to serve, HOST:PORT, with a port from 1024 on. Any address but a loopback one needs a log-in"},
	"web.hosts":    {"none", "", "", `["shed.example"]`, "other host names of the board; a request for a name that is not known is refused"},
	"web.proxies":  {"none", "", "", `["10.0.0.0/24"]`, "reverse proxies in front of the board, each an address or a network. X-Forwarded-For is believed from these only, and whatever comes through one needs a log-in"},
	"web.socket":   {"the service's folder, else the store's", "", "", `"/run/curewright/control.sock"`, "Unix socket for control at the board, an absolute path"},
	"web.tls_cert": {"plain HTTP", "", "", `"/etc/curewright/cert.pem"`, "certificate for HTTPS, PEM; it is read again when the file changes"},
	"web.tls_key":  {"", "", "", `"/etc/curewright/key.pem"`, "private key of the certificate; required with tls_cert, and its file must not be readable by everybody"},

	"probe.id":     {"required", "", "", `"panel-1"`, "name under which readings are stored: letters, digits, dots, dashes, underscores"},
	"probe.driver": {"required", "", "", `"ds18b20"`, "the kind of probe: DRIVERS. `kernel` is any chip for which Linux has a driver; `tmp102` also reads LM75, TMP75 and TMP105; `push` and `mqtt` reserve a name for a probe that sends over the network; `mean` is the mean of other probes, such as two on one panel"},
	"probe.bus":    {"required for a wired probe", "", "", `"w1:28-0316a2795d1f"`, "where the probe is, as `curewright probes` prints it: `i2c-1:0x44`; behind a PCA9548 multiplexer `i2c-1/0x70/3:0x44` (`curewright probes find --mux i2c-1/0x70`); `w1:28-0316a2795d1f`; for `kernel` `hwmon:1-0048` or `iio:dht11@0`, with `/temp2` or `/temp_ambient` added for another of the chip's temperatures"},
	"probe.of":     {"none", "", "", `["lid-left", "lid-right"]`, "for `mean`: the two or more wired probes that are averaged. One that is lost is left out; while they are over 5 K apart there is no value"},
	"probe.name":   {"the id", "", "", `"Lid, outer"`, "the probe's name for people"},
	"probe.role":   {"none", "", "", `"panel"`, "where it measures: air, panel, pot, outdoor or tent"},
	"probe.panel":  {"none", "", "", `"lid-outer"`, "id of the panel that it is on"},
	"probe.every":  {"10s", "1s", "1h", `"10s"`, "time between two readings"},
	"probe.stale":  {"3 × every", "every", "", `"30s"`, "age from which a reading counts as missing"},

	"shop.name":        {"`Shop`", "", "", `"Boat shed"`, "the shop's name on pages, in messages and in topics"},
	"shop.zone":        {"the board's", "", "", `"Europe/London"`, "the shop's time zone, by its IANA name"},
	"shop.air":         {"none", "", "", `"shed-air"`, "probe of the shop's air, for panels that name none"},
	"shop.outdoor":     {"none", "", "", `"outdoor"`, "probe outdoors"},
	"shop.low_c":       {"none", "-30", "35", "4", "expected low of the night, °C, until one is entered on the page"},
	"shop.language":    {"English", "", "", `"/etc/curewright/nl.toml"`, "file of sentences in another language, named by the language's tag: a copy of `model/words/en.toml`, translated. Sentences that it lacks are shown in English"},
	"shop.fuel_heater": {"false", "", "", "false", "true if a heater burns fuel in the room: without a carbon dioxide probe, 5,000 ppm is then assumed"},

	"sleep.from": {"no sleeping hours", "", "", `"22:30"`, "start of the sleeping hours"},
	"sleep.to":   {"", "", "", `"06:30"`, "their end; required with from"},

	"alert.closing_lead":       {"45m", "1m", "12h", `"45m"`, "how long before the cautious end of a window its alert comes"},
	"alert.cup_lead":           {"6m", "1m", "1h", `"6m"`, "how long before the end of a cup's working time its alert comes"},
	"alert.remind_before":      {"10m", "1m", "2h", `"10m"`, "how long before the end the reminder comes"},
	"alert.escalate_danger":    {"3m", "30s", "1h", `"3m"`, "how long a danger may stay unacknowledged before it also goes to escalate_to"},
	"alert.escalate_act":       {"20m", "1m", "12h", `"20m"`, "the same for an alert of severity act"},
	"alert.dew_margin_k":       {"3", "0", "10", "3", "margin of a panel to the dew point below which an alert comes, K; above 0"},
	"alert.link_base":          {"no links", "", "", `"http://shed.local:8374"`, "the page's address as a phone reaches it; links in messages begin with it"},
	"alert.heartbeat_url_file": {"none", "", "", `"/etc/curewright/heartbeat"`, "file with an address that is fetched as long as every part of the daemon makes progress: a monitor elsewhere can then report a board that falls silent"},
	"alert.heartbeat_url_env":  {"none", "", "", `"HEARTBEAT_URL"`, "or the environment variable with that address"},
	"alert.heartbeat_every":    {"5m", "1m", "24h", `"5m"`, "time between two fetches"},

	"alert.channel.name":         {"required", "", "", `"phone"`, "name by which routes refer to it"},
	"alert.channel.kind":         {"required", "", "", `"push"`, "how alerts go out: log, webhook, buzzer, mail, push, alertmanager or mqtt"},
	"alert.channel.url":          {"", "", "", `"http://127.0.0.1:9093"`, "webhook, alertmanager: the address, without a password in it"},
	"alert.channel.url_file":     {"", "", "", `"/etc/curewright/push"`, "push, webhook: file with the address, if that is a secret; push always needs this or url_env"},
	"alert.channel.url_env":      {"", "", "", `"PUSH_URL"`, "or the environment variable with the address"},
	"alert.channel.secret_file":  {"", "", "", `"/etc/curewright/mail"`, "webhook: file with the signing key; mail, alertmanager: file with the password"},
	"alert.channel.secret_env":   {"", "", "", `"MAIL_PASSWORD"`, "or the environment variable with that key or password"},
	"alert.channel.user":         {"", "", "", `"shed"`, "mail, alertmanager: user name"},
	"alert.channel.host":         {"required by mail", "", "", `"mail.example"`, "mail: the server"},
	"alert.channel.port":         {"587, or 465 with tls", "0", "65535", "587", "mail: its port"},
	"alert.channel.tls":          {"`starttls`", "", "", `"starttls"`, "mail: starttls, tls or none"},
	"alert.channel.from":         {"required by mail", "", "", `"shed@example.org"`, "mail: the sender"},
	"alert.channel.to":           {"required by mail", "", "", `["me@example.org"]`, "mail: the recipients"},
	"alert.channel.pin":          {"required by buzzer", "", "", `"GPIO18"`, "buzzer: GPIO line of the piezo"},
	"alert.channel.button":       {"none", "", "", `"GPIO27"`, "buzzer: GPIO line of a push-button to ground, which acknowledges"},
	"alert.channel.active_low":   {"false", "", "", "false", "buzzer: true if the piezo sounds while the line is low"},
	"alert.channel.own_tone":     {"false", "", "", "false", "buzzer: true if the piezo has its own oscillator and only needs to be switched on"},
	"alert.channel.timeout":      {"30s", "", "", `"30s"`, "longest time for one try, 1s to 5m"},
	"alert.channel.max_per_hour": {"20", "", "", "20", "mail, push: most messages to a person in an hour; danger is exempt"},

	"route.severity":    {"all", "", "", `["danger", "act"]`, "only alerts of these severities: danger, act, soon, note"},
	"route.panel":       {"all", "", "", `["lid-outer"]`, "only alerts of these panels"},
	"route.rule":        {"all", "", "", `["closing_soon"]`, "only alerts of these rules; docs/alerts.md lists them"},
	"route.hours":       {"always", "", "", `"07:00-22:00"`, "hours of the day in which the route applies"},
	"route.to":          {"required", "", "", `["phone"]`, "channels that get the alert"},
	"route.escalate_to": {"nobody", "", "", `["club"]`, "channels that also get it if nobody acknowledges in time"},
	"route.night":       {"`act`", "", "", `"act"`, "what goes out in the sleeping hours: act (danger and what can be acted on), danger (danger alone) or all"},
	"route.resolved":    {"true", "", "", "true", "whether a person is also told when the alert is over"},

	"mqtt.url":          {"no connection", "", "", `"mqtt://127.0.0.1:1883"`, "address of the broker, mqtt:// or mqtts://"},
	"mqtt.user":         {"", "", "", `"shed"`, "user name"},
	"mqtt.secret_file":  {"", "", "", `"/etc/curewright/mqtt"`, "file with the password"},
	"mqtt.secret_env":   {"", "", "", `"MQTT_PASSWORD"`, "or the environment variable with the password"},
	"mqtt.ca_file":      {"the system's", "", "", `"/etc/curewright/ca.pem"`, "mqtts: certificate of the authority that signed the broker's certificate, PEM"},
	"mqtt.cert_file":    {"", "", "", `"/etc/curewright/mqtt.pem"`, "mqtts: client certificate of this board, PEM"},
	"mqtt.key_file":     {"", "", "", `"/etc/curewright/mqtt.key"`, "mqtts: private key of the client certificate, PEM"},
	"mqtt.client_id":    {"`curewright-` and a number of this board's own", "", "", `"shed-1"`, "MQTT client id, at most 128 characters"},
	"mqtt.base":         {"`curewright`", "", "", `"yard"`, "first part of every topic: topics begin with BASE/SITE"},
	"mqtt.site":         {"the shop's name", "", "", `"boat-shed"`, "second part of every topic"},
	"mqtt.readings":     {"true", "", "", "true", "whether readings are published"},
	"mqtt.state":        {"true", "", "", "true", "whether coats, panels, cups and alerts are published"},
	"mqtt.expire":       {"10m", "1m", "24h", `"10m"`, "time after which the broker drops a published state that is not renewed"},
	"mqtt.discovery":    {"none", "", "", `"homeassistant"`, "prefix of the discovery topics, by which a home hub finds probes, coats and the tent"},
	"mqtt.tent_control": {"false", "", "", "false", "whether a hub may hold the tent and switch it off, within the limits of [tent]; only for a broker with log-ins"},
	"mqtt.rate":         {"200", "1", "10000", "200", "most readings sent in a second while catching up"},

	"mqtt.topic.topic":        {"required without a preset", "", "", `"radio/+/json"`, "pattern of the topics to listen to; + stands for one level"},
	"mqtt.topic.probe":        {"`$1` where there is one +", "", "", `"$1"`, "id of the probe; $1 is the level that the first + matched, {FIELD} a field of the body"},
	"mqtt.topic.preset":       {"", "", "", `"zigbee2mqtt"`, "format that an open firmware or gateway sends: PRESETS. It fills in every key that is not given"},
	"mqtt.topic.battery":      {"", "", "", `"battery"`, "JSON field of the battery's charge; a low battery raises an alert"},
	"mqtt.topic.battery_unit": {"`%`", "", "", `"ratio"`, "% or ratio"},
	"mqtt.topic.link":         {"", "", "", `"linkquality"`, "JSON field of the radio link's quality"},
	"mqtt.topic.plain":        {"", "", "", `"temp"`, "for a body that is one number: temp, rh or co2"},
	"mqtt.topic.temp":         {"", "", "", `"temperature"`, "for a JSON body: field of the temperature; a.b is field b of object a, *.b is field b of the only object that has one"},
	"mqtt.topic.rh":           {"", "", "", `"humidity"`, "JSON field of the relative humidity"},
	"mqtt.topic.co2":          {"", "", "", `"co2"`, "JSON field of carbon dioxide, ppm"},
	"mqtt.topic.time":         {"the time of receipt", "", "", `"at"`, "JSON field of the time of measurement"},
	"mqtt.topic.temp_unit":    {"`C`", "", "", `"C"`, "C, F or K; {FIELD} if a field of the body says which"},
	"mqtt.topic.rh_unit":      {"`%`", "", "", `"%"`, "% or ratio"},
	"mqtt.topic.time_format":  {"`rfc3339`", "", "", `"unix"`, "rfc3339, unix (s) or unix_ms"},
	"mqtt.topic.accept":       {"false", "", "", "false", "whether probes that nobody has named yet are accepted; only for a broker that no probes but the shop's own can reach"},

	"memory.share":  {"false", "", "", "false", "whether this board exchanges with the boards of a yard, over [mqtt], what was learnt of each lot; unless people is set, nothing about a finger test is sent"},
	"memory.people": {"false", "", "", "false", "whether what is exported for other boards names whose finger test it was"},

	"influx.url":             {"nothing is sent", "", "", `"http://127.0.0.1:8086"`, "address of the server, without /api/v2"},
	"influx.org":             {"", "", "", `"club"`, "name of the organisation"},
	"influx.bucket":          {"required", "", "", `"shed"`, "name of the bucket"},
	"influx.token_file":      {"none", "", "", `"/etc/curewright/influx"`, "file with the API token"},
	"influx.token_env":       {"none", "", "", `"INFLUX_TOKEN"`, "or the environment variable with the token"},
	"influx.site":            {"the shop's name", "", "", `"boat-shed"`, "value of the tag `site`"},
	"influx.external_labels": {"none", "", "", `{ yard = "north" }`, "further tags of every point"},
	"influx.every":           {"10s", "1s", "1h", `"10s"`, "time between two requests with new points"},
	"influx.batch":           {"1000", "1", "20000", "1000", "most points in one request"},
	"influx.rate":            {"2000", "10", "1000000", "2000", "most points sent in a second while catching up"},
	"influx.cure_every":      {"5m", "1m", "1h", `"5m"`, "time between two points of a coat's cure"},
	"influx.timeout":         {"30s", "1s", "5m", `"30s"`, "longest time for one request"},
	"influx.repeat":          {"30s", "0s", "1h", `"30s"`, "after the connection broke, points acknowledged within this time before are sent again; \"0s\" for none"},

	"tent.output":               {"no heater", "", "", `"relay"`, "how the heater is switched: relay, pulse, plug or command"},
	"tent.control_probe":        {"required", "", "", `"panel-1"`, "probe on the panel or its witness, whose temperature is held"},
	"tent.limit_probe":          {"required", "", "", `"tent-air"`, "another probe, wired to this board; its limit alone switches the heater off"},
	"tent.air_probe":            {"limit_probe", "", "", `"tent-air"`, "probe of the tent's air and humidity"},
	"tent.shed_probe":           {"none", "", "", `"shed-air"`, "probe around the tent; it tells a warm day from a stuck relay"},
	"tent.inside":               {"none", "", "", `["panel-2"]`, "other probes in the tent; they control nothing"},
	"tent.allow_pushed_control": {"false", "", "", "false", "whether the control or air probe may be one that sends over the network"},
	"tent.pushed_lead_k":        {"10", "1", "20", "10", "with allow_pushed_control: how far the limit probe may be above the set point before the heater goes off, K"},
	"tent.max_air_c":            {"required", "15", "70", "45", "highest air temperature, °C; reaching it latches the heater off"},
	"tent.max_panel_c":          {"required", "15", "70", "40", "highest panel temperature, °C; reaching it latches the heater off"},
	"tent.limit_c":              {"max_air_c", "", "", "45", "the limit probe's own limit, °C; at most thermal_cutoff_c"},
	"tent.thermal_cutoff_c":     {"required", "30", "120", "60", "temperature at which the separate manual-reset cut-out in series with the heater opens, °C. The cut-out is hardware; this only declares it"},
	"tent.min_set_c":            {"frost_c", "0", "", "5", "lowest set point that may be asked for, °C"},
	"tent.max_set_c":            {"5 K below max_panel_c, air_margin_k below max_air_c", "", "", "35", "highest set point that may be asked for, °C; at least 2 K below both limits"},
	"tent.frost_c":              {"5", "", "", "5", "set point of frost keeping, °C"},
	"tent.max_on_hours":         {"16", "0.1", "24", "16", "most hours of heat in any 24 h"},
	"tent.ramp_k_h":             {"6", "0.1", "60", "6", "fastest rise of the set point, K/h"},
	"tent.max_lead_k":           {"12", "2", "30", "12", "how far the air may be above the panel, K"},
	"tent.air_margin_k":         {"5", "1", "30", "5", "how far below max_air_c the air is held, K"},
	"tent.dew_margin_k":         {"3", "0", "15", "3", "margin to the dew point below which warming is slowed, K; 0 for none"},
	"tent.disagree_k":           {"20", "5", "40", "20", "difference between control and limit probe above which neither is believed and the heater is off, K"},
	"tent.law":                  {"`pi`", "", "", `"pi"`, "control law: pi or two-point"},
	"tent.band_k":               {"1", "0.1", "10", "1", "two-point: full width of the hysteresis, K"},
	"tent.kp":                   {"0.3", "0.001", "100", "0.3", "pi: gain, share of full heat per kelvin"},
	"tent.ti":                   {"1h", "1m", "24h", `"1h"`, "pi: reset time"},
	"tent.window":               {"5m", "1m", "1h", `"5m"`, "length of one on-off cycle"},
	"tent.min_on":               {"30s", "1s", "10m", `"30s"`, "shortest time on"},
	"tent.min_off":              {"30s", "1s", "30m", `"30s"`, "shortest time off"},
	"tent.every":                {"5s", "1s", "30s", `"5s"`, "time between two steps of the control loop"},
	"tent.lease":                {"30s", "5s", "2m", `"30s"`, "time after which heat ends that the control loop does not renew; at least three times every"},
	"tent.effect_after":         {"20m", "5m", "2h", `"20m"`, "time on without a rise of 1 K after which the heater is latched off for having no effect"},
	"tent.heater_w":             {"not known", "0", "50000", "1500", "rated power of the heater, W; energy is reckoned from it"},
	"tent.price_kwh":            {"not known", "0", "1e6", "0.30", "price of 1 kWh"},
	"tent.currency":             {"`€`", "", "", `"£"`, "currency of that price"},
	"tent.heat_switch":          {"none", "", "", `"GPIO22"`, "GPIO line of a switch to ground: while it is open, or its wire broken, heat is off, and it stays off until asked for again"},
	"tent.relay.line":           {"required by relay", "", "", `"GPIO17"`, "GPIO line of the relay"},
	"tent.relay.active_low":     {"false", "", "", "false", "true if the relay is on while the line is low"},
	"tent.relay.watchdog":       {"required by relay", "", "", `"/dev/watchdog"`, "device of the board's hardware watchdog; \"none\" to do without one knowingly"},
	"tent.pulse.line":           {"required by pulse", "", "", `"GPIO17"`, "GPIO line of the retriggerable relay"},
	"tent.pulse.hold":           {"required by pulse", "4 × every", "2m", `"30s"`, "how long the relay stays on after the last pulse"},
	"tent.plug.broker":          {"required by plug", "", "", `"mqtt://127.0.0.1:1883"`, "address of the plug's broker"},
	"tent.plug.topic":           {"required by plug", "", "", `"plug/rpc"`, "topic of the commands"},
	"tent.plug.on_message":      {"required by plug", "", "", `'{"on":true,"toggle_after":{seconds}}'`, "message that switches on, with {seconds} in the place of the off-timer's time"},
	"tent.plug.off_message":     {"required by plug", "", "", `'{"on":false}'`, "message that switches off"},
	"tent.plug.state_topic":     {"required by plug", "", "", `"plug/status"`, "topic on which the plug reports its state"},
	"tent.plug.state_key":       {"required by plug", "", "", `"output"`, "JSON key of on or off in that report"},
	"tent.plug.timer_key":       {"required by plug", "", "", `"timer"`, "JSON key of the off-timer in that report, s"},
	"tent.plug.user":            {"", "", "", `"heater"`, "user name"},
	"tent.plug.password_file":   {"", "", "", `"/etc/curewright/plug"`, "file with the password"},
	"tent.command.argv":         {"required by command", "", "", `["/usr/local/bin/heater"]`, "a long-running program with its arguments: it reads the lines on and off, and must switch off at the end of its input"},
}

var referenceSections = []section{
	{head: "[store]", what: "Where readings and work are kept."},
	{head: "[web]", what: "The page and the API."},
	{head: "[[probe]]", what: "One sensing point. Without any such table, every wired probe that `curewright probes` finds is used."},
	{head: "[shop]", what: "The shop itself."},
	{head: "[sleep]", what: "The hours in which alerts go out only if they can be acted on. They can also be set on the page, which then counts instead of the file."},
	{head: "[alert]", what: "When alerts come. docs/alerts.md has the rules."},
	{head: "[[alert.channel]]", what: "One way out for alerts. `curewright alert test` tries it."},
	{head: "[[route]]", what: "Which alerts go to which channels. All routes that match count. Without any, every channel gets every alert."},
	{head: "[mqtt]", what: "The MQTT broker. docs/mqtt-influx.md has the topics."},
	{head: "[[mqtt.topic]]", what: "The messages of radio probes."},
	{head: "[memory]", what: "What this board shares of what it learnt. By default nothing leaves it; see docs/memory.md."},
	{head: "[influx]", what: "A server that takes the InfluxDB v2 write protocol."},
	{head: "[tent]", what: "The heater. Read docs/tent.md first: no heater is driven without the limits and the hardware that it asks for."},
	{head: "[tent.relay]", what: "For output = \"relay\"."},
	{head: "[tent.pulse]", what: "For output = \"pulse\"."},
	{head: "[tent.plug]", what: "For output = \"plug\"."},
	{head: "[tent.command]", what: "For output = \"command\"."},
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
	b.WriteString("# Configuration\n\nEvery key of `curewright.toml`. None is needed: without a file the daemon looks for\nprobes and serves the page on the board alone. `curewright check --config FILE` lists\nall that is wrong with a file, with line and column, before anything starts. A key that\nis not listed here is refused, not ignored. Secrets are kept in files of their own or\nin the environment, never in this file. Durations are written \"10s\", \"5m\", \"1h30m\".\n\nThis page is made from the code: `go test ./internal/daemon -run Reference -update`.\nA test tries each bound.\n")
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
