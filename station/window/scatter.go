package window

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

const hemisphere = 90 // degrees: a receiver without a cone

// ScatterPerRho returns the fraction of the emitted power that a diffuse back
// reflectance of 1 on the inner face would bring into 1 mm² of aperture, for a
// receiver that sees a cone of the given half angle (90 = everything). Linear
// in reflectance and aperture; tilt is left out.
func (w Window) ScatterPerRho(receiverHalfDeg float64) float64 {
	w.ApertureMM2 = 1
	p, ok := w.scattered(0, receiverHalfDeg)
	if !ok {
		return 0
	}
	return p.Fraction
}

func (p *Path) scale(rho float64) {
	p.Weight *= rho
	p.Fraction *= rho
}

// scattered integrates over the receiver's directions: emitter to a spot on
// the face at depth thick inside the plate (0 = inner face), Lambertian
// scatter, spot to receiver. Light to and from the outer face passes the inner
// one twice. Under a gasket only light counts that enters on the emitter's side
// of the strip and leaves on the other.
//
// Both integrals are Gauss-Legendre with panels that end where the emitter's
// bright spot is, so that nodes crowd there: 1e-7 of the integral or better.
func (w Window) scattered(thick, receiverHalfDeg float64) (Path, bool) {
	const nodes = 72
	gap, n := w.GapMM, w.Plate.Index
	if w.GasketMM > 0 && thick == 0 {
		return Path{}, false
	}
	bright := math.Asinh(w.BaselineMM / (gap + thick/n))
	limit := math.Asinh((w.BaselineMM + 15*(gap+thick)) / gap)
	if receiverHalfDeg < hemisphere {
		limit = math.Asinh(math.Tan(radians(receiverHalfDeg)))
	}
	edges := []float64{0, bright, limit}
	if limit <= bright {
		edges = []float64{0, limit}
	}
	m := w.lobe()
	var at, weight [nodes]float64
	var turn, turnWeight [nodes]float64
	quad.Legendre{}.FixedLocations(turn[:], turnWeight[:], 0, math.Pi)

	var sum, flight, geometric, along float64
	for panel := range len(edges) - 1 {
		quad.Legendre{}.FixedLocations(at[:], weight[:], edges[panel], edges[panel+1])
		for i, x := range at {
			u := math.Sinh(x)
			back := direct(u, gap, thick, n)
			r := gap*u + thick*math.Tan(math.Asin(back.sin/n))
			// cos a sin a da /π, with a = atan(sinh x)
			seen := back.cos * back.sin * back.cos / math.Pi * weight[i]
			backPass := w.pass(back, thick)
			for j, phi := range turn {
				sin, cos := math.Sincos(phi)
				x, y := w.BaselineMM-r*cos, r*sin
				out := solve(math.Hypot(x, y), gap, thick, n)
				if w.GasketMM > 0 && !w.passesGasket(x, y, out, back) {
					continue
				}
				lit := (m + 1) / (2 * math.Pi) * math.Pow(out.cos, m) * out.spread * w.pass(out, thick)
				part := 2 * turnWeight[j] * seen * lit * backPass
				air := gap/out.cos + gap/back.cos
				inside := thick/insideCos(n, out.sin) + thick/insideCos(n, back.sin)
				sum += part
				flight += part * (air + inside*w.Plate.GroupIndex)
				geometric += part * (air + inside)
				along += part * back.sin * cos
			}
		}
	}
	if sum == 0 {
		return Path{}, false
	}
	p := Path{Face: InnerScatter, GapTrips: 1, Weight: 1, Fraction: sum * w.ApertureMM2,
		ArrivalDeg: degrees(math.Asin(along / sum)), FlightMM: flight / sum, GeometricMM: geometric / sum}
	if thick > 0 {
		p.Face, p.PlateTrips = OuterScatter, 1
	}
	return p, true
}

// direct is the ray of a known direction.
func direct(u, gap, thick, n float64) ray {
	root := math.Sqrt(1 + u*u)
	return ray{sin: u / root, cos: 1 / root, tan: u}
}

// pass is the share that crosses the inner face and a thickness of plate.
func (w Window) pass(v ray, thick float64) float64 {
	if thick == 0 {
		return 1
	}
	inside := insideCos(w.Plate.Index, v.sin)
	rs, rp := fresnel(w.Plate.Index, v.cos, inside)
	return (1 - (rs+rp)/2) * math.Exp(-w.Plate.AbsorptionPerMM*thick/inside)
}

// passesGasket says whether light from the emitter to the spot (x, y) enters
// the plate before the strip and leaves behind it.
func (w Window) passesGasket(x, y float64, out, back ray) bool {
	enter := w.GapMM * out.tan * x / math.Max(math.Hypot(x, y), 1e-12)
	leave := w.BaselineMM + w.GapMM*back.tan*(x-w.BaselineMM)/math.Max(math.Hypot(x-w.BaselineMM, y), 1e-12)
	return enter <= (w.BaselineMM-w.GasketMM)/2 && leave >= (w.BaselineMM+w.GasketMM)/2
}
