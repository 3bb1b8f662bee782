package estimate

// Constants is what a unit stores, in physical form; the wire's fixed point
// is made elsewhere.
type Constants struct {
	LeakageRate []float64   // per zone, in the leakage window, count/shot
	LeakageBins [][]float64 // [zone][bin − FirstBin], count/shot; nil for a unit without histograms
	FirstBin    int
	OffsetMM    []float64 // per zone; all equal where one is stored
	TempRefCel  float64
}

// Constants returns what to store: leakage as measured (a negative bin is
// noise and stays), in every bin that the leakage reaches in any zone, and
// offsets. A zone that could not be measured stores no leakage and the mean
// offset.
func (e *Estimator) Constants(l *Leakage, o *Offsets) Constants {
	c := Constants{
		LeakageRate: make([]float64, e.zones), OffsetMM: make([]float64, e.zones),
		TempRefCel: e.setup.Budget.TempRefCel,
	}
	copy(c.OffsetMM, o.StoredMM)
	lo, hi := e.bins, 0
	for z, s := range l.Zones {
		if s.Flags&^NoSignal != 0 || s.Leakage != s.Leakage {
			continue
		}
		c.LeakageRate[z] = s.Leakage
		if !l.summary {
			lo, hi = min(lo, l.fits[z].reached[0]), max(hi, l.fits[z].reached[1])
		}
	}
	if l.summary {
		return c
	}
	if lo >= hi {
		lo, hi = e.window[0], e.window[1]
	}
	c.FirstBin = lo
	c.LeakageBins = make([][]float64, e.zones)
	for z, s := range l.Zones {
		c.LeakageBins[z] = make([]float64, hi-lo)
		if s.Flags&^NoSignal != 0 || s.Leakage != s.Leakage {
			continue
		}
		r := l.fits[z].reached
		for b := r[0]; b < r[1]; b++ {
			c.LeakageBins[z][b-lo] = l.net[z*e.bins+b]
		}
	}
	return c
}

// bins lays zone z's stored leakage out over all bins.
func (c Constants) bins(n, z int) []float64 {
	out := make([]float64, n)
	if z < len(c.LeakageBins) {
		for i, v := range c.LeakageBins[z] {
			if b := c.FirstBin + i; b >= 0 && b < n {
				out[b] = v
			}
		}
	}
	return out
}
