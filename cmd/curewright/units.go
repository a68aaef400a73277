package main

import "fmt"

// units is what people see: "si" or "us". Files and JSON never change.
type units string

// temp renders a temperature to half a degree.
func (u units) temp(c float64) string {
	if u == "us" {
		return fmt.Sprintf("%.0f °F", c*9/5+32)
	}
	return fmt.Sprintf("%.1f °C", c)
}

// diff renders a difference of temperatures.
func (u units) diff(k float64) string {
	if u == "us" {
		return fmt.Sprintf("%.1f °F", k*9/5)
	}
	return fmt.Sprintf("%.1f K", k)
}

func tempOrNone(u units, c *float64) string {
	if c == nil {
		return "no reading"
	}
	return u.temp(*c)
}
