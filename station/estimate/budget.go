package estimate

import (
	"math"

	"example.org/panecal/limits/quantity"
)

// The lines of the offset's budget, in order.
const (
	LineCounting     = "counting"
	LineLeakage      = "leakage"
	LineChange       = "leakage change"
	LineDistance     = "target distance"
	LineDirection    = "direction"
	LineZoneMean     = "zone mean"
	LineTemperature  = "temperature"
	LinePulseShape   = "pulse shape"
	LineBinWidth     = "bin widths"
	LineBinEdge      = "bin edges"
	LineTimeBase     = "time base"
	LineMultipath    = "multipath"
	LineUnseen       = "unseen return"
	LineQuantisation = "quantisation"
)

// Where each line stands.
const (
	inCounting = iota
	inLeakage
	inChange
	inDistance
	inDirection
	inZoneMean
	inTemperature
	inPulseShape
	inBinWidth
	inBinEdge
	inTimeBase
	inMultipath
	inUnseen
	inQuantisation
)

// lines tells for each line whether it is common to all zones, and whether it
// is alike for all units of a nest or a product. A line common to the zones
// adds linearly, with its sign, in a mean over zones; another adds in squares.
// What units have alike shifts them together: the target's distance and the
// paths and returns beside the direct one belong to the nest, directions and the spread
// over a zone to the product. Of the temperature's line the coefficient is the
// product's, the thermometer the unit's. The allowances for pulse and bins say
// how units differ.
var lines = [...]struct {
	name          string
	common, alike bool
}{
	inCounting: {LineCounting, false, false}, inLeakage: {LineLeakage, false, false}, inChange: {LineChange, true, false},
	inDistance: {LineDistance, true, true}, inDirection: {LineDirection, true, true}, inZoneMean: {LineZoneMean, true, true},
	inTemperature: {LineTemperature, true, false}, inPulseShape: {LinePulseShape, true, false}, inBinWidth: {LineBinWidth, true, false},
	inBinEdge: {LineBinEdge, true, false}, inTimeBase: {LineTimeBase, true, false},
	inMultipath: {LineMultipath, true, true}, inUnseen: {LineUnseen, true, true}, inQuantisation: {LineQuantisation, true, false},
}

// parts are one zone's lines in mm; common ones carry their sign.
type parts [len(lines)]float64

func (p parts) u() float64 {
	s := 0.0
	for _, v := range p {
		s += v * v
	}
	return math.Sqrt(s)
}

// meanBudget combines zones into the budget of their mean.
func meanBudget(zones []parts) ([]Line, float64) {
	var sum, square parts
	n := float64(len(zones))
	for _, p := range zones {
		for i, v := range p {
			sum[i] += v / n
			square[i] += v * v / (n * n)
		}
	}
	out := make([]Line, len(lines))
	total := 0.0
	for i, l := range lines {
		v := math.Abs(sum[i])
		if !l.common {
			v = math.Sqrt(square[i])
		}
		out[i] = Line{l.name, v}
		total += v * v
	}
	return out, math.Sqrt(total)
}

// alike is the part of a budget's uncertainty that all units of a nest or a
// product have alike.
func (e *Estimator) alike(budget []Line, tempCel float64) float64 {
	s := 0.0
	for i, l := range budget {
		if lines[i].alike {
			s += l.MM * l.MM
		}
	}
	if t := e.setup.Budget; !math.IsNaN(tempCel) {
		c := t.TempCoeffU * (tempCel - t.TempRefCel)
		s += c * c
	}
	return math.Sqrt(s)
}

// zoneParts computes the lines of one zone's offset. excess is the relative
// sd between frames that was let pass.
func (e *Estimator) zoneParts(l *Leakage, o *Offsets, z int, tempCel, excess float64) parts {
	t, f := e.setup.Budget, &o.fits[z]
	g := e.setup.Grid
	sec := g.sec(z)
	d := o.Reference.DistanceMM + e.setup.DatumMM
	var p parts
	change := f.change
	if excess > 0 {
		change = math.Copysign(math.Hypot(f.change, f.perGain*excess), f.perGain)
	}
	p[inCounting], p[inLeakage], p[inChange] = mmPerPS*f.counting, mmPerPS*f.leakage, mmPerPS*change
	p[inDistance] = o.Reference.DistanceUMM * sec
	p[inDirection] = d * math.Hypot(g.Ux[z], g.Uy[z]) * sec * t.DirectionU // d(sec) = u·du/sec, du = (1+u²)·dα
	if g.SecU != nil {
		p[inZoneMean] = d * g.SecU[z]
	}
	if !math.IsNaN(tempCel) {
		p[inTemperature] = math.Hypot(t.TempCoeffU*(tempCel-t.TempRefCel), t.TempCoeff*t.TempU)
	}
	p[inPulseShape] = math.Hypot(t.PulseShapeMM, mmPerPS*f.perWidth*e.widthDoubt(l))
	p[inBinWidth], p[inMultipath] = mmPerPS*f.binWidth, mmPerPS*f.multiple
	// What sends a second return stands in one place, for all units of a plant:
	// the delay at which it does most counts, not the mean of the delays.
	for j, ms := range f.late {
		unseen := mmPerPS * math.Abs(ms) * min(t.UnseenShare, o.leastSeen[j]) / math.Sqrt(3)
		p[inUnseen] = max(p[inUnseen], unseen)
	}
	p[inBinEdge], p[inTimeBase] = mmPerPS*t.BinEdgePS, d*sec*t.TimeBase
	p[inQuantisation] = t.QuantisationMM / math.Sqrt(12)
	return p
}

// finish computes offsets, budget, tilt and quantities from the zones' fits.
func (e *Estimator) finish(l *Leakage, o *Offsets, tempCel, excess float64, unit *Summary) {
	g, q := e.setup.Grid, o.Quantities
	d := o.Reference.DistanceMM + e.setup.DatumMM
	o.parts = make([]parts, e.zones)
	var used []int
	var zones []parts
	for z := range o.Zones {
		out := &o.Zones[z]
		if math.IsNaN(out.RangeMM) {
			continue
		}
		out.OffsetMM = out.RangeMM - d*g.sec(z)
		var p parts
		if o.summary {
			p = e.summaryParts(o, z, tempCel)
		} else {
			p = e.zoneParts(l, o, z, tempCel, excess)
		}
		out.OffsetUMM, o.parts[z] = p.u(), p
		if out.Flags == 0 {
			used = append(used, z)
			zones = append(zones, p)
		}
	}
	o.Tilt = Tilt{Deg: math.NaN(), DegU: math.NaN()}
	e.common(l, o, tempCel)
	o.Apart = Apart{How: NotApart, MM: math.NaN(), U: math.NaN()}
	if len(used) == 0 {
		o.StoredMM = make([]float64, e.zones)
		return
	}
	var free planeFit
	o.Tilt, free = e.fitTilt(o, used)
	var u float64
	o.Budget, u = meanBudget(zones)
	warm := 0.0
	if !math.IsNaN(tempCel) {
		warm = e.setup.Budget.TempCoeff * (tempCel - e.setup.Budget.TempRefCel)
	}
	mean, flat := 0.0, make([]float64, len(used))
	for i, z := range used {
		mean += o.Zones[z].OffsetMM / float64(len(used))
		flat[i] = o.Zones[z].OffsetMM - o.Tilt.adds(g, z, d)
	}
	q[quantity.OffsetMean] = quantity.Measured{Value: quantity.Value{V: mean - warm, U: u, Common: e.alike(o.Budget, tempCel)}}
	if s, ok := sd(flat); ok {
		q.Put(quantity.OffsetSpread, s, s/math.Sqrt(2*float64(len(flat)-1)))
	}
	if o.Tilt.Known {
		q.Put(quantity.SeatTilt, o.Tilt.Deg, o.Tilt.DegU)
	}
	o.Apart = e.tellApart(l, o, free, math.Hypot(o.Budget[inCounting].MM, o.Budget[inLeakage].MM))
	differ := e.unitDifference(l, o, unit, used)
	e.store(o, used, differ, warm)
	worst := u
	if e.setup.Offsets == OffsetsZones {
		for _, p := range zones {
			worst = max(worst, p.u())
		}
	}
	q.Put(quantity.OffsetUncertainty, worst, math.NaN())
	if len(e.setup.WorkingMM) > 0 {
		c := e.Constants(l, o)
		err := 0.0
		for _, row := range e.Project(c, l, o, e.setup.LeakageChangeStated, e.setup.WorkingMM) {
			m := 0.0
			for _, z := range used {
				m += row[z] / float64(len(used))
			}
			if math.Abs(m) > math.Abs(err) {
				err = m
			}
		}
		q.Put(quantity.RangeErrorProjected, err, math.NaN())
	}
}

// store sets what the unit is to hold.
func (e *Estimator) store(o *Offsets, used []int, differ []float64, warm float64) {
	d := o.Reference.DistanceMM + e.setup.DatumMM
	o.StoredMM = make([]float64, e.zones)
	mean := 0.0
	for _, z := range used {
		v := o.Zones[z].OffsetMM - warm
		if differ != nil {
			v += differ[z]
		}
		if e.setup.Tilt == TiltFixture {
			v -= o.Tilt.adds(e.setup.Grid, z, d)
		}
		o.StoredMM[z] = v
		mean += v / float64(len(used))
	}
	if e.setup.Offsets == OffsetsZones {
		in := make([]bool, e.zones)
		for _, z := range used {
			in[z] = true
		}
		for z := range o.StoredMM {
			if !in[z] { // a zone that saw nothing gets the others' mean
				o.StoredMM[z] = mean
			}
		}
		return
	}
	for z := range o.StoredMM {
		o.StoredMM[z] = mean
	}
}

// fitTilt fits the seating tilt with the distance as stated, and once more
// with the distance free.
func (e *Estimator) fitTilt(o *Offsets, used []int) (Tilt, planeFit) {
	g := e.setup.Grid
	n := len(used)
	if n < 4 {
		return Tilt{Deg: math.NaN(), DegU: math.NaN()}, planeFit{}
	}
	buf := make([]float64, 5*n)
	ux, uy, sec, r, u := buf[:n], buf[n:2*n], buf[2*n:3*n], buf[3*n:4*n], buf[4*n:]
	for i, z := range used {
		ux[i], uy[i], sec[i] = g.Ux[z], g.Uy[z], g.sec(z)
		r[i], u[i] = o.Zones[z].RangeMM, max(o.Zones[z].RangeUMM, 1e-9)
	}
	start := [4]float64{0, 0, 0, o.Reference.DistanceMM + e.setup.DatumMM}
	fit := fitPlane(ux, uy, sec, r, u, start, [4]bool{3: true})
	var free planeFit
	if n > 5 {
		free = fitPlane(ux, uy, sec, r, u, start, [4]bool{})
	}
	return fit.tilt(), free
}

// common puts what needs no offset.
func (e *Estimator) common(l *Leakage, o *Offsets, tempCel float64) {
	q := o.Quantities
	lo, hi, loU, hiU := math.Inf(1), math.Inf(-1), 0.0, 0.0
	dead, hot := 0, 0
	rate := make([]quantity.Value, e.zones)
	signal := make([]quantity.Value, e.zones)
	for z, s := range o.Zones {
		rate[z] = quantity.Value{V: math.NaN(), U: math.NaN()}
		signal[z] = rate[z]
		if s.Flags&Dead != 0 {
			dead++
		}
		if s.Flags&Hot != 0 {
			hot++
		}
		if s.Flags&(Dead|Hot|Saturated) != 0 {
			continue
		}
		if !o.summary {
			r, n := s.Rate, float64(o.shots)
			if l.Zones[z].Rate > r {
				r, n = l.Zones[z].Rate, float64(l.shots)
			}
			rate[z] = quantity.Value{V: r, U: math.Sqrt(r / n)}
		}
		if s.Flags != 0 || math.IsNaN(s.Signal) {
			continue
		}
		signal[z] = quantity.Value{V: s.Signal, U: s.SignalU}
		if s.Signal < lo {
			lo, loU = s.Signal, s.SignalU
		}
		if s.Signal > hi {
			hi, hiU = s.Signal, s.SignalU
		}
	}
	q.Put(quantity.ZonesDead, float64(dead), 0)
	q.Put(quantity.ZonesHot, float64(hot), 0)
	if m := quantity.Worst(rate); !math.IsNaN(m.V) {
		q[quantity.RateMax] = m
	}
	if m := quantity.Least(signal); !math.IsNaN(m.V) {
		q[quantity.SignalMin] = m
	}
	if hi > 0 {
		u := math.Hypot(loU/hi, lo*hiU/(hi*hi))
		if lo == hi {
			u = 0
		}
		q.Put(quantity.SignalRatio, lo/hi, u)
	}
	if !math.IsNaN(tempCel) {
		q.Put(quantity.Temperature, tempCel, e.setup.Budget.TempU)
	}
}

func sd(v []float64) (float64, bool) {
	if len(v) < 2 {
		return 0, false
	}
	m := 0.0
	for _, x := range v {
		m += x / float64(len(v))
	}
	s := 0.0
	for _, x := range v {
		s += (x - m) * (x - m)
	}
	return math.Sqrt(s / float64(len(v)-1)), true
}
