package survey

import (
	"math"
)

// Pulse is what the units' pulses have in common: their mean, the highest point
// at 0.
type Pulse struct {
	StartPS, StepPS float64
	Density, U      []float64 // 1/ps, and its standard uncertainty
	FWHM, FWHMU     float64   // ps
	Mean, MeanU     float64   // ps, from the highest point

	Width, WidthU []float64 // of each unit over the mean of all
	// LeakagePS is the sd that the paths of the leakage add to the pulse, 0 where
	// none is seen; LateShare how much of a target's light comes 0.4 to 2 ns
	// late.
	LeakagePS, LeakagePSU float64
	LateShare, LateShareU float64
	BinWidth, BinWidthU   float64 // relative sd of a bin's counts beyond chance
	Freedom               float64 // degrees of freedom that the smoothing leaves the table
	Units                 int

	Returns []Return
	Dark    [][]int // of each unit, the zones that see no light of its own
}

// Return is one return as a zone of a unit saw it.
type Return struct {
	Unit, Zone, Target int     // Target -1: the leakage
	PS, U              float64 // delay of the pulse
	Rate, RateU        float64 // counts per shot
}

// MMPerPS is half the speed of light.
const MMPerPS = 299.792458 / 2 / 1000

// steps of the fit at most; it takes some 12.
const mostSteps = 40

// FitPulse fits the pulse of units that all have targets.
func FitPulse(a Axis, units []Unit) (*Pulse, error) {
	if err := a.check(units); err != nil {
		return nil, err
	}
	all, sd := a.seeds(units)
	if sd == 0 {
		return nil, failf("no zone of any unit sees light of its own: is the emitter on?")
	}
	tx, ty := a.plain(units, all)
	var used []*trace
	dark := make([][]int, len(units))
	targets := 0
	seen := make([]int, len(units))
	for _, t := range all {
		if !t.significant {
			if t.target >= 0 || len(units[t.unit].Targets) == 0 {
				dark[t.unit] = append(dark[t.unit], t.zone)
			}
			continue
		}
		if t.target >= 0 {
			targets++
			seen[t.unit]++
			t.spread = a.spread(t.zone, tx, ty) * units[t.unit].Targets[t.target].Reference.DistanceMM / MMPerPS
		}
		used = append(used, t)
	}
	if targets == 0 {
		return nil, failf("no zone of any unit sees a target: bring it to the distance that the list says")
	}
	for i, n := range seen {
		if n == 0 {
			return nil, failf("unit %s sees no target: was it brought to the distance that the list says?", units[i].Serial)
		}
	}
	f := newFit(a, used, len(units), sd)
	f.folds = foldsOf(a, used, units)
	f.settle(4)
	for i, last := 0, math.Inf(1); ; i++ {
		f.shadow()
		moved := f.step()
		if math.IsNaN(moved) || i == mostSteps {
			return nil, failf("the pulse's fit finds no end: leave out units whose captures differ from the others'")
		}
		f.settle(2)
		if f.phase++; f.phase == 1 && moved > 1e-2 {
			f.phase = 0
		}
		if f.phase > settled {
			if moved < 2e-4 {
				break
			}
			if moved > last/2 {
				f.damp = max(f.damp/2, 0.1)
			}
			last = moved
		}
	}
	return f.pulse(dark)
}

// mostFolds is how many parts the captures are cut into at most.
const mostFolds = 12

// foldsOf says which captures are left out together: those of a unit, as what
// goes wrong is shared by its zones; of one or two units, those of some zones or
// distances.
func foldsOf(a Axis, all []*trace, units []Unit) int {
	for _, t := range all {
		switch {
		case len(units) > 2:
			t.fold = t.unit % mostFolds
		case a.Zones() > 1:
			t.fold = (4*t.unit + t.zone%4)
		default:
			t.fold = (4*t.unit + (t.target+1)%4)
		}
	}
	if len(units) > 2 {
		return min(len(units), mostFolds)
	}
	return 4 * len(units)
}

// pulse reads the result off the fit.
func (f *fit) pulse(dark [][]int) (*Pulse, error) {
	cov, freedom, ok := f.covariance()
	if !ok {
		return nil, failf("the pulse's fit finds no end: leave out units whose captures differ from the others'")
	}
	k := len(f.p.q)
	mode := f.p.mode()
	out := &Pulse{StepPS: f.p.step, Units: len(f.width), Freedom: freedom, Dark: dark}
	at := func(t *table, i int) float64 { _, d := t.at(out.StartPS + float64(i)*t.step + t.mode()); return d }
	// The first step of the table lies a whole number of steps before 0.
	first := int(math.Floor((f.p.start - mode) / f.p.step))
	out.StartPS = float64(first) * f.p.step
	top := 0.0
	for _, q := range f.p.q {
		top = max(top, q)
	}
	end := 0
	for i := range k + 2 {
		d := at(f.p, i)
		out.Density = append(out.Density, d)
		if d > 1e-6*top {
			end = i
		}
	}
	begin := 0
	for begin < end && out.Density[begin] <= 1e-6*top {
		begin++
	}
	begin = max(begin-1, 0)
	out.Density = append(out.Density[begin:end+1:end+1], 0)
	out.StartPS += float64(begin) * f.p.step
	out.Density[0] = 0
	n := len(out.Density)
	out.U = make([]float64, n)
	out.FWHM, out.Mean = f.p.fwhm(), f.p.mean()-mode

	// Derivatives of what is told by the logarithms, one by one.
	const e = 1e-3
	jac := make([][]float64, n+3)
	for i := range jac {
		jac[i] = make([]float64, k)
	}
	other := newTable(f.p.start, f.p.step, k, func(float64) float64 { return 0 })
	for i := range k {
		copy(other.log, f.p.log)
		other.log[i] += e
		other.normalise()
		other.start = f.p.start
		for j := 1; j < n-1; j++ {
			jac[j][i] = (at(other, j) - out.Density[j]) / e
		}
		jac[n][i] = (other.fwhm() - out.FWHM) / e
		jac[n+1][i] = (other.mean() - other.mode() - out.Mean) / e
	}
	u := func(row []float64) float64 {
		v := 0.0
		for i, x := range row {
			if x == 0 {
				continue
			}
			for j, y := range row {
				v += x * y * cov.At(i, j)
			}
		}
		return math.Sqrt(max(v, 0))
	}
	for j := 1; j < n-1; j++ {
		out.U[j] = u(jac[j])
	}
	out.FWHMU, out.MeanU = u(jac[n]), u(jac[n+1])
	for i, w := range f.width {
		out.Width = append(out.Width, w)
		out.WidthU = append(out.WidthU, math.Sqrt(cov.At(k+i, k+i)))
	}
	at0 := k + len(f.width)
	out.LeakagePS = math.Sqrt(max(2*f.broad, 0))
	out.LeakagePSU = math.Sqrt(cov.At(at0, at0)) / max(out.LeakagePS, math.Sqrt(2*math.Sqrt(cov.At(at0, at0))))
	v := 0.0
	for i := range f.later {
		out.LateShare += f.later[i]
		for j := range f.later {
			v += cov.At(at0+1+i, at0+1+j)
		}
	}
	out.LateShareU = math.Sqrt(max(v, 0))
	out.BinWidth = math.Sqrt(f.rel2)
	strong := 0.0
	for _, t := range f.traces {
		im := f.image(t)
		for j, s := range im.s {
			x := t.a * s
			if c := f.rel2 * x * x; c > 0 {
				s := c / f.variance(t, j, im.s[j])
				strong += s * s
			}
		}
		out.Returns = append(out.Returns, Return{Unit: t.unit, Zone: t.zone, Target: t.target, PS: t.tau + mode, U: math.Sqrt(t.tauV), Rate: t.a, RateU: math.Sqrt(f.rateV(t, im))})
	}
	if strong > 0 {
		out.BinWidthU = out.BinWidth / math.Sqrt(2*strong)
	}
	return out, nil
}

func (f *fit) rateV(t *trace, im image) float64 {
	inv, _ := f.local(t, im)
	return inv[4]
}

// spread is the sd of radial over perpendicular distance over a zone's area.
func (a Axis) spread(z int, tx, ty float64) float64 {
	x, y := a.place(z)
	x, y = x*tx, y*ty
	dx, dy := 2*tx/float64(a.Cols), 2*ty/float64(a.Rows)
	return math.Sqrt((x*x*dx*dx+y*y*dy*dy)/12) / math.Sqrt(1+x*x+y*y)
}

// Smoothing says in words what the pulse's fit assumes of its shape.
const Smoothing = "penalised likelihood: 10 times the integral of the squared third derivative of ln(density), time in units of the pulse's sd"

// Reach is where at most a share eps of the pulse lies on either side, ps.
func (p *Pulse) Reach(eps float64) (from, to float64) {
	sum, i, j := 0.0, 0, len(p.Density)-1
	for _, d := range p.Density {
		sum += d
	}
	for s := p.Density[0]; i < j && s <= eps*sum; s += p.Density[i] {
		i++
	}
	for s := p.Density[j]; j > i && s <= eps*sum; s += p.Density[j] {
		j--
	}
	return p.StartPS + float64(i)*p.StepPS, p.StartPS + float64(j)*p.StepPS
}
