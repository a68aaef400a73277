// SPDX-License-Identifier: Apache-2.0

package daysheet

import (
	"html"
	"regexp"
	"slices"
	"testing"

	"curewright/model/coat"
	"curewright/model/words"
)

// In another language nothing of the sheet and of the calendar is left in
// English but what the plan itself says and what somebody entered.
func TestPseudoLanguage(t *testing.T) {
	res := lids(t)
	o := options()
	o.Words, o.Made = words.Pseudo(), res.Steps[0].At
	facts := []string{o.Title, o.Shop, res.Say, coat.TackCoat, coat.FillCoat}
	facts = append(facts, res.WhyNot...)
	facts = append(facts, res.Notes...)
	facts = append(facts, res.Cautions...)
	for _, s := range res.Steps {
		facts = append(facts, s.Say, s.Panel, s.Do, s.Coat, s.Cloth, s.To, s.Step)
		for _, b := range s.Batches {
			facts = append(facts, b.Resin, b.Ratio)
		}
	}
	for _, x := range res.Options {
		facts = append(facts, x.Say)
	}
	facts = slices.DeleteFunc(facts, func(s string) bool { return len(s) < 3 })
	slices.SortFunc(facts, func(a, b string) int { return len(b) - len(a) })
	page := HTML(res, o)
	text := string(page)
	for _, re := range []string{`(?s)<style>.*?</style>`, `<[^>]*>`} {
		text = regexp.MustCompile(re).ReplaceAllString(text, " ")
	}
	if bare := words.Bare(html.UnescapeString(text)+" of our own", facts...); !slices.Equal(bare, []string{"our", "own"}) {
		t.Errorf("the sheet, not from the catalogue: %q", bare)
	}
	for _, s := range res.Steps {
		for _, x := range append(o.cups(s.Batches), o.summary(s)) {
			if bare := words.Bare(x, facts...); len(bare) > 0 {
				t.Errorf("%q, not from the catalogue: %q", x, bare)
			}
		}
	}
}
