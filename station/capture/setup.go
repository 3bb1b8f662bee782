package capture

import (
	"math"

	"example.org/panecal/station/estimate"
)

// setup reads the setup object: what the product states and a plain capture file
// leaves out. What is absent in it stays as it is without the object.
func (d *decoder) setup(n node, s *estimate.Setup) {
	zones := s.Grid.Zones()
	if m, ok := n.find(d, "directions"); ok {
		if sec, ok := m.find(d, "sec"); ok {
			s.Grid.Sec = sec.numbers(d, zones)
			for z, v := range s.Grid.Sec {
				if !(v >= 1 && v < 200) {
					d.fail(entry(sec.path, z), "%g, want 1 to 200", v)
				}
			}
		}
		if u, ok := m.find(d, "sec_u"); ok {
			s.Grid.SecU = u.numbers(d, zones)
			for z, v := range s.Grid.SecU {
				if !(math.Abs(v) < 1) {
					d.fail(entry(u.path, z), "%g, want above -1 and below 1", v)
				}
			}
		}
	}
	if m, ok := n.find(d, "datum_mm"); ok {
		s.DatumMM = m.number(d)
	}
	if m, ok := n.find(d, "unit_bin_widths"); ok && s.BinWidthsPS != nil {
		s.UnitBinWidths = m.yes(d)
	}
	for _, w := range []struct {
		key string
		to  *string
		of  []string
	}{
		{"corrects", &s.Corrects, []string{estimate.CorrectsStation, estimate.CorrectsUnit}},
		{"offsets", &s.Offsets, []string{estimate.OffsetsOne, estimate.OffsetsZones}},
		{"tilt", &s.Tilt, []string{estimate.TiltFixture, estimate.TiltUnit}},
		{"ranging", &s.Ranging, []string{estimate.RangingMean, estimate.RangingPulse}},
	} {
		if m, ok := n.find(d, w.key); ok {
			*w.to = m.text(d)
			if *w.to != w.of[0] && *w.to != w.of[1] {
				d.fail(m.path, "%q, want %s or %s", *w.to, w.of[0], w.of[1])
			}
		}
	}
	if m, ok := n.find(d, "allowances"); ok {
		d.checks(m, &s.Checks)
	}
	if m, ok := n.find(d, "budget"); ok {
		for _, t := range terms(&s.Budget) {
			if v, ok := m.find(d, t.key); ok {
				if *t.to = v.number(d); t.u && *t.to < 0 {
					d.fail(v.path, "%g, want at least 0", *t.to)
				}
			}
		}
	}
	if m, ok := n.find(d, "references"); ok {
		if v, ok := m.find(d, "temperature_cel"); ok {
			s.Budget.TempRefCel = v.number(d)
		}
	}
	if m, ok := n.find(d, "working_mm"); ok {
		s.WorkingMM = m.numbers(d, -1)
		for i, v := range s.WorkingMM {
			if !(v > 0) {
				d.fail(entry(m.path, i), "%g, want above 0", v)
			}
		}
		if len(s.WorkingMM) > 100 {
			d.fail(m.path, "%d distances, at most 100", len(s.WorkingMM))
		}
	}
	if m, ok := n.find(d, "leakage_change"); ok {
		s.LeakageChangeStated = m.atLeast(d, -1)
	}
}

// term is a part of the budget under its key.
type term struct {
	key string
	to  *float64
	u   bool // a standard uncertainty or a step: never negative
}

// terms are the parts of the budget that the setup object carries; the
// temperature of reference stands with the references.
func terms(b *estimate.Terms) []term {
	return []term{
		{"leakage_change_u", &b.LeakageChangeU, true},
		{"direction_u_rad", &b.DirectionU, true},
		{"temperature_mm_per_k", &b.TempCoeff, false},
		{"temperature_u_mm_per_k", &b.TempCoeffU, true},
		{"temperature_u_k", &b.TempU, true},
		{"pulse_shape_mm", &b.PulseShapeMM, true},
		{"bin_width", &b.BinWidth, true},
		{"bin_edge_ps", &b.BinEdgePS, true},
		{"time_base", &b.TimeBase, true},
		{"multipath_share", &b.MultipathShare, true},
		{"unseen_share", &b.UnseenShare, true},
		{"quantisation_mm", &b.QuantisationMM, true},
	}
}
