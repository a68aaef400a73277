// SPDX-License-Identifier: Apache-2.0

package words

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
)

// Every sentence of English is whole: its braces are closed, nothing in it is
// said twice in a row, and a code has one file.
func TestEnglish(t *testing.T) {
	for _, code := range English.Codes("") {
		s := English.Text(code)
		if s == "" || strings.Count(s, "{") != strings.Count(s, "}") || strings.Count(s, "{") < len(Names(s)) || strings.Contains(s, "  ") && !strings.HasPrefix(code, "strip.") {
			t.Errorf("%s: %q", code, s)
		}
	}
	if n := len(English.Codes("alert.")); n < 80 {
		t.Errorf("only %d sentences of alerts", n)
	}
}

// A language's faults come all at once, each with its code; what it lacks is
// said in English.
func TestParse(t *testing.T) {
	_, err := Parse("xx", []byte("[alert.stall]\nsay = \"{coat} {colour}\"\n[alert.nonsense]\nsay = \"x\"\n"))
	if err == nil || !strings.Contains(err.Error(), "alert.stall.say: {colour} is not given") || !strings.Contains(err.Error(), "alert.nonsense.say: English has no such") {
		t.Errorf("err = %v", err)
	}
	c, err := Parse("xx", []byte("[state]\nwet = \"nat\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	if c.Text("state.wet") != "nat" || c.Text("state.hard") != English.Text("state.hard") || slices.Contains(c.Missing(), "state.wet") || !slices.Contains(c.Missing(), "state.hard") {
		t.Error("the language is not used where it speaks, or English where it does not")
	}
	if got := c.Text("no.such.code"); got != "no.such.code" {
		t.Errorf("an unknown code reads %q", got)
	}
}

func TestView(t *testing.T) {
	sat := time.Date(2026, 10, 10, 21, 5, 0, 0, time.UTC)
	si, us := View{}, View{Words: English.In("us"), Clock12: true}
	for _, tt := range []struct{ got, want string }{
		{si.Temp(17.26), "17.5 °C"}, {us.Temp(20), "68 °F"}, // by the definition of the scales
		{si.Diff(2.5), "2.5 °C"}, {us.Diff(5), "9 °F"}, {si.Temp(-.1), "0 °C"},
		{us.Temp(-17.9), "0 °F"}, {si.Tenth(-.04), "0 °C"}, {si.Tenth(-.06), "-0.1 °C"},
		{si.Kelvin(2.96), "3.0 K"}, {us.Kelvin(5), "9.0 °F"}, {us.Kelvin(-.01), "0.0 °F"}, {us.Diff(-.1), "0 °F"}, {us.Tenth(4.4), "40 °F"}, {us.Temp(-40), "-40 °F"},
		{us.Say("part.warm", Facts{"panel": English.Sentence("coat.odds.panel", Facts{"temp": Temp(20)}), "temp": "12 °C"}), "warm Panel 68 °F. to 12 °C, then "}, // what is a string stays
		{View{Words: English.In("us").In("si")}.Temp(20), "20 °C"}, {View{Words: (*Catalogue)(nil).In("us")}.Temp(0), "32 °F"},
		{si.Clock(sat, sat), "21:05"}, {us.Clock(sat, sat), "9:05 pm"}, {si.Clock(sat, sat.AddDate(0, 0, 1)), "Sat 21:05"},
		{si.Span(4 * time.Minute), "4 min"}, {si.Span(-127 * time.Minute), "2 h 5 min"}, {si.Span(3 * time.Hour), "3 h"},
		{si.Say("part.warm", Facts{"panel": "the lid", "temp": Temp(12)}), "warm the lid to 12 °C, then "},
		{Upper("⟦ab⟧"), "⟦Ab⟧"}, {Upper("über"), "Über"}, {Upper(""), ""},
		{si.fill("{a} {b} {", Facts{"a": "1"}), "1 {b} {"},
	} {
		if tt.got != tt.want {
			t.Errorf("%q, want %q", tt.got, tt.want)
		}
	}
}

// The pseudo-language shows what came from no catalogue, and only that.
func TestPseudo(t *testing.T) {
	v := View{Words: Pseudo()}
	s := v.Say("part.coat_on", Facts{"kind": "tack coat", "panel": "lid-a"})
	if got := Bare(s, "tack coat", "lid-a"); len(got) != 0 {
		t.Errorf("%q: bare %q", s, got)
	}
	if got := Bare(s+" and more", "tack coat", "lid-a"); !slices.Equal(got, []string{"and", "more"}) {
		t.Errorf("bare: %q", got)
	}
}

func ExampleView_Say() {
	v := View{Words: English.In("us"), Loc: time.FixedZone("", 3600)}
	fmt.Println(v.Say("alert.too_cold.say", Facts{"panel": "Lid A", "temp": Temp(9.5), "min": Temp(10), "resin": "medium"}))
	// Output: Lid A is at 49 °F, below the 50 °F that the epoxy medium needs: warm it.
}
