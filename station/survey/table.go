package survey

import "math"

// table is a density linear between points that are a step apart, zero outside
// them, about its own mean; its logarithm is what is fitted.
type table struct {
	start, step float64
	log         []float64
	q, cum      []float64 // density and its integral at the points
}

func newTable(start, step float64, points int, log func(t float64) float64) *table {
	t := &table{start: start, step: step, log: make([]float64, points), q: make([]float64, points), cum: make([]float64, points)}
	for i := range t.log {
		t.log[i] = log(t.point(i))
	}
	t.normalise()
	return t
}

func (t *table) point(i int) float64 { return t.start + float64(i)*t.step }

// least is the logarithm of a density that counts as none.
const least = -60

// normalise gives the table unit area.
func (t *table) normalise() {
	area := 0.0
	for i, l := range t.log {
		t.q[i] = math.Exp(max(l, least))
		if i > 0 {
			area += t.step * (t.q[i-1] + t.q[i]) / 2
		}
	}
	for i := range t.log {
		t.log[i] = max(t.log[i], least) - math.Log(area)
		t.q[i] /= area
		if i > 0 {
			t.cum[i] = t.cum[i-1] + t.step*(t.q[i-1]+t.q[i])/2
		}
	}
}

// mean is that of the density.
func (t *table) mean() float64 {
	m := 0.0
	for i := 1; i < len(t.q); i++ {
		a, b := t.q[i-1], t.q[i]
		m += t.step * (t.point(i-1)*(a+b)/2 + t.step*(a+2*b)/6)
	}
	return m
}

// at is the integral up to x, and the density there.
func (t *table) at(x float64) (integral, density float64) {
	u := (x - t.start) / t.step
	if !(u > 0) {
		return 0, 0
	}
	i := int(u)
	if i >= len(t.q)-1 {
		return 1, 0
	}
	r := u - float64(i)
	d := t.q[i+1] - t.q[i]
	return t.cum[i] + t.step*r*(t.q[i]+d*r/2), t.q[i] + d*r
}

// hat is how much of the area under point i lies before x, for a density of 1
// there and 0 at its neighbours.
func (t *table) hat(i int, x float64) float64 {
	u := (x - t.point(i)) / t.step
	switch {
	case u <= -1:
		return 0
	case u <= 0:
		if i == 0 {
			return 0
		}
		return t.step * (1 + u) * (1 + u) / 2
	}
	area := t.step / 2
	if i == 0 {
		area = 0
	}
	if i == len(t.q)-1 {
		return area
	}
	u = min(u, 1)
	return area + t.step*(u-u*u/2)
}

// reach are the points whose areas reach into [x, y).
func (t *table) reach(x, y float64) (from, to int) {
	from = int(math.Floor((x - t.start) / t.step))
	to = int(math.Floor((y-t.start)/t.step)) + 2
	return min(max(from, 0), len(t.q)), min(max(to, 0), len(t.q))
}

// mode is where the density is highest: the top of the parabola through the
// logarithms of the highest point and its two neighbours.
func (t *table) mode() float64 {
	top := 1
	for i := 1; i < len(t.q)-1; i++ {
		if t.q[i] > t.q[top] {
			top = i
		}
	}
	l, m, r := t.log[top-1], t.log[top], t.log[top+1]
	bend := l - 2*m + r
	if !(bend < 0) {
		return t.point(top)
	}
	return t.point(top) + t.step*(l-r)/(2*bend)
}

// fwhm is the full width at half of the highest density.
func (t *table) fwhm() float64 {
	top := 0.0
	for _, q := range t.q {
		top = max(top, q)
	}
	top /= 2
	var left, right float64
	for i := 1; i < len(t.q); i++ {
		a, b := t.q[i-1], t.q[i]
		at := t.point(i-1) + t.step*(top-a)/(b-a)
		if a < top && b >= top && left == 0 {
			left = at
		}
		if a >= top && b < top {
			right = at
		}
	}
	return right - left
}
