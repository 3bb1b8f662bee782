package estimate

import (
	"fmt"
	"math"

	"example.org/panecal/limits/quantity"
)

// Verification is the result of a capture made after writing.
type Verification struct {
	ErrorMM, ErrorUMM []float64 // per zone: range with the constants applied − expected; NaN where not measured
	Far               bool      // made at another distance than the offset was
	Quantities        quantity.Set
	Faults            []Fault
}

// farMM is how far apart two reference distances are different distances.
const farMM = 1

// Verify measures the error that is left with the constants c, as read back
// from the unit, at the reference ref. A product that ranges in the station
// gives h, a raw capture; one that ranges itself gives s, its own ranges with
// compensation on; of a unit that gives a raw capture although it ranges
// itself, its method is run here. At the distance that the offsets were
// measured at (verify.error) this proves the write path and no more, because
// a wrong distance cancels; its uncertainty is then the capture's own. At
// another distance (verify.error_far) it holds the distance's too.
func (e *Estimator) Verify(c Constants, h *Histogram, s *Summary, ref Reference, o *Offsets) (*Verification, error) {
	if err := ref.check(); err != nil {
		return nil, err
	}
	if len(c.OffsetMM) != e.zones {
		return nil, fmt.Errorf("%w: constants of %d zones, want %d", ErrCapture, len(c.OffsetMM), e.zones)
	}
	v := &Verification{
		ErrorMM: make([]float64, e.zones), ErrorUMM: make([]float64, e.zones), Quantities: quantity.Set{},
		Far: math.Abs(ref.DistanceMM-o.Reference.DistanceMM) > farMM,
	}
	for z := range v.ErrorMM {
		v.ErrorMM[z], v.ErrorUMM[z] = math.NaN(), math.NaN()
	}
	var err error
	switch {
	case s != nil:
		err = e.verifySummary(*s, v)
	case h != nil:
		err = e.verifyHistogram(c, *h, o, v)
	default:
		err = fmt.Errorf("%w: nothing to verify with", ErrCapture)
	}
	if err != nil {
		return nil, fmt.Errorf("verify capture: %w", err)
	}
	d := ref.DistanceMM + e.setup.DatumMM
	zones := make([]quantity.Value, e.zones)
	for z := range zones {
		want := d * e.setup.Grid.sec(z)
		if e.setup.Tilt == TiltFixture {
			want += o.Tilt.adds(e.setup.Grid, z, d)
		}
		v.ErrorMM[z] -= want
		alike := 0.0
		if v.Far {
			alike = ref.DistanceUMM * e.setup.Grid.sec(z)
			v.ErrorUMM[z] = math.Hypot(v.ErrorUMM[z], alike)
		}
		if o.Zones[z].Flags != 0 {
			v.ErrorMM[z], v.ErrorUMM[z] = math.NaN(), math.NaN()
		}
		zones[z] = quantity.Value{V: v.ErrorMM[z], U: v.ErrorUMM[z], Common: alike}
	}
	if m := quantity.Worst(zones); !math.IsNaN(m.V) {
		name := quantity.VerifyError
		if v.Far {
			name = quantity.VerifyErrorFar
		}
		v.Quantities[name] = m
	}
	return v, nil
}

func (e *Estimator) verifySummary(s Summary, v *Verification) error {
	if err := e.checkSummary(s); err != nil {
		return err
	}
	for z, q := range s.Zones {
		if q.Signal > minSignificance*q.SignalU {
			v.ErrorMM[z], v.ErrorUMM[z] = q.RangeMM, q.RangeUMM
		}
	}
	return nil
}

// verifyHistogram ranges a raw capture with the stored leakage taken as
// exact and takes the stored offset off.
func (e *Estimator) verifyHistogram(c Constants, h Histogram, o *Offsets, v *Verification) error {
	if err := e.checkHistogram(h); err != nil {
		return err
	}
	if len(c.LeakageBins) != e.zones {
		return fmt.Errorf("%w: constants hold leakage of %d zones, want %d", ErrCapture, len(c.LeakageBins), e.zones)
	}
	w := e.worker()
	defer e.pool.Put(w)
	own := make([]ZoneLeakage, e.zones)
	warm := 0.0
	if !math.IsNaN(h.TempCel) {
		warm = e.setup.Budget.TempCoeff * (h.TempCel - e.setup.Budget.TempRefCel)
	}
	net, vary := make([]float64, e.bins), make([]float64, e.bins)
	var fit targetResult
	ceiling := e.ceiling(h.Counts)
	for iz := range e.zones {
		counts := h.Counts[iz*e.bins : (iz+1)*e.bins]
		z := &w.z
		exhausted := e.load(h.Shots, counts, z.y, z.rt, z.ly, z.vy)
		own[iz].Flags = e.countFlags(counts, ceiling, exhausted)
		if own[iz].Flags != 0 {
			continue
		}
		low := w.loadExact(c.bins(e.bins, iz))
		w.leakBins = [2]int{max(0, c.FirstBin), min(e.bins, c.FirstBin+len(c.LeakageBins[iz]))}
		if w.leakBins[1] < w.leakBins[0] {
			w.leakBins = [2]int{}
		}
		w.fitTarget(&fit)
		if !fit.found {
			continue
		}
		tau, u := fit.tau, fit.tauU
		if e.setup.Corrects == CorrectsUnit {
			stored := c.bins(e.bins, iz)
			for b := range net {
				net[b] = z.ly[b] - (fit.a - fit.g*low) - stored[b]
				vary[b] = e.rateVariance(z.ly[b], z.y[b], z.rt[b])
			}
			tau, u = e.unitRange(net, vary)
		}
		v.ErrorMM[iz] = e.distance(tau) - c.OffsetMM[iz] - warm
		v.ErrorUMM[iz] = mmPerPS * u
	}
	fr := e.checkFrames(h, func(z int) bool { return own[z].Flags != 0 })
	v.Faults = e.captureFaults("verify", own, fr, nil)
	return nil
}

// loadExact sets the empty side of the zone to known rates, as counts of so
// many shots that they have no noise. A rate that is negative by the noise it
// was measured with is lifted together with all others, which the fitted
// ambient takes up again; it returns the lift, as the lowest rate or 0.
func (w *worker) loadExact(rate []float64) (low float64) {
	const shots = 1e15
	z := &w.z
	z.useEmpty = true
	for _, r := range rate {
		low = min(low, r)
	}
	for b, r := range rate {
		r -= low
		z.lx[b], z.re[b] = r, shots
		z.x[b] = shots * r
		z.vx[b] = 0
		if w.e.first {
			z.x[b] = -shots * math.Expm1(-r)
		}
	}
	return low
}
