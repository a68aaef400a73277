package coat

import (
	"math"

	"curewright/model/cure"
)

// Mark is one of the moments of a coat, in order of cure. Times of marks are
// first crossings.
type Mark int

// The marks. Thresholds are a choice of ours, to be calibrated on real coats:
// no published degree of cure for "tack-free" was found.
const (
	MarkTacky  Mark = iota // α ≥ .30
	MarkOpens              // α ≥ .40: a coat put on now neither sags nor lifts
	MarkGreen              // gelled, and Tg within 25 K under the panel
	MarkFirm               // gelled, and Tg at the reference temperature
	MarkCloses             // firm, or the sheet's recoat limit
	MarkHard               // Tg 10 K above the reference temperature
	MarkHandle             // hard, and the sheet's handling age or 48 h at 20 °C
	numMarks
)

// Thresholds and their standard deviations, as a finger tells them apart.
const (
	alphaTacky, sdTacky = 0.30, 0.06
	alphaOpens          = 0.40
	sdGreen             = 0.05 // about the resin's own gel conversion
	greenBelowK         = 25.0
	sdFirmK             = 5.0
	hardAboveK, sdHardK = 10.0, 6.0
	refCapC             = 30.0 // a warm day raises the reference no further
	hysteresisK         = 1.0
	handleHours         = 48.0 // common practice, no source
	handleTempC         = 20.0
	misreport           = 0.03 // share of finger tests that say anything
)

// Φ, the standard normal distribution function.
func phi(x float64) float64 { return 0.5 * math.Erfc(-x/math.Sqrt2) }

// cumulative returns P(S ≥ tacky), …, P(S ≥ hard) for one degree of cure.
// latched says that green was reached before, from which there is no going
// back. finger gives what a finger finds: a glass feels firm although it has
// not gelled.
func cumulative(r *cure.Resin, alpha, nowC, refC float64, latched, finger bool) (p [4]float64) {
	tg := r.Tg(alpha)
	p[0] = phi((alpha - alphaTacky) / sdTacky)
	p[1] = phi((alpha - r.AlphaGel) / sdGreen)
	if tg < nowC-greenBelowK && !latched {
		p[1] = 0
	}
	p[2] = phi((tg - refC) / sdFirmK)
	p[3] = phi((tg - refC - hardAboveK) / sdHardK)
	if finger {
		p[2] = phi((tg - nowC) / sdFirmK)
		p[3] = min(phi((tg-nowC-hardAboveK)/sdHardK), p[2])
		p[0], p[1] = max(p[0], p[2]), max(p[1], p[2])
	}
	for k := 1; k < 4; k++ {
		p[k] = min(p[k], p[k-1])
	}
	return p
}

// states turns cumulative probabilities into those of the five states.
func states(p [4]float64) Probabilities {
	return Probabilities{Wet: 1 - p[0], Tacky: p[0] - p[1], Green: p[1] - p[2], Firm: p[2] - p[3], Hard: p[3]}
}

func (p Probabilities) of(s State) float64 {
	switch s {
	case Wet:
		return p.Wet
	case Tacky:
		return p.Tacky
	case Green:
		return p.Green
	case Firm:
		return p.Firm
	case Hard:
		return p.Hard
	}
	return 0
}

var order = [...]State{Wet, Tacky, Green, Firm, Hard}

// Rank orders the states, wet 0 to hard 4; -1 for any other.
func (s State) Rank() int {
	for i, o := range order {
		if o == s {
			return i
		}
	}
	return -1
}
