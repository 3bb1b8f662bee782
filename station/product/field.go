package product

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"

	"example.org/panecal/station/estimate"
)

// How the zones divide the field of view.
const (
	EqualTangent = "equal-tangent" // zones of equal width on a plane: a rectilinear lens
	EqualAngle   = "equal-angle"   // zones of equal angle
)

// EvenFalloff is the power p of a unit with even radiant intensity before a
// Lambertian plane: the signal of a patch du·dv of the plane falls with
// (1+u²)^(-p/2), three powers for its solid angle, one each for the plane's
// and the receiver's obliquity, two for the distance.
const EvenFalloff = 7

// falloffDoubt is how far p may be off: lenses and diffusers differ by about
// a power from what they are designed for (common practice, no source).
const falloffDoubt = 1

// field expands the rule to what each zone sees of a plane: the
// signal-weighted mean over its area, not its middle. Row 0 is the top and
// has the negative uy, column 0 the left and the negative ux.
func (r reader) field(t gridTable, g *estimate.Grid) *Field {
	ok := true
	for _, f := range []struct {
		key string
		v   *float64
	}{{"fov_x_deg", t.FovXDeg}, {"fov_y_deg", t.FovYDeg}} {
		if f.v == nil {
			r.d.Report(f.key+" is missing", "add "+f.key+" = …, from edge to edge", "grid", f.key)
			ok = false
		} else if !(*f.v > 0 && *f.v < 170) {
			r.d.Report(fmt.Sprintf("%s of %v degrees", f.key, *f.v), "write an angle above 0 and under 170, from edge to edge", "grid", f.key)
			ok = false
		}
	}
	p := float64(EvenFalloff)
	if t.FalloffPower != nil {
		if p = *t.FalloffPower; !(p >= 0 && p <= 100) {
			r.d.Report(fmt.Sprintf("falloff_power of %v", p), "write 0 to 100; even light before a matt plane is 7", "grid", "falloff_power")
			ok = false
		}
	}
	r.oneOf(t.Spacing, []string{EqualTangent, EqualAngle}, "grid", "spacing")
	if !ok {
		return nil
	}
	f := &Field{XDeg: *t.FovXDeg, YDeg: *t.FovYDeg, Spacing: t.Spacing, FalloffPower: p}
	*g = f.Grid(g.Rows, g.Cols)
	return f
}

// Field is a field of view from edge to edge and how its zones divide it.
type Field struct {
	XDeg, YDeg   float64
	Spacing      string  // EqualTangent or EqualAngle
	FalloffPower float64 // of the signal of a patch of a plane; EvenFalloff for even light
}

// Grid is what each zone sees of a plane.
func (f Field) Grid(rows, cols int) estimate.Grid {
	g := estimate.Grid{Rows: rows, Cols: cols}
	// edge is the tangent of the left or upper edge of zone i of n.
	edge := func(i, n int, deg float64) float64 {
		half := deg / 2 * math.Pi / 180
		at := float64(2*i-n) / float64(n) // −1 to 1 over the field
		if f.Spacing == EqualAngle {
			return math.Tan(at * half)
		}
		return at * math.Tan(half)
	}
	for row := range g.Rows {
		top, bottom := edge(row, g.Rows, f.YDeg), edge(row+1, g.Rows, f.YDeg)
		for col := range g.Cols {
			m := seen(f.FalloffPower, edge(col, g.Cols, f.XDeg), edge(col+1, g.Cols, f.XDeg), top, bottom)
			g.Ux, g.Uy = append(g.Ux, m.ux), append(g.Uy, m.uy)
			g.Sec, g.SecU = append(g.Sec, m.sec), append(g.SecU, m.secU)
		}
	}
	return g
}

// zoneMean is what a zone sees of a plane square to the unit: the
// signal-weighted mean of radial over perpendicular distance, its uncertainty
// by the falloff's, and the direction in which it changes with the plane's
// tilt, the mean of (u, v) weighted by signal and distance.
type zoneMean struct{ ux, uy, sec, secU float64 }

// seen integrates over the zone from left to right and top to bottom,
// tangents, by Gauss and Legendre over the angles: so even a field of nearly
// 180° is a smooth function.
func seen(p, left, right, top, bottom float64) zoneMean {
	const points = 16
	var u, wu, v, wv [points]float64
	along := func(u, w []float64, from, to float64) {
		quad.Legendre{}.FixedLocations(u, w, math.Atan(from), math.Atan(to))
		for i, a := range u {
			u[i] = math.Tan(a)
			w[i] *= 1 + u[i]*u[i]
		}
	}
	along(u[:], wu[:], left, right)
	along(v[:], wv[:], top, bottom)
	var radial, x, y float64
	var mean [3]struct{ signal, radial float64 } // p less its doubt, p, p more
	for i := range u {
		for j := range v {
			s := math.Sqrt(1 + u[i]*u[i] + v[j]*v[j])
			w := wu[i] * wv[j] * math.Pow(s, -p)
			x += w * s * u[i]
			y += w * s * v[j]
			radial += w * s
			for k, w := range [3]float64{w * s, w, w / s} {
				mean[k].signal += w
				mean[k].radial += w * s
			}
		}
	}
	sec := func(k int) float64 { return mean[k].radial / mean[k].signal }
	return zoneMean{ux: x / radial, uy: y / radial, sec: sec(1), secU: falloffDoubt * (sec(0) - sec(2)) / 2}
}
