// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
)

// Units is what people see: "si" or "us". Files and JSON never change.
type Units string

// temp renders a temperature to half a degree.
func (u Units) temp(c float64) string {
	if u == "us" {
		return fmt.Sprintf("%.0f °F", c*9/5+32)
	}
	return fmt.Sprintf("%.1f °C", c)
}

var celsiusWords = regexp.MustCompile(`(-?[0-9]+(?:\.[0-9]+)?) °C`)

// text renders the temperatures in a sentence that was made in °C.
func (u Units) text(s string) string {
	if u != "us" {
		return s
	}
	return celsiusWords.ReplaceAllStringFunc(s, func(m string) string {
		c, err := strconv.ParseFloat(strings.TrimSuffix(m, " °C"), 64)
		if err != nil {
			return m
		}
		return u.temp(c)
	})
}

// whole renders a round temperature without a decimal.
func (u Units) whole(c float64) string { return strings.Replace(u.temp(c), ".0 ", " ", 1) }

// diff renders a difference of temperatures.
func (u Units) diff(k float64) string {
	if u == "us" {
		return fmt.Sprintf("%.1f °F", k*9/5)
	}
	return fmt.Sprintf("%.1f K", k)
}

// epoxy names a resin as the trade does, without saying "epoxy" twice.
func (a *App) epoxy(name string) string {
	if strings.HasSuffix(strings.ToLower(name), "epoxy") {
		return name
	}
	return a.say("epoxy", facts{"name": name})
}
