package cure

// Integrator carries degree of cure over temperature histories of one resin.
// It prepares what depends on the resin alone; it is safe for use by several
// goroutines at once.
type Integrator struct {
	r Resin
}

// NewIntegrator prepares an integrator for a resin that passes [Resin.Check].
func NewIntegrator(r Resin) *Integrator { return &Integrator{r: r} }

// Resin returns the resin the integrator was made for.
func (it *Integrator) Resin() Resin { return it.r }

// Advance moves each alpha[i], with rate factor kappa[i], over dt seconds in
// which the temperature goes linearly from t0C to t1C (°C). Work that depends
// on temperature alone is shared between the nodes. The result depends only
// on the segment, so that a history advanced in parts gives the same as in
// one go.
func (it *Integrator) Advance(alpha, kappa []float64, dt, t0C, t1C float64) {
	if !(dt > 0) {
		return
	}
	n := max(int(dt/30), 1)
	h := dt / float64(n)
	for i, a := range alpha {
		k := kappa[i]
		for j := range n {
			ta := t0C + (t1C-t0C)*float64(j)/float64(n)
			tb := t0C + (t1C-t0C)*float64(j+1)/float64(n)
			tm := (ta + tb) / 2
			f1 := it.r.Rate(a, ta, k)
			f2 := it.r.Rate(a+h/2*f1, tm, k)
			f3 := it.r.Rate(a+h/2*f2, tm, k)
			f4 := it.r.Rate(a+h*f3, tb, k)
			a += h / 6 * (f1 + 2*f2 + 2*f3 + f4)
		}
		alpha[i] = a
	}
}

// Integrate returns the degree of cure at the last of times (s, ascending),
// beginning at alpha0 at the first, with temps in °C linear between them.
func (it *Integrator) Integrate(times, temps []float64, kappa, alpha0 float64) float64 {
	a, k := []float64{alpha0}, []float64{kappa}
	for i := 1; i < len(times); i++ {
		it.Advance(a, k, times[i]-times[i-1], temps[i-1], temps[i])
	}
	return a[0]
}

// Path is [Integrator.Integrate] with the degree of cure at every time,
// appended to dst.
func (it *Integrator) Path(dst, times, temps []float64, kappa, alpha0 float64) []float64 {
	a, k := []float64{alpha0}, []float64{kappa}
	for i := range times {
		if i > 0 {
			it.Advance(a, k, times[i]-times[i-1], temps[i-1], temps[i])
		}
		dst = append(dst, a[0])
	}
	return dst
}

// Step is the cheap stepper of forecasts: it moves each alpha[i] over one
// step of dt seconds (15 minutes is what it is made for) in which the
// temperature goes linearly from t0C to t1C.
func (it *Integrator) Step(alpha, kappa []float64, dt, t0C, t1C float64) {
	it.Advance(alpha, kappa, dt, t0C, t1C)
}

// Track carries a set of rate factors along a stream of readings. Fed with
// the same readings it gives the same degrees of cure, however the feeding
// was divided.
type Track struct {
	it    *Integrator
	kappa []float64
	alpha []float64
	t, c  float64
	begun bool
}

// NewTrack begins a track for the given rate factors at degree of cure alpha0.
func (it *Integrator) NewTrack(kappa []float64, alpha0 float64) *Track {
	tr := &Track{it: it, kappa: append([]float64(nil), kappa...), alpha: make([]float64, len(kappa))}
	for i := range tr.alpha {
		tr.alpha[i] = alpha0
	}
	return tr
}

// Add takes the next reading: its time in seconds on any scale that ascends,
// and its temperature in °C. The first only sets the start. A time that does
// not ascend is ignored.
func (tr *Track) Add(t, tC float64) {
	if tr.begun {
		if t <= tr.t {
			return
		}
		tr.it.Advance(tr.alpha, tr.kappa, t-tr.t, tr.c, tC)
	}
	tr.t, tr.c, tr.begun = t, tC, true
}

// Alpha appends the degree of cure of every rate factor at the last reading.
func (tr *Track) Alpha(dst []float64) []float64 { return append(dst, tr.alpha...) }
