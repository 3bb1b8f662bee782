package estimate_test

import (
	"math"
	"math/rand/v2"

	"example.org/panecal/station/estimate"
)

const halfC = 0.299792458 / 2 // mm/ps

// gaussian is a pulse table of a normal density, sd sigma (ps), to ±4 sigma
// or as far as reach says.
func gaussian(sigma, step float64, reach ...float64) estimate.Pulse {
	far := 4.0
	if len(reach) > 0 {
		far = reach[0]
	}
	n := int(math.Ceil(far * sigma / step))
	p := estimate.Pulse{StartPS: -float64(n) * step, StepPS: step}
	for i := -n; i <= n; i++ {
		x := float64(i) * step / sigma
		p.Density = append(p.Density, math.Exp(-x*x/2))
	}
	return p
}

// skewed is a fast rise and an exponential tail blurred by sigma: an
// exponentially modified normal density with its mode near zero.
func skewed(sigma, tail, step float64) estimate.Pulse {
	p := estimate.Pulse{StartPS: -4 * sigma, StepPS: step}
	for t := p.StartPS; t < 5*sigma+9*tail; t += step {
		p.Density = append(p.Density, emg(t, sigma, tail))
	}
	return p
}

func emg(t, sigma, tail float64) float64 {
	l := 1 / tail
	return l / 2 * math.Exp(l/2*(l*sigma*sigma-2*t)) * math.Erfc((l*sigma*sigma-t)/(sigma*math.Sqrt2))
}

// truth is what a simulated zone is made of. Rates are photons per shot.
type truth struct {
	leak, leakTau    float64
	ambient          float64
	signal, tau      float64
	ambientTarget    float64
	gain             float64 // leakage in the target capture over the empty one
	width            float64 // of the pulse over the product's
	binScale         []float64
	edges            []float64 // true edges of the bins, ps, where they are not even
	multipath, delay float64
	stray, strayTau  float64 // in the empty capture
}

// source draws captures; it shares no code with the estimator.
type source struct {
	bins      int
	w, first  float64
	pulse     estimate.Pulse
	area      float64
	firstOnly bool
	rng       *rand.Rand
	cum       []float64
	ratesE    []float64
	ratesT    []float64
	edges     []float64 // as in truth
}

func newSource(s estimate.Setup, rng *rand.Rand) *source {
	g := &source{bins: s.Bins, w: s.BinPS, first: s.FirstBinPS, pulse: s.Pulse, firstOnly: s.PileUp == estimate.FirstPhoton, rng: rng}
	d := s.Pulse.Density
	g.cum = make([]float64, len(d))
	for i := 1; i < len(d); i++ {
		g.cum[i] = g.cum[i-1] + (d[i]+d[i-1])/2*s.Pulse.StepPS
	}
	g.area = g.cum[len(d)-1]
	g.ratesE, g.ratesT = make([]float64, g.bins), make([]float64, g.bins)
	return g
}

func (g *source) integral(x float64) float64 {
	u := (x - g.pulse.StartPS) / g.pulse.StepPS
	n := len(g.pulse.Density)
	if u <= 0 {
		return 0
	}
	if u >= float64(n-1) {
		return 1
	}
	i := int(u)
	r := u - float64(i)
	a, b := g.pulse.Density[i], g.pulse.Density[i+1]
	return (g.cum[i] + g.pulse.StepPS*(a*r+(b-a)*r*r/2)) / g.area
}

// edge is the true left edge of a bin.
func (g *source) edge(b int) float64 {
	if g.edges != nil {
		return g.edges[b]
	}
	return g.first + float64(b)*g.w
}

func (g *source) share(b int, tau, width float64) float64 {
	if g.edges != nil {
		return g.integral((g.edges[b+1]-tau)/width) - g.integral((g.edges[b]-tau)/width)
	}
	x := g.first + float64(b)*g.w - tau
	return g.integral((x+g.w)/width) - g.integral(x/width)
}

// rates fills ratesE and ratesT for t.
func (g *source) rates(t truth) {
	width := t.width
	if width == 0 {
		width = 1
	}
	gain := t.gain
	if gain == 0 {
		gain = 1
	}
	g.edges = t.edges
	for b := range g.bins {
		wide := 1.0
		if t.edges != nil {
			wide = (t.edges[b+1] - t.edges[b]) / g.w
		}
		leak := t.leak * g.share(b, t.leakTau, width)
		e := leak + t.ambient*wide
		if t.stray > 0 {
			e += t.stray * g.share(b, t.strayTau, width)
		}
		s := t.signal * g.share(b, t.tau, width)
		if t.multipath > 0 {
			s += t.signal * t.multipath * (g.share(b, t.tau+t.delay, width) - g.share(b, t.tau, width))
		}
		y := s + t.ambientTarget*wide + gain*leak
		if t.binScale != nil {
			e *= t.binScale[b]
			y *= t.binScale[b]
		}
		g.ratesE[b], g.ratesT[b] = e, y
	}
}

// draw fills counts with a capture of the rates.
func (g *source) draw(rates []float64, shots int64, counts []uint32) {
	left := float64(shots)
	for b, r := range rates {
		if !g.firstOnly {
			counts[b] = uint32(poisson(g.rng, r*float64(shots)))
			continue
		}
		k := binomial(g.rng, left, -math.Expm1(-r))
		counts[b] = uint32(k)
		left -= k
	}
}

// poisson draws by multiplication for small means and by Hörmann's
// transformed rejection (PTRS, 1993) for others: exact in both.
func poisson(rng *rand.Rand, mean float64) float64 {
	if mean < 12 {
		l, k, p := math.Exp(-mean), 0.0, rng.Float64()
		for p > l {
			k++
			p *= rng.Float64()
		}
		return k
	}
	sq := math.Sqrt(mean)
	lm := math.Log(mean)
	b := 0.931 + 2.53*sq
	a := -0.059 + 0.02483*b
	inv := 1.1239 + 1.1328/(b-3.4)
	vr := 0.9277 - 3.6224/(b-2)
	for {
		u := rng.Float64() - 0.5
		v := rng.Float64()
		us := 0.5 - math.Abs(u)
		k := math.Floor((2*a/us+b)*u + mean + 0.43)
		if us >= 0.07 && v <= vr {
			return k
		}
		if k < 0 || us < 0.013 && v > us {
			continue
		}
		lg, _ := math.Lgamma(k + 1)
		if math.Log(v)+math.Log(inv)-math.Log(a/(us*us)+b) <= -mean+k*lm-lg {
			return k
		}
	}
}

// binomial draws exactly: Poisson thinning is not binomial, so small means by
// counting waiting times and others by halving with a beta split would be
// slow; a normal start with rejection against the exact ratio is used.
func binomial(rng *rand.Rand, n, p float64) float64 {
	if n <= 0 || p <= 0 {
		return 0
	}
	if p >= 1 {
		return n
	}
	if p > 0.5 {
		return n - binomial(rng, n, 1-p)
	}
	if n*p < 12 { // geometric gaps
		k, i, l := 0.0, 0.0, math.Log1p(-p)
		for {
			i += math.Floor(math.Log(1-rng.Float64())/l) + 1
			if i > n {
				return k
			}
			k++
		}
	}
	// Hörmann's BTRS, 1993.
	spq := math.Sqrt(n * p * (1 - p))
	b := 1.15 + 2.53*spq
	a := -0.0873 + 0.0248*b + 0.01*p
	c := n*p + 0.5
	vr := 0.92 - 4.2/b
	alpha := (2.83 + 5.1/b) * spq
	lpq := math.Log(p / (1 - p))
	m := math.Floor((n + 1) * p)
	lg := func(x float64) float64 { v, _ := math.Lgamma(x + 1); return v }
	h := lg(m) + lg(n-m)
	for {
		u := rng.Float64() - 0.5
		v := rng.Float64()
		us := 0.5 - math.Abs(u)
		k := math.Floor((2*a/us+b)*u + c)
		if us >= 0.07 && v <= vr {
			return k
		}
		if k < 0 || k > n {
			continue
		}
		v = math.Log(v * alpha / (a/(us*us) + b))
		if v <= h-lg(k)-lg(n-k)+(k-m)*lpq {
			return k
		}
	}
}

// hopper is the demonstration product: 6 x 9 zones, 100 bins of 250 ps.
func hopper(rows, cols int) estimate.Setup {
	s := estimate.Setup{
		Grid: estimate.Grid{Rows: rows, Cols: cols}, Bins: 100, BinPS: 250, FirstBinPS: -1500,
		LeakageWindowPS: [2]float64{-1500, 2500}, Pulse: gaussian(350, 25),
	}
	for r := range rows {
		for c := range cols {
			s.Grid.Ux = append(s.Grid.Ux, 0.08*(float64(c)-float64(cols-1)/2))
			s.Grid.Uy = append(s.Grid.Uy, 0.08*(float64(r)-float64(rows-1)/2))
		}
	}
	return s
}

// sec is radial over perpendicular distance.
func sec(s estimate.Setup, z int) float64 {
	return math.Sqrt(1 + s.Grid.Ux[z]*s.Grid.Ux[z] + s.Grid.Uy[z]*s.Grid.Uy[z])
}
