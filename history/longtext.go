// SPDX-License-Identifier: Apache-2.0

package history

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"unicode/utf8"
)

// Texts entered today are bounded. A store of an earlier version may hold ids and
// notes of a quarter megabyte, which every page and stream would have to carry. Such
// a text is read as its beginning and a hash of the whole. The result is the same
// wherever the text is used, so that a coat still finds its panel and can be
// corrected or deleted by that id. On disk the texts stay as they are.
const (
	longText = 2000 // bytes; no text of today's is longer
	keepText = 40
)

func short(s string) string {
	if len(s) <= longText {
		return s
	}
	n := keepText
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	sum := sha256.Sum256([]byte(s))
	return s[:n] + "…" + hex.EncodeToString(sum[:4])
}

// shortTexts shortens every long text of a JSON value.
func shortTexts(b []byte) []byte {
	if len(b) <= longText {
		return b
	}
	var v any
	if decodeNumbers(b, &v) != nil {
		return b
	}
	v, found := shorten(v)
	if !found {
		return b
	}
	out, err := json.Marshal(v)
	if err != nil {
		return b
	}
	return out
}

func shorten(v any) (_ any, found bool) {
	switch v := v.(type) {
	case string:
		return short(v), len(v) > longText
	case []any:
		for i := range v {
			x, did := shorten(v[i])
			v[i], found = x, found || did
		}
	case map[string]any:
		for k, x := range v {
			x, did := shorten(x)
			if len(k) > longText {
				delete(v, k)
				k, did = short(k), true
			}
			v[k], found = x, found || did
		}
	}
	return v, found
}

// readWork reads one version of a record from its row.
func readWork(row []byte) (d workDisk, err error) {
	if err := json.Unmarshal(row, &d); err != nil {
		return d, err
	}
	if len(row) > longText {
		d.ID, d.By, d.Say, d.Body = short(d.ID), short(d.By), short(d.Say), shortTexts(d.Body)
	}
	return d, nil
}
