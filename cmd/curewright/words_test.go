// SPDX-License-Identifier: Apache-2.0

package main

import (
	"encoding/json"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/internal/daemon"
	"curewright/internal/daemon/daemontest"
	"curewright/internal/testkit"
	"curewright/model/cure"
	"curewright/model/words"
	"curewright/sensors/shopsim"
)

// named is what may stand in plain letters in an answer.
var named = regexp.MustCompile(strings.Join([]string{
	`(?i:\bzq[\w-]*)`, // a name that this test gave
	`panel-[12]|lid-[ab]|shed-air|Lid [AB] witness|Shed air|loopback`, // the simulated shed's, and its log-in
	`\b[a-z]+-[0-9]+\b`, `[A-Z0-9]{4}-[A-Z0-9]{4}`, `\b[0-9a-f]{8}\b`, // ids and codes that are made up
	`[Gg]lass( plain)?( 200)?\b`,                                                                                              // a cloth, by its fibre, weave and weight
	"(sudo )?curewright [^`⟧\n]*", `--?[a-z-]+ [A-Z]+[.a-z]*|--[a-z-]+`, `\S*/\S*`, `\[[a-z]+\] [a-z]+|\b[a-z]+_[a-z_0-9]+\b`, // what is typed: commands, flags, files, keys
	`\bUTC\b`, `systemctl status curewright`, `config\.txt\.before-curewright`, `Linux w1|1-wire`, `(?m)^  sudo .*$`, `\bI2C\b`, `\b(relay|push|ds18b20|curewright\.toml)\b`, // kinds of the configuration
}, "|"))

// TestEveryCommandsWords runs every command in the pseudo-language against a daemon
// in it: a word in plain letters that nobody typed stands in no catalogue.
func TestEveryCommandsWords(t *testing.T) {
	pseudo := testkit.Pseudo(t)
	d := daemontest.New(t, daemontest.Options{Shed: &shopsim.Config{Seed: 1}, Before: daemontest.Tent(t), Change: func(c *daemon.Config) {
		c.Shop.Language = pseudo
		c.Alert.Channels = []alerts.ChannelConfig{{Name: "zq-log", Kind: alerts.KindLog}}
	}})
	d.Advance(time.Hour)
	t.Setenv("CUREWRIGHT_SERVER", d.URL)
	t.Setenv("CUREWRIGHT_LANGUAGE", pseudo)
	sheet := string(testkit.MustRead(t, "../../examples/sheet.toml"))
	t.Chdir(t.TempDir())
	testkit.Write(t, "zq.toml", `[[panel]]
id = "zq-lid"
name = "zq-Lid"
probe = "panel-1"
air = "shed-air"
core = "foam"
area_m2 = 1.4

[[step]]
id = "zq-tack"
panel = "zq-lid"
do = "coat"
coat = "tack coat"
when = "start"

[[step]]
id = "zq-cloth"
panel = "zq-lid"
do = "cloth"
cloth = "glass 200"
of = "zq-tack"
when = "tacky"

[[step]]
id = "zq-fill"
panel = "zq-lid"
do = "coat"
coat = "fill coat"
of = "zq-tack"
when = "recoat"

[[step]]
id = "zq-sand"
panel = "zq-lid"
do = "sand"
of = "zq-fill"
when = "hard"
`)
	ran := map[string]bool{}
	try := func(args ...string) string {
		t.Helper()
		if leaf, _, _ := newProgram(new(commandLine)).Parse(args); leaf != nil {
			ran[leaf.Path()] = true
		}
		code, out, errs := runCmd(t, args...)
		if code != exitDone {
			t.Errorf("%s: exit %d\n%s", strings.Join(args, " "), code, errs)
		}
		var facts []string
		for _, arg := range args { // a correction repeats its key and value
			if key, value, ok := strings.Cut(arg, "="); ok {
				facts = append(facts, key, value)
			}
		}
		if bare := words.Bare(named.ReplaceAllString(out, " "), facts...); len(bare) > 0 {
			t.Errorf("%s: %q in\n%s", strings.Join(args, " "), bare, out)
		}
		return out
	}
	try("panel", "add", "zq-b", "--name", "zq-B", "--no-probe", "--core", "foam")
	try("panel", "add", "zq-lid", "--name", "zq-Lid", "--probe", "panel-1", "--core", "foam", "--area-m2", "1.4")
	try("panel", "list")
	// A resin with a name of the test's own, by its sheet.
	testkit.Write(t, "zq-sheet.toml", regexp.MustCompile(`(?m)^name = .*`).ReplaceAllString(sheet, `name = "zq-resin"`))
	try("fit", "--sheet", "zq-sheet.toml")
	try("fit", "--sheet", "zq-sheet.toml", "-o", "zq-resin.toml")
	resin, err := cure.ParseResin(testkit.MustRead(t, "zq-resin.toml"))
	testkit.OK(t, err)
	d.Post("/api/v1/resins", resin)
	for _, temp := range []string{"20", "2", "45"} {
		try("cure", "--resin", "zq-resin.toml", "--temp", temp)
	}
	try("cure", "--resin", "zq-resin.toml", "--temp", "12", "--no-diffusion")
	try("air", "--temp", "18", "--rh", "75", "--panel", "15", "--heat-to", "25")
	try("air", "--temp", "1", "--rh", "95", "--panel", "-2")
	try("pot", "--resin", "zq-resin.toml", "--grams", "180", "--shape", "cup", "--shop", "20")
	try("pot", "--resin", "zq-resin.toml", "--grams", "900", "--shape", "cup", "--shop", "30")
	try("pot", "--resin", "zq-resin.toml", "--grams", "90", "--shape", "bond", "--depth-mm", "9", "--shop", "18")
	mix := []string{"mix", "--resin", "zq-resin.toml", "--ratio", "100:30", "--shop", "19"}
	try(append(mix, "--area-m2", "1.4", "--cloth", "glass 200", "--core", "foam", "--people", "2", "--densities", "1.15,0.96", "--pump", "30,10")...)
	try(append(mix, "--grams", "340", "--shows", "resin=302")...)
	try(append(mix, "--grams", "340", "--shows", "resin=262", "--shows", "hardener=340", "--filler", "10")...)
	try(append(mix, "--grams", "12")...)
	try("mix", "--resin", "zq-resin.toml", "--ratio-volume", "3:1", "--shop", "19", "--grams", "100")
	try("mix", "--resin", "zq-resin", "--panel", "zq-lid", "--kind", "fill coat")

	try("stock", "list")
	try("stock", "add", "--id", "zq-drum", "--resin", "zq-resin", "--part", "hardener", "--full", "1.5 kg", "--lot", "zq-7", "--price", "58", "--currency", "ZQP", "--best-before", "2026-06-30")
	try("stock", "count", "zq-drum", "1.25 kg")
	try("stock", "note", "zq-drum", "--condition", "crystallised")
	try("stock", "list")
	try("stock", "export", "-o", "zq-stock.csv")
	try("stock", "gone", "zq-drum")
	testkit.Write(t, "zq-more.csv", "part,resin,full_g,id\nresin,zq-resin,5000,zq-drum-2\n")
	try("stock", "import", "zq-more.csv")

	try("probes", "list")
	d.Do("POST", "/api/v1/readings", []map[string]any{{"probe": "zq-loft", "temp_c": 17.0}}, 202)
	try("probes", "list")
	try("probes", "accept", "zq-loft", "--name", "zq-Loft", "--role", "air")
	try("probes", "set", "zq-loft", "--role", "outdoor")
	try("clock", "show")

	ran["job templates"] = true // a list of steps by their ids
	if out := strings.Join(strings.Fields(cmdOK(t, "job", "templates")), " "); !strings.Contains(out, words.Pseudo().Text("template.joints.name")) {
		t.Errorf("the shipped jobs:\n%s", out)
	}
	try("job", "list")
	try("job", "next")
	try("job", "new", "--file", "zq.toml", "--id", "zq-job", "--name", "zq-Job", "--resin", "zq-resin", "--probe", "panel-1")
	try("job", "mixed", "--resin-g", "110", "--hardener-g", "33")
	try("job", "done", "--at", "5m")
	try("job", "next")
	try("job", "later")
	try("job", "show")
	try("undo", "--list")
	try("undo")
	try("correct", "cup", "batch-1", "hardener_g=34", "mixed=08:50")
	try("coat", "list", "--legend")
	try("batch", "list")
	d.Advance(90 * time.Minute)
	coats := d.Coats()
	if len(coats) == 0 {
		t.Fatal("no coat is open")
	}
	coatID := coats[0].ID
	try("coat", "show", coatID)
	try("feel", coatID, "tacky", "--at", "5m")
	try("job", "done")
	// Somebody else's phone says otherwise of the same step.
	var told struct{ Tick string }
	if err := json.Unmarshal(d.Do("POST", "/api/v1/jobs/zq-job/done", map[string]any{"step": "zq-tack", "kind": "seal", "at": d.Coats()[0].AppliedAt}, 201), &told); err != nil {
		t.Fatal(err)
	}
	try("job", "show")
	try("job", "settle", "zq-tack", "--job", "zq-job", "--keep", told.Tick)
	try("job", "skip", "zq-fill", "--why", "zq")
	try("job", "reopen", "zq-fill")
	try("job", "repeat", "zq-fill")
	try("job", "insert", "zq-wash", "--do", "wash", "--before", "zq-sand", "--when", "hard", "--of", "zq-fill")
	try("job", "edit", "zq-job", "--name", "zq-Job 2")
	try("job", "file", "zq-job", "--start", "2026-10-10T10:00:00Z", "-o", "zq-out.toml")
	try("batch", "mixed", "--id", "zq-cup", "--resin", "zq-resin", "--resin-g", "100", "--hardener-g", "30")
	try("coat", "start", "--id", "zq-coat", "--panel", "zq-b", "--resin", "zq-resin", "--kind", "seal", "--batch", "zq-cup", "--applied", "25m")
	try("batch", "mixed", "--id", "zq-cup-2", "--resin", "zq-resin")
	try("batch", "end", "zq-cup-2", "--left-g", "20")
	felt := d.Post("/api/v1/coats/zq-coat/feels", map[string]any{"at": d.Now(), "state": "wet"})
	try("correct", "feel", felt, "state=tacky")
	try("correct", "coat", "zq-coat", "next=none")
	try("coat", "end", "zq-coat")
	try("coat", "show", "zq-coat")
	try("correct", "--delete", "feel", felt)
	try("undo")
	d.Advance(4 * time.Hour)
	try("job", "next")
	try("coat", "list")

	try("memory")
	try("memory", "--coats")
	try("memory", "export", "-o", "zq-memory.json")
	try("memory", "import", "zq-memory.json")
	try("memory", "forget", "--resin", "zq-resin")

	try("export", "-o", "zq-shed.csv")
	testkit.Write(t, "zq-resin", string(testkit.MustRead(t, "zq-resin.toml"))) // a file of the daemon's resin's name
	try("replay", "--readings", "zq-shed.csv", "--job", "zq-out.toml", "--legend")
	try("plan", "--job", "zq-out.toml", "--readings", "zq-shed.csv", "--sheet", "zq-day.html")
	try("record", "zq-lid", "-o", "zq.html")
	try("record", "zq-lid", "--format", "json", "-o", "zq.json")
	try("record", "--verify", "zq.json")
	try("backup", "zq.db")
	try("token", "list")
	d.Token("zq-phone", web.Record)
	try("token", "list")
	try("token", "revoke", "zq-phone")
	try("pair", "--name", "zq", "--no-qr")
	try("restore", "zq.db", "--data", t.TempDir())

	try("tent", "show")
	try("tent", "hold", "20")
	try("tent", "off")
	try("tent", "aim", d.Coats()[0].ID, "hard", "--by", d.Now().Add(10*time.Hour).Format(time.RFC3339))
	try("tent", "plain")
	tent, _ := tentConfig(t, strings.NewReplacer(`"panel"`, `"zq-panel"`, `"tent-air"`, `"zq-air"`, `"radio"`, `"zq-radio"`).Replace)
	try("tent", "accept", "--config", tent, "--yes")
	try("check", "--config", tent)
	try("alert", "test", "zq-log")
	try("alert", "test", "zq-log", "--heard", "yes")
	try("alert", "test", "zq-log", "--heard", "no")
	root, slave := testkit.W1Tree(t)
	t.Setenv(daemon.W1Env, root)
	try("probes", "find")
	testkit.Write(t, slave, "")
	try("probes", "find")
	testkit.OK(t, os.RemoveAll(root))
	try("probes", "find")
	card := testkit.Tree(t, map[string]string{"boot/firmware/config.txt": testkit.StockBoot})
	code, out, _ := runCmd(t, "doctor", "--root", card)
	if bare := words.Bare(named.ReplaceAllString(out, " ")); code != exitFailed || len(bare) > 0 {
		t.Errorf("doctor: exit %d, %q in\n%s", code, bare, out)
	}
	try("doctor", "--root", card, "--fix")
	var heads []string
	for line := range strings.Lines(cmdOK(t, "install")) {
		if strings.HasPrefix(line, "# ==> ") {
			heads = append(heads, line)
		}
	}
	if bare := words.Bare(named.ReplaceAllString(strings.Join(heads, ""), " ")); len(heads) != 4 || len(bare) > 0 {
		t.Errorf("install: %q in %q", bare, heads)
	}
	try("install", "--write", "--root", t.TempDir(), "--binary", "/usr/bin/curewright")
	dateless := daemontest.New(t, daemontest.Options{ClockUntrusted: true, At: time.Date(2026, 10, 10, 8, 0, 0, 0, time.UTC)})
	t.Setenv("CUREWRIGHT_SERVER", dateless.URL)
	try("clock", "show")
	try("clock", "confirm", "2026-10-10 08:12")
	ran["demo"] = true // it runs until it is stopped
	if _, said := demoSays(t, "--listen", "127.0.0.1:0", "--watch"); len(words.Bare(named.ReplaceAllString(said, " "))) > 0 {
		t.Errorf("demo says %q", said)
	}
	for _, leaf := range newProgram(new(commandLine)).Leaves() {
		if p := leaf.Path(); !ran[p] && !slices.Contains(elsewhere, p) {
			t.Errorf("%s was not run", p)
		}
	}
}

// elsewhere are the commands whose words no run here can show: those that run until
// they are stopped, and those whose output is a file for something else. The source
// of all of them is read by TestNoBareWords of internal/cli.
var elsewhere = []string{"watch", "relay-guard", "completion", "version"}
