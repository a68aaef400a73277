// SPDX-License-Identifier: Apache-2.0

package html

import (
	"strings"
	"testing"

	"golang.org/x/net/html"
)

// What comes from outside stays text, between tags and in attributes: the HTML
// parser of golang.org/x/net says what a browser would see.
func FuzzPut(f *testing.F) {
	f.Add(`</p><script>alert(1)</script>`, `" onclick="alert(1)`)
	f.Add("&lt;", "'><img src=x>")
	f.Add("100 %s", "%")
	f.Fuzz(func(t *testing.T, text, attr string) {
		if strings.ContainsAny(text+attr, "\x00\r") {
			t.Skip() // which HTML itself changes
		}
		var w Writer
		w.Put(`<p title="%s">x%sx</p>`, attr, text)
		z := html.NewTokenizer(strings.NewReader(w.String()))
		z.Next()
		tag := z.Token()
		if tag.Data != "p" || len(tag.Attr) != 1 || tag.Attr[0].Val != attr {
			t.Fatalf("%q: %v", w.String(), tag)
		}
		z.Next()
		if got := z.Token(); got.Type != html.TextToken || got.Data != "x"+text+"x" {
			t.Fatalf("%q: %v", w.String(), got)
		}
		z.Next()
		if got := z.Token(); got.Type != html.EndTagToken {
			t.Fatalf("%q: %v", w.String(), got)
		}
	})
}

func TestPut(t *testing.T) {
	var w Writer
	w.Put(`<b style="width: 50%%">%s</b>%s`, 3, Markup("<i>ours</i>"))
	w.Each("<li>%s", []string{"a", "<"})
	w.If("never %s", "")
	w.If("%s", "&")
	if got, want := w.String(), `<b style="width: 50%">3</b><i>ours</i><li>a<li>&lt;&amp;`; got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
	for name, bad := range map[string]func(){
		"too many": func() { w.Put("x", "y") },
		"too few":  func() { w.Put("%s%s", "y") },
		"a verb":   func() { w.Put("%d", 3) },
		"a type":   func() { w.Put("%s", 3.5) },
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: not refused", name)
				}
			}()
			bad()
		}()
	}
}
