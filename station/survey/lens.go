package survey

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"example.org/panecal/station/estimate"
)

// Lens is the field of view as the zones' distances tell it.
type Lens struct {
	XDeg, XDegU, YDeg, YDegU float64 // NaN where there is but one column or row
	Misfit                   float64 // chi-square over degrees of freedom
	Units                    int     // that have two distances
}

// leastApart is how far two distances of a unit must be apart to tell
// directions, mm.
const leastApart = 50

// plain is a rough field of view, tangents of half of it, from where returns
// are highest: for how a zone's area spreads its light.
func (a Axis) plain(units []Unit, all []*trace) (tx, ty float64) {
	var n [3]float64 // normal equations for tx², ty²
	var y [2]float64
	for _, pair := range a.pairs(units, all) {
		far := units[pair.far.unit].Targets
		d := far[pair.far.target].Reference.DistanceMM - far[pair.near.target].Reference.DistanceMM
		slope := (pair.far.tau - pair.near.tau) * MMPerPS / d
		p, q := a.place(pair.far.zone)
		p, q = p*p, q*q
		v := slope*slope - 1
		n[0] += p * p
		n[1] += p * q
		n[2] += q * q
		y[0] += p * v
		y[1] += q * v
	}
	det := n[0]*n[2] - n[1]*n[1]
	switch {
	case det > 1e-9:
		tx, ty = (y[0]*n[2]-y[1]*n[1])/det, (y[1]*n[0]-y[0]*n[1])/det
	case n[0] > 0:
		tx = y[0] / n[0]
	case n[2] > 0:
		ty = y[1] / n[2]
	}
	return math.Sqrt(min(max(tx, 0), 9)), math.Sqrt(min(max(ty, 0), 9))
}

// place is where a zone's middle lies in the field, -1 to 1.
func (a Axis) place(z int) (x, y float64) {
	at := func(i, n int) float64 { return float64(2*i+1-n) / float64(n) }
	return at(z%a.Cols, a.Cols), at(z/a.Cols, a.Rows)
}

type pair struct{ near, far *trace }

// pairs are the returns of a zone from the nearest and the farthest target of
// its unit.
func (a Axis) pairs(units []Unit, all []*trace) (out []pair) {
	for _, t := range all {
		if !t.significant || t.target < 0 {
			continue
		}
		near, far := ends(units[t.unit])
		if near < 0 || t.target != far {
			continue
		}
		for _, o := range all {
			if o.significant && o.unit == t.unit && o.zone == t.zone && o.target == near {
				out = append(out, pair{o, t})
				break
			}
		}
	}
	return out
}

// ends are a unit's nearest and farthest target, -1 where they are not far
// enough apart.
func ends(u Unit) (near, far int) {
	for i, t := range u.Targets {
		if t.Reference.DistanceMM < u.Targets[near].Reference.DistanceMM {
			near = i
		}
		if t.Reference.DistanceMM > u.Targets[far].Reference.DistanceMM {
			far = i
		}
	}
	if len(u.Targets) == 0 || u.Targets[far].Reference.DistanceMM-u.Targets[near].Reference.DistanceMM < leastApart {
		return -1, -1
	}
	return near, far
}

// Field makes the directions of the zones from a field of view in degrees; nil
// where there can be none.
type Field func(xDeg, yDeg float64) *estimate.Grid

// FitLens finds the field of view by how a zone's distance grows with the
// target's: with the ratio of radial to perpendicular distance. Each zone has a
// zero of its own, each capture a distance and a tilt of its own.
func FitLens(a Axis, units []Unit, p *Pulse, datumMM float64, field Field) (*Lens, error) {
	if a.Rows == 1 && a.Cols == 1 {
		return nil, failf("one zone has no field of view that a flat target tells")
	}
	var xs, ys []float64
	var vx, vy, chi, dof float64
	for i, u := range units {
		if near, _ := ends(u); near < 0 {
			continue
		}
		l, ok := lensOf(a, u, p, i, datumMM, field)
		if !ok {
			continue
		}
		xs, ys = append(xs, l.x), append(ys, l.y)
		vx += l.vx
		vy += l.vy
		chi += l.chi
		dof += l.dof
	}
	if len(xs) == 0 {
		return nil, failf("no unit was measured at two distances %d mm or more apart", leastApart)
	}
	out := &Lens{Units: len(xs), Misfit: chi / dof, XDeg: math.NaN(), XDegU: math.NaN(), YDeg: math.NaN(), YDegU: math.NaN()}
	n := float64(len(xs))
	told := func(v []float64, counts float64) (value, u float64) {
		s := Over(v)
		// Few units tell their scatter badly: then what counts and zones tell.
		u = math.Sqrt(counts*max(1, out.Misfit)) / n
		if s.N >= enough {
			u = s.U
		}
		return s.Mean, u
	}
	if a.Cols > 1 {
		out.XDeg, out.XDegU = told(xs, vx)
	}
	if a.Rows > 1 {
		out.YDeg, out.YDegU = told(ys, vy)
	}
	return out, nil
}

// enough units tell the scatter of a number that each of them has.
const enough = 6

type lensFit struct{ x, y, vx, vy, chi, dof float64 }

// Priors of a seating: the tilt's sd, a tangent; distances have their own u.
const seatSD = 0.02

func lensOf(a Axis, u Unit, p *Pulse, nth int, datumMM float64, field Field) (out lensFit, ok bool) {
	var obs []Return
	for _, r := range p.Returns {
		if r.Unit == nth && r.Target >= 0 {
			obs = append(obs, r)
		}
	}
	k := len(u.Targets)
	zone := map[int]int{}
	for _, r := range obs {
		if _, seen := zone[r.Zone]; !seen {
			zone[r.Zone] = len(zone)
		}
	}
	nz := len(zone)
	n := nz + 3*k + 2
	out.x, out.y = 40, 40
	if a.Cols == 1 {
		out.x = 1
	}
	if a.Rows == 1 {
		out.y = 1
	}
	var inverse mat.SymDense
	par := make([]float64, n) // zeros, then distance, tiltX, tiltY of each target; the field stands in out
	for range 12 {
		const e = 0.01
		g, gx, gy := field(out.x, out.y), field(out.x+e, out.y), field(out.x, out.y+e)
		if g == nil || gx == nil || gy == nil {
			return out, false
		}
		h, grad := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
		add := func(row map[int]float64, r, v float64) {
			for i, x := range row {
				grad.SetVec(i, grad.AtVec(i)+x*r/v)
				for j, y := range row {
					if j >= i {
						h.SetSym(i, j, h.At(i, j)+x*y/v)
					}
				}
			}
		}
		out.chi, out.dof = 0, -float64(nz)-2
		model := func(g *estimate.Grid, r Return) float64 {
			t := u.Targets[r.Target]
			at := nz + 3*r.Target
			d := t.Reference.DistanceMM + datumMM + par[at]
			return sec(g, r.Zone) * d / (1 - (par[at+1]+t.SlopeX)*g.Ux[r.Zone] - (par[at+2]+t.SlopeY)*g.Uy[r.Zone])
		}
		for _, r := range obs {
			mm := r.PS * MMPerPS
			at := nz + 3*r.Target
			m := model(g, r)
			d := u.Targets[r.Target].Reference.DistanceMM
			res := mm - m - par[zone[r.Zone]]
			v := r.U * r.U * MMPerPS * MMPerPS
			row := map[int]float64{zone[r.Zone]: 1, at: sec(g, r.Zone), at + 1: d * g.Ux[r.Zone], at + 2: d * g.Uy[r.Zone]}
			if a.Cols > 1 {
				row[n-2] = (model(gx, r) - m) / e
			}
			if a.Rows > 1 {
				row[n-1] = (model(gy, r) - m) / e
			}
			add(row, res, v)
			out.chi += res * res / v
			out.dof++
		}
		for i := range k {
			du := max(u.Targets[i].Reference.DistanceUMM, 1e-3)
			for j, sd := range [3]float64{du, seatSD, seatSD} {
				add(map[int]float64{nz + 3*i + j: 1}, -par[nz+3*i+j], sd*sd)
			}
		}
		for i := range n {
			h.SetSym(i, i, h.At(i, i)*(1+1e-12)+1e-12)
		}
		var c mat.Cholesky
		if !c.Factorize(h) {
			return out, false
		}
		var step mat.VecDense
		if c.SolveVecTo(&step, grad) != nil || c.InverseTo(&inverse) != nil {
			return out, false
		}
		for i := range par[:n-2] {
			par[i] += step.AtVec(i)
		}
		dx, dy := step.AtVec(n-2), step.AtVec(n-1)
		out.x = min(max(out.x+dx, out.x/2), 160)
		out.y = min(max(out.y+dy, out.y/2), 160)
		if math.Abs(dx)+math.Abs(dy) < 1e-4 {
			break
		}
	}
	out.vx, out.vy = inverse.At(n-2, n-2), inverse.At(n-1, n-1)
	out.dof = max(out.dof-float64(2*k), 1)
	return out, true
}

func sec(g *estimate.Grid, z int) float64 {
	if g.Sec != nil {
		return g.Sec[z]
	}
	return math.Sqrt(1 + g.Ux[z]*g.Ux[z] + g.Uy[z]*g.Uy[z])
}
