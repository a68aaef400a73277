// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"encoding/json"
	"errors"

	"curewright/dashboards/web"
	"curewright/model/cure"
	"curewright/model/words"
)

// fitSheet fits a sheet that came as JSON, and says what it makes of it in the
// language of c.
func fitSheet(c *words.Catalogue, sheet json.RawMessage) (json.RawMessage, error) {
	s, err := cure.ParseSheetJSON(sheet)
	if err == nil {
		var res cure.FitResult
		if res, err = cure.Fit(s); err == nil {
			res.Say(words.View{Words: c})
			return json.Marshal(res)
		}
	}
	var faults cure.Faults
	if errors.As(err, &faults) {
		out := make(web.Faults, len(faults))
		for i, f := range faults {
			out[i] = web.Fault{Field: f.Key, What: f.What}
		}
		return nil, out
	}
	return nil, err
}
