package study

import (
	"fmt"
	"time"
)

// Timed is a value and when it was measured.
type Timed struct {
	At time.Time
	V  float64
}

// ChartKinds are the kinds of chart that OfCheckUnit draws.
func ChartKinds() []string { return []string{"individuals", "ewma", "cusum"} }

// OfCheckUnit charts values, at least two, by the limits of the first base of
// them: individuals; ewma with weight 0.2 and three standard deviations of the
// average; cusum with k 0.5 and h 5 standard deviations. Where the first ones do
// not scatter it charts individuals, whatever is asked.
func OfCheckUnit(list []Timed, kind string, base int) (Chart, error) {
	x := make([]float64, len(list))
	for i, m := range list {
		x[i] = m.V
	}
	s, from := NewSample(x), Sequence(NewSample(x[:min(base, len(x))]))
	switch {
	case kind == "individuals" || !(from.Within > 0):
		return IndividualsFrom(s, from), nil
	case kind == "ewma":
		return EWMA(s, EWMAOptions{Lambda: 0.2, Start: from.Mean, SD: from.Within, K: 3})
	case kind == "cusum":
		return CUSUM(s, from.Mean, 0.5, 5, from.Within)
	}
	return Chart{}, fmt.Errorf("no chart of the kind %q: want one of %v", kind, ChartKinds())
}

// Difference gives each value of a less that of b which is nearest in time, the
// earlier of two that are equally near; nothing where b is empty. b is in the
// order of time.
func Difference(a, b []Timed) (out []Timed) {
	if len(b) == 0 {
		return nil
	}
	for _, m := range a {
		near := b[0]
		for _, o := range b {
			if o.At.Sub(m.At).Abs() < near.At.Sub(m.At).Abs() {
				near = o
			}
		}
		out = append(out, Timed{m.At, m.V - near.V})
	}
	return out
}

// Shown is where a point of a chart of that kind lies: its average, the larger
// of its two sums with its sign, or its value. A chart of sums is drawn about 0.
func (p Point) Shown(kind string) float64 {
	switch {
	case kind == "ewma" && p.EWMA != nil:
		return float64(*p.EWMA)
	case kind == "cusum" && p.High != nil:
		if *p.Low > *p.High {
			return -float64(*p.Low)
		}
		return float64(*p.High)
	}
	return float64(p.Value)
}
