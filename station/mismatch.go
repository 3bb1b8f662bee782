package station

import (
	"fmt"
	"math"
	"slices"

	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/product"
)

// mismatch compares what the unit says of itself with the product file.
func (f *Files) mismatch(id protocol.Identity) (Code, Args) {
	p, s := f.Product, f.Product.Setup
	shape := func(what string, is, want any) (Code, Args) {
		return RefusedShape, Args{Detail: fmt.Sprintf("%s is %v, not %v", what, is, want)}
	}
	switch {
	case id.Product != p.Name:
		return RefusedProduct, Args{Detail: id.Product, Other: p.Name}
	case id.ProtoLow > protocol.Version || id.ProtoHigh < protocol.Version:
		return RefusedVersion, Args{Detail: fmt.Sprintf("%d to %d", id.ProtoLow, id.ProtoHigh), Other: fmt.Sprint(protocol.Version)}
	case !slices.Contains(p.Firmware, id.Firmware):
		return RefusedFirmware, Args{Detail: id.Firmware}
	case id.Rows != s.Grid.Rows || id.Cols != s.Grid.Cols:
		return shape("the grid", fmt.Sprintf("%dx%d", id.Rows, id.Cols), fmt.Sprintf("%dx%d", s.Grid.Rows, s.Grid.Cols))
	}
	if p.Reports == product.ReportsSummary {
		if !id.Kinds.Has(protocol.Ranges) {
			return shape("ranges", "missing", "reported")
		}
		return "", Args{}
	}
	const psPerFS = 1e-3
	switch {
	case !id.Kinds.Has(protocol.Histograms):
		return shape("histograms", "missing", "reported")
	case id.Bins != s.Bins:
		return shape("the number of bins", id.Bins, s.Bins)
	case !near(float64(id.BinFS)*psPerFS, s.BinPS):
		return shape("the bin width in ps", float64(id.BinFS)*psPerFS, s.BinPS)
	case !near(float64(id.FirstBinFS)*psPerFS, s.FirstBinPS):
		return shape("the first bin in ps", float64(id.FirstBinFS)*psPerFS, s.FirstBinPS)
	case pileUp(s.PileUp) != id.PileUp:
		return shape("pile-up", id.PileUp, pileUp(s.PileUp))
	case f.unitRanges() && !id.Kinds.Has(protocol.Ranges):
		return shape("ranges", "missing", "reported")
	}
	return "", Args{}
}

// near: the wire carries whole femtoseconds.
func near(a, b float64) bool { return math.Abs(a-b) <= 1e-3 }

func pileUp(p estimate.PileUp) protocol.PileUp {
	if p == estimate.FirstPhoton {
		return protocol.FirstPhoton
	}
	return protocol.PileUpNone
}
