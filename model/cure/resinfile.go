// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// ParseResin reads a resin file, as [Resin.TOML] writes it. It is strict:
// unknown keys, wrong types and values that cannot be are all reported at
// once, as [Faults] with line and column, and no resin comes with them.
func ParseResin(data []byte) (Resin, error) {
	doc, root, err := parseDocument(data)
	if err != nil {
		return Resin{}, err
	}
	var r Resin
	root.text("name", &r.Name)
	root.boolean("generic", &r.Generic)
	for _, f := range r.numbers() {
		if x := root.number(f.key); x != nil {
			*f.v = *x
		}
		root.need(f.key)
	}
	root.text("hardener_kind", &r.HardenerKind)
	r.RatioWeight, r.RatioVolume = root.pair("ratio_by_weight"), root.pair("ratio_by_volume")
	r.RatioTolPct = root.number("ratio_tolerance_pct")
	timeAt := func(key string) *TimeAt {
		t := root.sub(key)
		if t == nil {
			return nil
		}
		h, c := t.number("hours"), t.number("temp_c")
		t.done()
		if !t.need("hours", "temp_c") || h == nil || c == nil {
			return nil
		}
		return &TimeAt{Hours: *h, TempC: *c}
	}
	r.RecoatUntil, r.Handle = timeAt("recoat_until"), timeAt("handle")
	for _, t := range root.subs("pot_life") {
		g, c := t.number("grams"), t.number("temp_c")
		var p PotLife
		t.text("until", &p.Until)
		m, ok := t.span("minutes")
		t.done()
		if t.need("grams", "temp_c", "minutes") && ok && g != nil && c != nil {
			p.Grams, p.TempC, p.Minutes = *g, *c, m
			r.PotLife = append(r.PotLife, p)
		}
	}
	r.DensityResin, r.DensityHardener = root.number("density_resin_g_cc"), root.number("density_hardener_g_cc")
	if t := root.sub("sd"); t != nil {
		r.SD = map[string]float64{}
		for k := range t.m {
			if f := t.number(k); f != nil {
				r.SD[k] = *f
			}
		}
	}
	root.done()
	if err := doc.finish(r.Check(), nil); err != nil {
		return Resin{}, err
	}
	return r, nil
}

type namedNumber struct {
	key, note string
	v         *float64
}

// numbers lists the required numbers of a resin file, in its order.
func (r *Resin) numbers() []namedNumber {
	return []namedNumber{
		{"a1_per_s", "1/s", &r.A1},
		{"a2_per_s", "1/s", &r.A2},
		{"e1_j_mol", "", &r.E1},
		{"e2_j_mol", "", &r.E2},
		{"m", "", &r.M},
		{"n", "", &r.N},
		{"tg0_c", "unreacted", &r.Tg0},
		{"tginf_c", "fully cured", &r.TgInf},
		{"lambda", "", &r.Lambda},
		{"d_k", "slowing by vitrification: offset", &r.D},
		{"w_k", "and width", &r.W},
		{"alpha_gel", "", &r.AlphaGel},
		{"heat_j_g", "per gram of resin and hardener", &r.HeatJG},
		{"density_g_cc", "mixed", &r.DensityGCC},
		{"blush_factor", "", &r.Skin},
		{"min_temp_c", "outside this range green and above are not claimed", &r.MinC},
		{"max_temp_c", "", &r.MaxC},
		{"ln_kappa_sd", "batch to batch", &r.LnKappaSD},
	}
}

// TOML writes the resin as a file that [ParseResin] reads back to the same
// bits.
func (r Resin) TOML() []byte {
	var b strings.Builder
	num := func(x float64) string {
		s := strconv.FormatFloat(x, 'g', -1, 64)
		if i := strings.IndexByte(s, 'e'); i >= 0 && !strings.Contains(s[:i], ".") {
			s = s[:i] + ".0" + s[i:]
		} else if !strings.ContainsAny(s, ".e") {
			s += ".0"
		}
		return s
	}
	fmt.Fprintf(&b, "name = %s\ngeneric = %v\n", quote(r.Name), r.Generic)
	if r.HardenerKind != "" {
		fmt.Fprintf(&b, "hardener_kind = %s\n", quote(r.HardenerKind))
	}
	if p := r.RatioWeight; p != nil {
		fmt.Fprintf(&b, "ratio_by_weight = [%s, %s] # resin, hardener\n", num(p[0]), num(p[1]))
	}
	if p := r.RatioVolume; p != nil {
		fmt.Fprintf(&b, "ratio_by_volume = [%s, %s] # resin, hardener\n", num(p[0]), num(p[1]))
	}
	if p := r.RatioTolPct; p != nil {
		fmt.Fprintf(&b, "ratio_tolerance_pct = %s\n", num(*p))
	}
	for _, x := range []struct {
		key string
		v   *float64
	}{{"density_resin_g_cc", r.DensityResin}, {"density_hardener_g_cc", r.DensityHardener}} {
		if x.v != nil {
			fmt.Fprintf(&b, "%s = %s\n", x.key, num(*x.v))
		}
	}
	b.WriteByte('\n')
	for _, f := range r.numbers() {
		fmt.Fprintf(&b, "%s = %s", f.key, num(*f.v))
		if f.note != "" {
			b.WriteString(" # " + f.note)
		}
		b.WriteByte('\n')
	}
	for _, x := range []struct {
		key string
		v   *TimeAt
	}{{"recoat_until", r.RecoatUntil}, {"handle", r.Handle}} {
		if x.v != nil {
			fmt.Fprintf(&b, "\n[%s]\nhours = %s\ntemp_c = %s\n", x.key, num(x.v.Hours), num(x.v.TempC))
		}
	}
	for _, p := range r.PotLife {
		fmt.Fprintf(&b, "\n[[pot_life]] # the sheet's\ngrams = %s\ntemp_c = %s\nminutes = [%s, %s]\n", num(p.Grams), num(p.TempC), num(p.Minutes.Lo), num(p.Minutes.Hi))
		if p.Until != "" {
			fmt.Fprintf(&b, "until = %s\n", quote(p.Until))
		}
	}
	if len(r.SD) > 0 {
		b.WriteString("\n# How sure the fit is: one standard deviation.\n[sd]\n")
		for _, k := range slices.Sorted(maps.Keys(r.SD)) {
			fmt.Fprintf(&b, "%s = %s\n", quote(k), num(r.SD[k]))
		}
	}
	return []byte(b.String())
}

// quote writes a TOML basic string. Go's own quoting differs in its escapes.
func quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, c := range strings.ToValidUTF8(s, "\uFFFD") {
		switch {
		case c == '"' || c == '\\':
			b.WriteByte('\\')
			b.WriteRune(c)
		case c < 0x20 || c == 0x7f:
			fmt.Fprintf(&b, `\u%04X`, c)
		default:
			b.WriteRune(c)
		}
	}
	b.WriteByte('"')
	return b.String()
}
