// SPDX-License-Identifier: Apache-2.0

// Command numbers answers "cure", "pot" and "replay" as the offline commands
// of curewright do, with the model alone linked in: it builds for another
// processor in seconds, where the whole program takes minutes. And "demo" is
// the demo's first hour, by its shed and its record of work: what the probes
// read and what is estimated.
package main

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"time"

	"curewright/model/cure"
	"curewright/model/job"
	"curewright/model/pot"
	"curewright/sensors"
	"curewright/sensors/shopsim"
)

func main() {
	v, err := answer(os.Args[1], os.Args[2:])
	if err == nil {
		err = json.NewEncoder(os.Stdout).Encode(v)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "numbers:", err)
		os.Exit(1)
	}
}

func answer(what string, args []string) (any, error) {
	fs := flag.NewFlagSet(what, flag.ContinueOnError)
	resin := fs.String("resin", "medium", "")
	temp, kappa := fs.Float64("temp", 20, ""), fs.Float64("kappa", 1, "")
	grams, shape, shop := fs.Float64("grams", 0, ""), fs.String("shape", "", ""), fs.Float64("shop", 20, "")
	readings, jobFile := fs.String("readings", "", ""), fs.String("job", "", "")
	fs.Bool("json", true, "")
	if err := fs.Parse(args); err != nil {
		return nil, err
	}
	r, ok := cure.Generic(*resin)
	if !ok {
		return nil, fmt.Errorf("no resin %s", *resin)
	}
	switch what {
	case "cure":
		return cure.Steady(r, *temp, *kappa, true), nil
	case "pot":
		return pot.Solve(pot.Query{Resin: r, Grams: *grams, Shape: pot.Shape(*shape), ShopC: *shop})
	case "replay":
		b, err := os.ReadFile(*jobFile)
		if err != nil {
			return nil, err
		}
		j, err := job.ParseJob(b, *jobFile, time.Now(), nil)
		if err != nil {
			return nil, err
		}
		f, err := os.Open(*readings)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		t, errs := job.ReadCSV(f, time.Now())
		if len(errs) > 0 {
			return nil, errs[0]
		}
		return job.Replay(j, t, time.Time{})
	case "demo":
		b, err := os.ReadFile(*jobFile)
		if err != nil {
			return nil, err
		}
		j, err := job.ParseJob(b, *jobFile, time.Time{}, nil)
		if err != nil {
			return nil, err
		}
		return demo(j)
	}
	return nil, fmt.Errorf("no command %s", what)
}

// demo lets the shed run from Friday evening on and looks at the coats every
// ten minutes of the hour.
func demo(j *job.Job) (any, error) {
	zone := time.FixedZone("BST", 3600)
	at, open := time.Date(2026, 10, 9, 18, 0, 0, 0, zone), time.Date(2026, 10, 10, 16, 5, 0, 0, zone)
	var out struct {
		Readings []sensors.Reading
		Looks    []job.Result
	}
	sim, table := shopsim.New(shopsim.Config{Seed: 1}), job.NewTable()
	for at.Before(open.Add(time.Hour)) {
		at = at.Add(time.Minute)
		for _, r := range sim.At(at) {
			if r.Probe == shopsim.Outdoor {
				continue
			}
			table.Add(r.Probe, job.Sample{At: r.At, TempC: r.Temp.OrNaN(), RHPct: r.RH.OrNaN(), CO2: r.CO2.OrNaN()})
			if at.After(open) {
				out.Readings = append(out.Readings, r)
			}
		}
		if into := at.Sub(open); into >= 0 && into%(10*time.Minute) == 0 {
			look, err := job.Replay(j, table, at)
			if err != nil {
				return nil, err
			}
			out.Looks = append(out.Looks, look)
		}
	}
	return out, nil
}
