package history

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"

	"example.org/panecal/limits/quantity"
)

// spread says how a quantity is distributed: the true value of a zone is
// mean·shape + unit + zone, where unit, with standard deviation sd, is common
// to the zones of one unit, and zone is its own. It is measured with a normal
// error that varies from unit to unit (own) and one that is alike for all units
// of a nest (common), both standard deviations. A quantity without zones has
// one. relative: sd and zone are shares of the mean.
type spread struct {
	name     quantity.Name
	mean, sd float64
	zone     float64 // from zone to zone of one unit
	own      float64 // standard uncertainty, varying; NaN: none is stated and there is no error
	common   float64 // standard uncertainty, alike for a nest
	relative bool
	positive bool // the size of what is drawn, as of a tilt
}

// population is a product as its units come to the station.
type population struct {
	product, stem string // of serials
	firmware      string
	rows, cols    int
	histograms    bool
	shape         func(*population, quantity.Name, int) float64 // of the mean over the zones
	spreads       []spread
}

func (p *population) zones() int { return p.rows * p.cols }

var none = math.NaN()

// hopper54 is the sensor with 6 rows of 9 zones.
func hopper54() *population {
	return &population{product: "hopper-54", stem: "H54-", firmware: "1.4.0", rows: 6, cols: 9, histograms: true, shape: fieldShape, spreads: []spread{
		{name: quantity.LeakageMax, mean: 0.003, sd: 0.15, zone: 0.07, own: 0.000053, relative: true},
		{name: quantity.AmbientMax, mean: 0.00012, sd: 0.1, zone: 0.02, own: 0.0000009, relative: true},
		{name: quantity.SignalMin, mean: 0.145, sd: 0.04, zone: 0.025, own: 0.00028, relative: true},
		{name: quantity.VerifyError, mean: 0, sd: 0.1, zone: 0.1, own: 0.21},
		{name: quantity.LeakageLate, mean: 0.075, sd: 0.003, own: 0.0013},
		{name: quantity.LeakageDistance, mean: 8.3, sd: 5, own: 0.105},
		{name: quantity.LeakageChange, mean: 1, sd: 0.01, own: 0.0035},
		{name: quantity.PulseWidth, mean: 620, sd: 12, own: 1.4},
		{name: quantity.PulseMisfit, mean: 0, sd: 0, own: 0.01},
		{name: quantity.StraySignificance, mean: 3.5, sd: 0.3, own: 1},
		{name: quantity.OffsetMean, mean: 5.2, sd: 4.9, own: 0.38, common: 0.24},
		{name: quantity.OffsetSpread, mean: 0.86, sd: 0.02, own: 0.083},
		{name: quantity.OffsetUncertainty, mean: 0.5, sd: 0.025, own: none},
		{name: quantity.SeatTilt, mean: 0, sd: 0.14, own: 0.09, positive: true},
		{name: quantity.EstimatorDifference, mean: -0.09, sd: 0.08, own: 0.037},
		{name: quantity.RangeErrorProjected, mean: 0, sd: 0.001, own: none},
		{name: quantity.Temperature, mean: 24, sd: 0.8, own: 0.3},
		{name: quantity.TargetMisfit, mean: 0.9, sd: 0.05, own: none},
	}}
}

// hopper1 is the small sensor of one zone that reports summaries.
func hopper1() *population {
	return &population{product: "hopper-1", stem: "H1-", firmware: "0.9.2", rows: 1, cols: 1,
		shape: func(*population, quantity.Name, int) float64 { return 1 }, spreads: []spread{
			{name: quantity.LeakageMax, mean: 0.0036, sd: 0.22, own: 0.0002, relative: true},
			{name: quantity.AmbientMax, mean: 0.0002, sd: 0.13, own: 0.0000018, relative: true},
			{name: quantity.VerifyError, mean: 0, sd: 0.3, own: 1.2},
			{name: quantity.LeakageDistance, mean: 44, sd: 5, own: 44},
			{name: quantity.OffsetMean, mean: 20.4, sd: 4.9, own: 0.84, common: 0.23},
			{name: quantity.OffsetUncertainty, mean: 0.87, sd: 0.07, own: none},
			{name: quantity.RangeErrorProjected, mean: -39, sd: 8.5, own: none},
			{name: quantity.Temperature, mean: 24, sd: 0.8, own: 0.3},
		}}
}

// fieldShape is how leakage and signal are spread over the zones: leakage
// grows from left to right, a flat target's signal falls with (1+u²)^(-7/2).
func fieldShape(p *population, n quantity.Name, zone int) float64 {
	column, row := float64(zone%p.cols)-float64(p.cols-1)/2, float64(zone/p.cols)-float64(p.rows-1)/2
	switch n {
	case quantity.LeakageMax:
		return 1 + 0.3*column/4
	case quantity.SignalMin:
		x, y := column*2*math.Tan(24*math.Pi/180)/9, row*2*math.Tan(17*math.Pi/180)/6
		return math.Pow(1+x*x+y*y, -3.5)
	}
	return 1
}

// table is the population in words, as the package's documentation has it.
func (p *population) table() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n", p.product)
	for _, s := range p.spreads {
		rel := ""
		if s.relative {
			rel = " of the mean"
		}
		own := fmt.Sprintf("%g", s.own)
		if math.IsNaN(s.own) {
			own = "-"
		}
		fmt.Fprintf(&b, "  %-21s %8g ± %g%s, zones ± %g, u %s, common %g\n", s.name, s.mean, s.sd, rel, s.zone, own, s.common)
	}
	return b.String()
}

// draw gives the true value of each zone of a quantity of a unit.
func (p *population) draw(s *spread, r *rand.Rand) []float64 {
	d, _ := quantity.Lookup(s.name)
	scale := 1.0
	if s.relative {
		scale = s.mean
	}
	unit := scale * s.sd * r.NormFloat64()
	if !d.Zoned {
		v := s.mean + unit
		if s.positive {
			v = math.Abs(v)
		}
		return []float64{v}
	}
	out := make([]float64, p.zones())
	for z := range out {
		shape := p.shape(p, s.name, z)
		if s.relative {
			// What spreads with the mean is never below a tenth of it.
			out[z] = shape * max(s.mean+unit+scale*s.zone*r.NormFloat64(), s.mean/10)
			continue
		}
		out[z] = s.mean*shape + unit + s.zone*r.NormFloat64()
	}
	return out
}
