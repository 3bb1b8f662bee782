package plant

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/product"
)

// ErrNotSimulated: units of a product cannot be simulated; the error says why.
var ErrNotSimulated = errors.New("this product cannot be simulated")

// ModelOf is a unit of any product: grid, bins, field, pulse and what units
// depart by are the file's; window, light and everything else that a product
// file does not say are hopper-54's, with as much light in each zone.
func ModelOf(p *product.Product) (simunit.Model, error) {
	refuse := func(format string, a ...any) (simunit.Model, error) {
		return simunit.Model{}, fmt.Errorf("%w: %s", ErrNotSimulated, fmt.Sprintf(format, a...))
	}
	s := p.Setup
	m := simunit.Hopper54()
	zones := s.Grid.Zones()
	if len(p.Firmware) == 0 {
		return refuse("it allows no firmware")
	}
	if s.BinPS != math.Trunc(s.BinPS) || s.FirstBinPS != math.Trunc(s.FirstBinPS) {
		return refuse("its bins are %g ps wide from %g ps on, and simulated units count in whole ps: write whole ones to try it", s.BinPS, s.FirstBinPS)
	}
	if zones > mostZones || s.Bins > mostBins || zones*s.Bins > 1<<18 {
		return refuse("%d zones of %d bins are more than units announce (%d, %d)", zones, s.Bins, mostZones, mostBins)
	}
	end := s.FirstBinPS + float64(s.Bins)*s.BinPS
	last := s.Pulse.StartPS + s.Pulse.StepPS*float64(len(s.Pulse.Density)-1)
	if want := (TargetMM + 40) * 2 / 0.299792458; p.Reports == product.ReportsHistograms && end < want+last/2 {
		return refuse("its last bin ends at %g ps, and the simulated target's return, at %d mm, reaches beyond", end, TargetMM)
	}
	m.Product, m.Firmware = p.Name, p.Firmware[0]
	m.Rows, m.Cols = s.Grid.Rows, s.Grid.Cols
	m.Ux, m.Uy, m.ZoneU, m.ZoneV = nil, nil, 0, 0
	if f := p.Field; f != nil && f.Spacing == product.EqualTangent && zones > 1 {
		m.Field(f.YDeg, f.XDeg)
	} else {
		for z := range zones { // zones without area, as far away as the file says
			ux, uy := s.Grid.Ux[z], s.Grid.Uy[z]
			if s.Grid.Sec != nil {
				if r := math.Hypot(ux, uy); r > 0 {
					k := math.Sqrt(s.Grid.Sec[z]*s.Grid.Sec[z]-1) / r
					ux, uy = k*ux, k*uy
				}
			}
			m.Ux, m.Uy = append(m.Ux, ux), append(m.Uy, uy)
		}
	}
	m.Bins, m.BinPS, m.FirstBinPS = s.Bins, int64(s.BinPS), int64(s.FirstBinPS)
	m.WidthsPS = slices.Clone(s.BinWidthsPS)
	m.FirstPhoton = s.PileUp == estimate.FirstPhoton
	m.CountBits = 32
	if n := s.Checks.CountMax; n > 0 && n <= math.MaxUint16 {
		m.CountBits = 16
	}
	m.Histograms = p.Reports == product.ReportsHistograms
	m.CompensationSwitch = !p.CompensationAlwaysOn
	m.HoldsSerial = p.Label.Tie == product.TieUnit
	m.Ranging = simunit.RangePulse
	if s.Ranging == estimate.RangingMean {
		m.Ranging = simunit.RangeMean
	}
	m.Pulse = simunit.Pulse{StartPS: s.Pulse.StartPS, StepPS: s.Pulse.StepPS, Density: s.Pulse.Density}
	m.DatumMM, m.TempCoeffMM = s.DatumMM, s.Budget.TempCoeff
	share := float64(zones) / 54
	m.EnergyNJ *= share
	m.StrayAcceptance /= share
	if m.FirstPhoton { // a tenth of the light: else most shots end at the leakage
		m.EnergyNJ /= 10
	}
	m.AmbientRate *= s.BinPS / 240
	m.Departures.PulseWidthRel = 1.5 * usualShare(s.Checks.PulseWidth, 0.03)
	m.Departures.BinWidthRel = usualShare(s.Checks.BinWidth, 0.02)
	m.Departures.MultipathRel = usualShare(s.Checks.Multipath, 0.005)
	m.Departures.PowerRel = min(m.Departures.PowerRel, max(s.Budget.LeakageChangeU, 0.001))
	return m, nil
}

// What units may announce (SPEC.md 5.1).
const mostZones, mostBins = 1024, 1024

// usualShare is what a check allows; 0 is its default, below 0 none.
func usualShare(v, usual float64) float64 {
	if v == 0 {
		return usual
	}
	return max(v, 0)
}

// NewUnitOf makes the i-th unit of a product, with a label that its file takes.
func NewUnitOf(p *product.Product, i int, seed uint64, o simunit.Options) (*simunit.Unit, error) {
	m, err := ModelOf(p)
	if err != nil {
		return nil, err
	}
	if o.Serial == "" {
		if o.Serial, err = labelOf(p.Label.Rules, p.Label.Pattern, p.Label.Check, p.Name, 1+i); err != nil {
			return nil, err
		}
		if p.Label.Tie == product.TieList {
			if o.UnitID = p.Label.Pairs[o.Serial]; o.UnitID == "" {
				serials := make([]string, 0, len(p.Label.Pairs))
				for s := range p.Label.Pairs {
					serials = append(serials, s)
				}
				slices.Sort(serials)
				if i >= len(serials) {
					return nil, fmt.Errorf("%w: its list has %d pairs of label and unit, and unit %d is asked for", ErrNotSimulated, len(serials), i+1)
				}
				o.Serial, o.UnitID = serials[i], p.Label.Pairs[serials[i]]
			}
		}
	}
	u, err := simunit.New(m, seed, o)
	if err != nil {
		return nil, fmt.Errorf("making a simulated unit: %w", err)
	}
	return u, nil
}
