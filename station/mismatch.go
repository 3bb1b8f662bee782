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
	shape := func(why Reason, is, want any) (Code, Args) {
		return RefusedShape, Args{Detail: Because{why, Verbatim(fmt.Sprint(is)), Verbatim(fmt.Sprint(want))}}
	}
	lacks := func(why Reason) (Code, Args) { return RefusedShape, Args{Detail: Because{Reason: why}} }
	switch {
	case id.Product != p.Name:
		return RefusedProduct, Args{Detail: Verbatim(id.Product), Other: Verbatim(p.Name)}
	case id.ProtoLow > protocol.Version || id.ProtoHigh < protocol.Version:
		return RefusedVersion, Args{Detail: Between{int(id.ProtoLow), int(id.ProtoHigh)}, Other: Count(protocol.Version)}
	case !slices.Contains(p.Firmware, id.Firmware):
		return RefusedFirmware, Args{Detail: Verbatim(id.Firmware)}
	case id.Rows != s.Grid.Rows || id.Cols != s.Grid.Cols:
		return shape(ReasonGrid, fmt.Sprintf("%dx%d", id.Rows, id.Cols), fmt.Sprintf("%dx%d", s.Grid.Rows, s.Grid.Cols))
	}
	if p.Reports == product.ReportsSummary {
		if !id.Kinds.Has(protocol.Ranges) {
			return lacks(ReasonRanges)
		}
		return "", Args{}
	}
	const psPerFS = 1e-3
	switch {
	case !id.Kinds.Has(protocol.Histograms):
		return lacks(ReasonHistograms)
	case id.Bins != s.Bins:
		return shape(ReasonBins, id.Bins, s.Bins)
	case !near(float64(id.BinFS)*psPerFS, s.BinPS):
		return shape(ReasonBinWidth, float64(id.BinFS)*psPerFS, s.BinPS)
	case !near(float64(id.FirstBinFS)*psPerFS, s.FirstBinPS):
		return shape(ReasonFirstBin, float64(id.FirstBinFS)*psPerFS, s.FirstBinPS)
	case pileUp(s.PileUp) != id.PileUp:
		return shape(ReasonPileUp, id.PileUp, pileUp(s.PileUp))
	case f.unitRanges() && !id.Kinds.Has(protocol.Ranges):
		return lacks(ReasonRanges)
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
