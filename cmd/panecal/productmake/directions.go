package productmake

import (
	"errors"
	"fmt"
	"math"

	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/product"
	"example.org/panecal/station/survey"
)

// directions of the zones: from a lens, as flat targets give the size of a
// direction and never its azimuth.
func (w *work) directions(id protocol.Identity) {
	d := w.draft
	w.says("grid.rows", id.Rows)
	w.says("grid.cols", id.Cols)
	if d.says("grid.ux") {
		d.put("grid.ux", nil, "")
		d.put("grid.uy", nil, "")
		return
	}
	if id.Zones() == 1 {
		d.set("grid.ux", []float64{0}, standIn)
		d.set("grid.uy", []float64{0}, standIn)
		w.grid = &estimate.Grid{Rows: 1, Cols: 1, Ux: []float64{0}, Uy: []float64{0}}
		w.answer.undetermined("grid.ux", "a flat target does not tell where the only zone looks: straight ahead is assumed")
		return
	}
	spacing, _ := d.docs["grid.spacing"].(string)
	if spacing == "" {
		spacing = product.EqualTangent
	}
	falloff := float64(product.EvenFalloff)
	if v, ok := d.number("grid.falloff_power"); ok {
		falloff = v
	}
	datum, _ := d.number("range.datum_mm")
	field := func(x, y float64) *estimate.Grid {
		if !(x > 0 && x < 170 && y > 0 && y < 170) {
			return nil
		}
		g := product.Field{XDeg: x, YDeg: y, Spacing: spacing, FalloffPower: falloff}.Grid(id.Rows, id.Cols)
		return &g
	}
	lens, err := survey.FitLens(w.axis, w.units, w.pulse, datum, field)
	for _, f := range [...]struct {
		key      string
		value, u func() float64
		n        int
	}{
		{"grid.fov_x_deg", func() float64 { return lens.XDeg }, func() float64 { return lens.XDegU }, id.Cols},
		{"grid.fov_y_deg", func() float64 { return lens.YDeg }, func() float64 { return lens.YDegU }, id.Rows},
	} {
		switch {
		case err != nil:
			w.wanting(f.key, 40.0, fmt.Sprintf("%v; measure units at two distances, or write what the lens's drawing says", errors.Unwrap(err)))
		case f.n == 1:
			w.wanting(f.key, 1.0, "one row or column does not tell how wide the field is across it")
		default:
			w.answer.determined(f.key, f.value(), f.u(), "deg")
			d.put(f.key, f.value(), fmt.Sprintf("measured, u %.2g", f.u()))
		}
	}
	w.wanting("grid.spacing", spacing, "the lens's drawing says whether zones are equal in tangent or in angle; equal-tangent is assumed, and the azimuth of each zone with it")
	d.put("grid.falloff_power", falloff, "chosen: even light before a matt target")
	if err == nil {
		w.grid = field(orOne(lens.XDeg), orOne(lens.YDeg))
		id := max(finite(lens.XDegU/lens.XDeg), finite(lens.YDegU/lens.YDeg))
		// Of the outermost direction.
		d.put("budget.direction_u_rad", id*math.Tan(max(finite(lens.XDeg), finite(lens.YDeg))*math.Pi/360), "from u of the field of view")
	}
}

// orOne is a field of view, or the stand-in for what one column or row does not
// tell.
func orOne(deg float64) float64 {
	if math.IsNaN(deg) {
		return 1
	}
	return deg
}
