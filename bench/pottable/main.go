// SPDX-License-Identifier: Apache-2.0

// Command pottable writes the table of docs/pot.md: what the product says of 24
// cups and trays beside the conduction model of bench/conduction and the
// trade's figures.
//
//	go run ./bench/pottable
package main

import (
	"fmt"
	"io"
	"math"
	"os"

	"curewright/bench/conduction"
	"curewright/model/cure"
	"curewright/model/pot"
)

func main() {
	if err := write(os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "pottable:", err)
		os.Exit(1)
	}
}

// rows are the same eight for each resin.
var rows = []struct {
	shape pot.Shape
	grams float64
	shop  float64
}{
	{pot.Cup, 10, 20}, {pot.Cup, 30, 15}, {pot.Cup, 100, 15}, {pot.Cup, 100, 20}, {pot.Cup, 100, 25}, {pot.Cup, 300, 20},
	{pot.Tray, 100, 20}, {pot.Tray, 300, 25},
}

// trade are remembered pot lives of 100 g at 22 °C, min (common practice, no
// source); at other temperatures they are halved for every 10 K more, as the
// trade does.
var trade = map[string][2]float64{"fast": {10, 15}, "medium": {20, 30}, "slow": {45, 60}}

const horizon = 360 // min, of the conduction model

func write(w io.Writer) error {
	fmt.Fprintln(w, "| epoxy | | g | °C | workable | 60 °C | if left | danger | plain +15 K | plain 60 °C | core +15 K | core 60 °C | trade |")
	fmt.Fprintln(w, "|---|---|--:|--:|--:|--:|---|---|--:|--:|--:|--:|--:|")
	for _, name := range []string{"fast", "medium", "slow"} {
		r, ok := cure.Generic(name)
		if !ok {
			return fmt.Errorf("no set %q", name)
		}
		for _, x := range rows {
			res, err := pot.Solve(pot.Query{Resin: r, Grams: x.grams, Shape: x.shape, ShopC: x.shop})
			if err != nil {
				return err
			}
			var s conduction.Stack
			said := "–"
			if x.shape == pot.Cup {
				s = conduction.Cup(r, x.grams, *res.DiameterMM, x.shop, x.shop)
				if x.grams == 100 {
					f := math.Exp2((22 - x.shop) / 10)
					said = fmt.Sprintf("%.0f–%.0f", trade[name][0]*f, trade[name][1]*f)
				}
			} else {
				s = conduction.Tray(r, res.DepthMM, x.shop, x.shop)
			}
			c, err := s.Watch(horizon)
			if err != nil {
				return err
			}
			fmt.Fprintf(w, "| %s | %s | %.0f | %.0f | %s | %s | %s | %s | %s | %s | %s | %s | %s |\n", name, x.shape, x.grams, x.shop,
				down(res.WorkMinutes), down(res.To60C), res.Verdict, res.Danger, min0(res.Nominal.ToPlus15K), min0(res.Nominal.To60C), min1(c.CorePlus15), min1(c.Core60), said)
		}
	}
	return nil
}

// down gives whole minutes as pot says them: early is the side to err on.
func down(v *float64) string {
	if v == nil {
		return "–"
	}
	return min1(math.Floor(*v))
}

func min0(v *float64) string {
	if v == nil {
		return "–"
	}
	return min1(*v)
}

func min1(v float64) string {
	if math.IsNaN(v) {
		return "–"
	}
	return fmt.Sprintf("%.0f", v)
}
