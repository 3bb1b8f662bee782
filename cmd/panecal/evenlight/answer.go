package evenlight

import (
	"fmt"
	"io"
	"math"

	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
)

// answer is what `panecal bins` prints; widths and edges in ps.
type answer struct {
	Schema       string    `json:"schema"`
	Product      string    `json:"product"`
	Units        []unit    `json:"units"`
	BinPS        float64   `json:"bin_ps"`
	FirstBinPS   float64   `json:"first_bin_ps"`
	WidthsPS     []float64 `json:"bin_widths_ps"`
	WidthsUPS    []float64 `json:"bin_widths_u_ps"`
	EdgesPS      []float64 `json:"edges_ps"` // from their nominal places
	EdgesUPS     []float64 `json:"edges_u_ps"`
	Differential float64   `json:"differential"` // rms of width over nominal, less 1
	IntegralPS   float64   `json:"integral_ps"`  // rms of the edges
	ZoneRel      float64   `json:"zone_rel"`     // relative sd of a width between zones
	UnitEdgePS   *float64  `json:"unit_edge_ps"` // sd of an edge between units; null with one
	Faults       []fault   `json:"capture_faults"`
}

type unit struct {
	Port   string `json:"port"`
	Serial string `json:"serial"`
	Shots  int64  `json:"shots"`
}

type fault struct {
	Code  string `json:"code"`
	Zones []int  `json:"zones"`
}

func (a *answer) fill(id protocol.Identity, w estimate.BinWidths) {
	a.Product, a.BinPS, a.FirstBinPS = id.Product, float64(id.BinFS)/1000, float64(id.FirstBinFS)/1000
	a.WidthsPS, a.WidthsUPS = fine(w.WidthPS), fine(w.WidthUPS)
	a.EdgesPS, a.EdgesUPS = fine(w.EdgePS), fine(w.EdgeUPS)
	a.Differential, a.IntegralPS, a.ZoneRel = w.Differential, w.IntegralPS, w.ZoneRel
	if !math.IsNaN(w.UnitEdgePS) {
		a.UnitEdgePS = &w.UnitEdgePS
	}
	a.Faults = []fault{}
	for _, f := range w.Faults {
		zones := f.Zones
		if zones == nil {
			zones = []int{}
		}
		a.Faults = append(a.Faults, fault{string(f.Code), zones})
	}
}

// fine keeps hundredths of a ps, as product files write widths, and another
// digit.
func fine(v []float64) []float64 {
	out := make([]float64, len(v))
	for i, x := range v {
		out[i] = math.Round(x*1000) / 1000
	}
	return out
}

func (a *answer) write(w io.Writer) error {
	var err error
	say := func(format string, args ...any) {
		if err == nil {
			_, err = fmt.Fprintf(w, format, args...)
		}
	}
	say("%s, %d bins of %g ps\n", a.Product, len(a.WidthsPS), a.BinPS)
	for _, u := range a.Units {
		say("  %s %s, %d shots\n", u.Port, u.Serial, u.Shots)
	}
	say("\n%5s %10s %8s %10s %8s\n", "bin", "width/ps", "u/ps", "edge/ps", "u/ps")
	for b, v := range a.WidthsPS {
		say("%5d %10.2f %8.2f %10.2f %8.2f\n", b, v, a.WidthsUPS[b], a.EdgesPS[b+1], a.EdgesUPS[b+1])
	}
	say("\nedge: how far the right edge is from its even place\n")
	say("widths by themselves %.4f of a bin (rms), edges %.2f ps (rms), zones of a unit %.4f of a bin\n", a.Differential, a.IntegralPS, a.ZoneRel)
	if a.UnitEdgePS != nil {
		say("edges between units %.2f ps (sd)\n", *a.UnitEdgePS)
	}
	for _, f := range a.Faults {
		say("FAULT %s: not to be used; zones %v\n", f.Code, f.Zones)
	}
	return err
}
