// SPDX-License-Identifier: Apache-2.0

package argv

import (
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

type shared struct {
	At string `default:"now" help:"When."`
}

type startCmd struct {
	shared
	ID     string        `arg:"" help:"Which."`
	More   []string      `arg:"" optional:"" name:"key=value"`
	Temp   float64       `required:"" placeholder:"C" help:"How warm."`
	Low    *float64      `name:"low-c"`
	Kind   string        `enum:"wet,dry," default:""`
	Probe  []string      `help:"Several."`
	Shows  []string      `sep:"none"`
	Out    string        `short:"o" type:"path"`
	Every  time.Duration `default:"30s"`
	People int           `default:"1"`
	JSON   bool
	Secret string `hidden:""`
}

func (startCmd) Help() string { return "Example:\n\n  tool coat start a --temp 20" }

type listCmd struct {
	All bool
}

type tool struct {
	Server  string `env:"ARGV_TEST_SERVER"`
	Version bool
	Coat    struct {
		List  listCmd  `cmd:"" default:"withargs" help:"What there is."`
		Start startCmd `cmd:"" help:"Begin one."`
	} `cmd:"" help:"Coats."`
	Air struct {
		NoProbe bool
	} `cmd:""`
	Guard struct{} `cmd:"" hidden:""`
}

func TestParse(t *testing.T) {
	t.Setenv("ARGV_TEST_SERVER", "http://shed:1")
	home, err := os.UserHomeDir()
	if err != nil {
		t.Fatal(err)
	}
	var c tool
	at, help, bad := New("tool", "A tool.", &c).Parse([]string{
		"coat", "start", "--temp=-4.5", "a", "x=1,2", "--probe", "p,q", "--probe=r", "--shows", "resin=3,hardener=4", "-o~/x", "--low-c", "3", "--json", "--", "--y",
	})
	if help || bad.Any() || at.Path() != "coat start" {
		t.Fatalf("%q, help %v, %+v", at.Path(), help, bad)
	}
	low := 3.
	want := startCmd{
		shared: shared{"now"}, ID: "a", More: []string{"x=1,2", "--y"}, Temp: -4.5, Low: &low, Probe: []string{"p", "q", "r"},
		Shows: []string{"resin=3,hardener=4"}, Out: "~/x", Every: 30 * time.Second, People: 1, JSON: true,
	}
	if want.Out = filepath.Join(home, "x"); !reflect.DeepEqual(c.Coat.Start, want) {
		t.Errorf("%+v\nwant %+v", c.Coat.Start, want)
	}
	if c.Server != "http://shed:1" {
		t.Errorf("server %q is not the environment's", c.Server)
	}
	for line, path := range map[string]string{"coat": "coat list", "coat --all": "coat list", "coat list --all": "coat list", "air --no-probe --server x": "air", "guard": "guard"} {
		var c tool
		if at, _, bad := New("tool", "", &c).Parse(strings.Fields(line)); at.Path() != path || bad.Any() {
			t.Errorf("%s: %q, %+v", line, at.Path(), bad)
		}
		if line != "coat" && strings.Contains(line, "all") != c.Coat.List.All {
			t.Errorf("%s: all is %v", line, c.Coat.List.All)
		}
	}
}

// Every fault is said in one go, with the name it is about.
func TestFaults(t *testing.T) {
	for line, want := range map[string][]string{
		"":                             {"wants one of coat, air"},
		"coad":                         {"unexpected argument coad, did you mean coat?"},
		"coat lost":                    {"unexpected argument lost, did you mean list?"},
		"air x":                        {"unexpected argument x"},
		"air --no-prob":                {"unknown flag --no-prob, did you mean --no-probe?"},
		"air --no-probe=perhaps":       {`--no-probe: "perhaps" is neither true nor false`},
		"coat --all start a --temp 1":  {`--all goes with "coat list"`},
		"coat start":                   {"missing --temp=C, <id>"},
		"coat start a --temp":          {"--temp: its value is missing"},
		"coat start a --temp --json":   {"--temp: its value is missing; one that begins with - is written --temp=--json"},
		"coat start a --temp 1 -o":     {"--out: its value is missing"},
		"coat start a --temp 1 -q":     {"unknown flag -q"},
		"coat start --kind=damp --x a": {"--kind is one of wet, dry, not \"damp\"", "unknown flag --x", "missing --temp=C"},
		"coat start a --temp 1 --people 1.5 --every 3": {`--people: "1.5" is not a whole number`, `--every: "3" is not a time such as 90s, 15m or 36h`},
	} {
		_, help, bad := New("tool", "", new(tool)).Parse(strings.Fields(line))
		if help || !slices.Equal(bad.Lines, want) {
			t.Errorf("%s:\n%q\nwant %q", line, bad.Lines, want)
		}
	}
	var c tool
	_, _, bad := New("tool", "", &c).Parse([]string{"coat", "start", "a", "--temp", "warm"})
	if len(bad.Lines) != 0 || !slices.Equal(bad.Numbers, []BadNumber{{"--temp", `"warm" is not a number`}}) || !math.IsNaN(c.Coat.Start.Temp) {
		t.Errorf("%+v, %v", bad, c.Coat.Start.Temp)
	}
}

func TestHelp(t *testing.T) {
	for line, want := range map[string][]string{
		"--help":                        {"Usage: tool <command> [flags]", "  coat    Coats.", "A tool.", `Run "tool <command> --help"`},
		"coat -h":                       {"Usage: tool coat <command> [flags]", "  coat list     What there is."},
		"coat start --help --bogus":     {"Usage: tool coat start <id> [<key=value> ...] --temp=C [flags]", "    tool coat start a --temp 20", `--at="now"`, "--probe=PROBE,...", "  -o, --out=OUT", "--every=30s", "($ARGV_TEST_SERVER)"},
		"coat start a --temp warm -h x": {"Usage: tool coat start"},
	} {
		at, help, bad := New("tool", "A tool.", new(tool)).Parse(strings.Fields(line))
		var b strings.Builder
		if !help || bad.Any() || at.WriteHelp(&b) != nil {
			t.Errorf("%s: help %v, %+v", line, help, bad)
		}
		for _, w := range want {
			if !strings.Contains(b.String(), w) {
				t.Errorf("%s: no %q in\n%s", line, w, b.String())
			}
		}
		for _, no := range []string{"secret", "guard"} {
			if strings.Contains(b.String(), no) {
				t.Errorf("%s: %s is hidden:\n%s", line, no, b.String())
			}
		}
	}
	for _, l := range Wrap(strings.Repeat("eighteen °C or so ", 20), 40) {
		if n := utf8.RuneCountInString(l); n > 40 {
			t.Errorf("%d columns: %s", n, l)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add("coat start a --temp 1 -- -x")
	f.Add("-o=")
	f.Add("coat -h=1 --=\n--all=")
	f.Fuzz(func(t *testing.T, line string) {
		at, help, bad := New("tool", "", new(tool)).Parse(strings.Split(line, " "))
		if at == nil || help && bad.Any() {
			t.Errorf("%v, help %v, %+v", at, help, bad)
		}
	})
}
