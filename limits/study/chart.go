package study

import (
	"fmt"
	"math"
)

// Chart is a control chart, point by point.
type Chart struct {
	Head
	N               int     `json:"n"`
	SD              Number  `json:"sd"` // that the limits are made of
	MovingRangeMean *Number `json:"moving_range_mean,omitempty"`
	Center          Number  `json:"center"`
	Lower           Number  `json:"lower"`
	Upper           Number  `json:"upper"`
	Points          []Point `json:"points"`
}

// Point is one value on a chart. Which of the others it has, the kind of
// chart says. Signals are the numbers of the tests of L. S. Nelson (Journal of
// Quality Technology 16 (1984) 237) that it completes.
type Point struct {
	Value       Number  `json:"value"`
	MovingRange *Number `json:"moving_range,omitempty"` // individuals
	EWMA        *Number `json:"ewma,omitempty"`
	High        *Number `json:"high,omitempty"` // cusum
	Low         *Number `json:"low,omitempty"`
	Lower       *Number `json:"lower,omitempty"` // exact ewma: limits of this point
	Upper       *Number `json:"upper,omitempty"`
	Signals     []int   `json:"signals"`
}

func chart(kind string, s Sample) Chart {
	c := Chart{Head: head(kind), N: s.Len(), Points: make([]Point, s.Len())}
	for i, v := range s.values {
		c.Points[i] = Point{Value: Number(v), Signals: []int{}}
	}
	return c
}

// Individuals charts single values: the mean ± 3 standard deviations, these
// from the mean moving range over 1.128. One value has no limits.
func Individuals(s Sample) Chart {
	return individuals(s, s.mean(), mean(s.offsets), movingRange(s)/d2)
}

// IndividualsFrom is Individuals with centre line and standard deviation of
// another time, such as of a base period.
func IndividualsFrom(s Sample, base Process) Chart {
	return individuals(s, base.Mean, base.Mean-s.values[0], base.Within)
}

func individuals(s Sample, center, middle, sd float64) Chart {
	c := chart("individuals", s)
	average := Number(movingRange(s))
	c.MovingRangeMean, c.SD = &average, Number(sd)
	c.Center, c.Lower, c.Upper = Number(center), Number(center-3*sd), Number(center+3*sd)
	z := make([]float64, s.Len())
	for i := range z {
		// Distances keep digits that the values have lost.
		z[i] = ratio(s.offsets[i]-middle, sd)
		r := undefined()
		if i > 0 {
			r = Number(math.Abs(s.offsets[i] - s.offsets[i-1]))
		}
		c.Points[i].MovingRange = &r
	}
	for i, signals := range nelson(z) {
		c.Points[i].Signals = append(c.Points[i].Signals, signals...)
	}
	return c
}

// EWMAOptions say how an exponentially weighted moving average is charted.
type EWMAOptions struct {
	Lambda float64 // weight of the newest value, above 0 and at most 1
	Start  float64 // NaN: the mean of the sample
	SD     float64 // of one value; NaN: from the mean moving range
	K      float64 // limits lie k standard deviations of the average off the start
	Exact  bool    // each point has limits of its own, which grow to the steady ones
}

// EWMA charts the average z, z ← λ·x + (1 − λ)·z. The chart's own limits are
// the steady ones: start ± k·sd·√(λ/(2 − λ)).
func EWMA(s Sample, o EWMAOptions) (Chart, error) {
	if !(o.Lambda > 0 && o.Lambda <= 1) {
		return Chart{}, fmt.Errorf("lambda %v is not above 0 and at most 1", o.Lambda)
	}
	if o.SD < 0 || !(o.K > 0) {
		return Chart{}, fmt.Errorf("sd %v and k %v: sd is not negative, k is larger than 0", o.SD, o.K)
	}
	if math.IsNaN(o.Start) {
		o.Start = s.mean()
	}
	if math.IsNaN(o.SD) {
		o.SD = movingRange(s) / d2
	}
	c := chart("ewma", s)
	steady := o.K * o.SD * math.Sqrt(o.Lambda/(2-o.Lambda))
	c.SD, c.Center, c.Lower, c.Upper = Number(o.SD), Number(o.Start), Number(o.Start-steady), Number(o.Start+steady)
	z := o.Start
	for i := range c.Points {
		p := &c.Points[i]
		z = o.Lambda*s.values[i] + (1-o.Lambda)*z
		wide := steady
		if o.Exact {
			// 1 − (1 − λ)^(2i), without cancelling for a small λ.
			wide *= math.Sqrt(-math.Expm1(2 * float64(i+1) * math.Log1p(-o.Lambda)))
			lower, upper := Number(o.Start-wide), Number(o.Start+wide)
			p.Lower, p.Upper = &lower, &upper
		}
		average := Number(z)
		p.EWMA = &average
		if math.Abs(z-o.Start) > wide {
			p.Signals = append(p.Signals, 1)
		}
	}
	return c, nil
}

// CUSUM charts the sums of what lies more than k off the target, high and low
// both counted upwards; a sum above h signals. With a standard deviation, NaN
// for none, k and h are multiples of it. The sums are in the unit of the
// data, and so are the chart's limits ± h.
func CUSUM(s Sample, target, k, h, sd float64) (Chart, error) {
	if !(k >= 0) || !(h > 0) || sd <= 0 {
		return Chart{}, fmt.Errorf("k %v, h %v, sd %v: k is not negative, h and sd are larger than 0", k, h, sd)
	}
	c := chart("cusum", s)
	c.SD = Number(sd)
	if !math.IsNaN(sd) {
		k, h = k*sd, h*sd
	}
	c.Center, c.Lower, c.Upper = Number(target), Number(-h), Number(h)
	var high, low Number
	for i := range c.Points {
		p := &c.Points[i]
		off := s.values[i] - target
		high, low = max(0, high+Number(off-k)), max(0, low+Number(-off-k))
		up, down := high, low
		p.High, p.Low = &up, &down
		if float64(max(high, low)) > h {
			p.Signals = append(p.Signals, 1)
		}
	}
	return c, nil
}
