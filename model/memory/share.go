// SPDX-License-Identifier: Apache-2.0

package memory

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"curewright/model/cure"
)

// Shared is what one board learnt of a resin and its lots, with people integrated out. It
// is a normal likelihood over ln κ of the resin, its activation energy (kJ/mol), then ln κ
// of each lot relative to the resin.
type Shared struct {
	Board string    `json:"board"`
	Resin string    `json:"resin"`
	Law   string    `json:"law"`
	Lots  []string  `json:"lots"`
	Coats int       `json:"coats"`
	Tests int       `json:"tests"`
	To    time.Time `json:"to"` // of the latest coat
	// Precision is symmetric, rows in the order above; Info is it times the
	// mean.
	Precision [][]float64 `json:"precision"`
	Info      []float64   `json:"info"`
}

func (s *Shared) check() error {
	n := 2 + len(s.Lots)
	if s.Board == "" || s.Resin == "" || n > 60 {
		return errors.New("board or resin is missing, or too many lots")
	}
	if len(s.Info) != n || len(s.Precision) != n {
		return fmt.Errorf("%d lots want %d rows", len(s.Lots), n)
	}
	q := newSym(n)
	for i, row := range s.Precision {
		if len(row) != n {
			return fmt.Errorf("precision[%d] has %d of %d", i, len(row), n)
		}
		for j, x := range row {
			if !(math.Abs(x) < 1e9) || math.Abs(x-s.Precision[j][i]) > 1e-6*(1+math.Abs(x)) || !(math.Abs(s.Info[i]) < 1e9) {
				return fmt.Errorf("precision[%d][%d] cannot be", i, j)
			}
			q.add(i, j, x)
		}
		q.add(i, i, 1e-6)
	}
	if _, ok := q.inverse(); !ok {
		return errors.New("the precision is none")
	}
	return nil
}

// Share is what a board sends to others of a resin; nil where it learnt nothing, or where
// it would have to guess a lot.
func (m *Learnt) Share(board string) *Shared {
	f := m.hypotheses[0].f
	s := &Shared{Board: board, Resin: m.Resin.Name, Law: LawOf(&m.Resin)}
	// A lot's rate is what it is now: the bends that are taken as true are in it.
	rows := [][]entry{{{0, 1}}, {{1, 1}}}
	scale := []float64{f.sheet, f.e / 1000}
	for _, l := range m.Lessons {
		if slices.Contains(s.Lots, l.Lot) || len(s.Lots) == 40 {
			continue
		}
		i, ok := f.lots[l.Lot]
		if !ok {
			continue
		}
		row, v := f.lotRow(l.Lot, m.latest(l.Lot), i), 0.0
		for _, e := range row {
			v += e.x * e.x
		}
		for k := range row {
			row[k].x /= math.Sqrt(v)
		}
		s.Lots, rows, scale = append(s.Lots, l.Lot), append(rows, row), append(scale, math.Sqrt(v))
	}
	for _, l := range m.Lessons {
		s.Coats++
		s.Tests += len(l.Touches)
		if l.Applied.After(s.To) {
			s.To = l.Applied
		}
	}
	n := len(rows)
	c := newSym(n)
	mean := make([]float64, n)
	for i := range n {
		for _, x := range rows[i] {
			mean[i] += x.x * f.mean[x.i]
			for j := range n {
				for _, y := range rows[j] {
					c.a[i*n+j] += x.x * y.x * f.cov.at(x.i, y.i)
				}
			}
		}
	}
	q, ok := c.inverse()
	if !ok {
		return nil
	}
	h := q.times(mean)
	for i := range n {
		q.add(i, i, -1) // the prior, which the other board has itself
		row := make([]float64, n)
		for j := range n {
			row[j] = q.at(i, j) / (scale[i] * scale[j])
		}
		s.Precision = append(s.Precision, row)
		s.Info = append(s.Info, h[i]/scale[i])
	}
	for i := range n {
		for j := range i {
			x := (s.Precision[i][j] + s.Precision[j][i]) / 2
			s.Precision[i][j], s.Precision[j][i] = x, x
		}
	}
	if s.check() != nil {
		return nil
	}
	return s
}

// tell adds a shared likelihood to the shared variables. Lots that this fit does not have
// are integrated out with their prior.
func (s *Shared) tell(f *fit, q sym, h []float64) {
	n := len(s.Info)
	at, scale := make([]int, n), make([]float64, n)
	at[0], at[1], scale[0], scale[1] = 0, 1, f.sheet, f.e/1000
	var out []int
	for i, lot := range s.Lots {
		at[2+i], scale[2+i] = -1, f.lot
		if k, ok := f.lots[lot]; ok {
			at[2+i] = k
		} else {
			out = append(out, 2+i)
		}
	}
	p := newSym(n)
	g := make([]float64, n)
	for i := range n {
		g[i] = s.Info[i] * scale[i]
		for j := range n {
			p.a[i*n+j] = s.Precision[i][j] * scale[i] * scale[j]
		}
	}
	if len(out) > 0 {
		// Schur's complement, the lots' prior on the diagonal.
		k := newSym(len(out))
		for a, i := range out {
			for b, j := range out {
				k.a[a*k.n+b] = p.at(i, j)
			}
			k.add(a, a, 1)
		}
		inv, ok := k.inverse()
		if !ok {
			return
		}
		was := p.clone()
		gw := slices.Clone(g)
		for i := range n {
			for a, x := range out {
				for b, y := range out {
					w := was.at(i, x) * inv.at(a, b)
					g[i] -= w * gw[y]
					for j := range n {
						p.add(i, j, -w*was.at(y, j))
					}
				}
			}
		}
	}
	for i := range n {
		if at[i] < 0 {
			continue
		}
		h[at[i]] += g[i]
		for j := range n {
			if at[j] >= 0 {
				q.add(at[i], at[j], p.at(i, j))
			}
		}
	}
}

// alone is what a shared likelihood says by itself of ln κ of a lot, or of the
// resin where the lot is not in it: mean and standard deviation.
func (s *Shared) alone(r *cure.Resin, lot string) (mean, sd float64) {
	f := &fit{story: story{lot: lotSD}, resin: r, lots: map[string]int{}, sheet: sheetOf(r), e: energySD(r), n: 3}
	f.lots[lot] = 2
	q, h := newSym(3), make([]float64, 3)
	for i := range 3 {
		q.add(i, i, 1)
	}
	s.tell(f, q, h)
	c, ok := q.inverse()
	if !ok {
		return 0, math.Hypot(f.sheet, f.lot)
	}
	f.mean, f.cov = c.times(h), c
	return f.of([]entry{{0, f.sheet}, {2, f.lot}})
}

// opposite is how many of their combined standard deviations two values may differ before
// they count as contradicting.
const opposite = 3.0
