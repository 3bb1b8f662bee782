package simunit

import (
	"fmt"
	"math"

	"example.org/panecal/station/window"
)

// Ranging says how a unit turns counts into its own ranges.
type Ranging string

const (
	RangeMean  Ranging = "mean"  // signal-weighted mean of all net counts; does not resolve returns
	RangePulse Ranging = "pulse" // least-squares fit of the product's pulse; resolves them
)

// Model is a product as simulated: nominal values, their spread from unit to
// unit, and how far units depart from what a station assumes of them. All
// numbers of the models here are invented.
type Model struct {
	Product, Firmware string

	Rows, Cols int
	Ux, Uy     []float64 // direction of the middle of each zone, row-major, tangents
	ZoneU      float64   // width of a zone along x and y, tangents; 0 is a zone without area
	ZoneV      float64

	Bins               int
	BinPS, FirstBinPS  int64
	WidthsPS           []float64 // nominal, of each bin, as long together as the axis; nil: all are BinPS
	PulseRepetitionNS  int64     // one shot every so often
	FirstPhoton        bool      // at most one photon a shot and zone
	CountBits          int       // 16 or 32; counts saturate
	Histograms         bool      // reports histograms, not only ranges
	CompensationSwitch bool      // can range without its stored constants
	HoldsSerial        bool
	Ranging            Ranging
	Pulse              Pulse

	Window          window.Window // nominal
	EnergyNJ        float64       // of one pulse
	OpticsT         float64       // receiver optics, one pass
	Detection       float64       // probability that a photon is counted
	StrayAcceptance float64       // share of the leakage at the aperture that reaches one zone
	StrayXSlope     float64       // relative change of the acceptance from the middle to the right edge
	StrayLaw        StrayLaw      // instead of the slope: the acceptance follows from where the light comes
	AmbientRate     float64       // counts per shot and bin
	DatumMM         float64       // from the fixture's reference plane to the unit's optical zero
	OffsetMM        float64       // mean zero error of the product
	TempCoeffMM     float64       // of the offset, per K from 25 Cel
	PowerPerK       float64       // relative change of the laser power, per K from 25 Cel

	DeadZones, HotZones []int // defects, for units made to have them

	Spread     Spread
	Departures Departures
}

// Spread is the standard deviation from unit to unit; relative where the name
// says Rel.
type Spread struct {
	GapMM, ThicknessMM, TiltDeg, Index float64
	AcceptanceRel                      float64 // of the unit
	ZoneAcceptanceRel                  float64 // of each zone
	ScatterRho                         float64 // mean dirt on each face, exponentially distributed
	EnergyRel                          float64
	ZoneGainRel                        float64 // sensitivity of each zone
	AmbientRel                         float64
	OffsetMM, ZoneOffsetMM             float64 // common to the unit; of each zone
	TempCel                            float64 // of the air around 24 Cel
	TempCoeffMM                        float64
	SensorCel                          float64 // error of the unit's thermometer
	SeatTiltDeg                        float64 // of each seating, about each axis
}

// Departures are what a station is not told. Their zero value is a unit that
// follows the measurement model.
type Departures struct {
	PulseWidthRel    float64    // largest deviation of the pulse's width, uniform
	PowerRel         float64    // sd of the laser power from capture to capture
	BinWidthRel      float64    // sd of each bin's width, independent in each zone; bin centres stay
	BinWalkRel       float64    // sd of widths that add up along the axis, common to the zones; its length stays
	MultipathRel     float64    // share of the target's signal that comes late
	MultipathDelayPS [2]float64 // and how late, uniform
	DistanceSDMM     float64    // sd of the target's true distance about the stated one
}

// UsualDepartures are those that a unit has by default: pulse width ± 3 %,
// laser power 1 % between captures, bin widths 2 % and another 0.2 % that add
// up, multipath 0.5 % delayed by 0.2 to 2 ns, target distance 0.15 mm.
func UsualDepartures() Departures {
	return Departures{PulseWidthRel: 0.03, PowerRel: 0.01, BinWidthRel: 0.02, BinWalkRel: 0.002, MultipathRel: 0.005,
		MultipathDelayPS: [2]float64{200, 2000}, DistanceSDMM: 0.15}
}

// StrayLaw says how a receiver scatters light from outside its field into a
// zone: with (shoulder² + |β − β₀|²)^(−power/2), or with exp(−|β − β₀|/scale) where
// a scale is given; β and β₀ are the direction sines of the zone and of the light.
// (The first is Harvey's, Light-Scattering Characteristics of Optical Surfaces,
// 1976; from memory. The second is only another one.) Light from the window
// arrives along the baseline, which is the x axis with the emitter to the right.
// The mean over the zones is 1 for the light of the nominal window; the zero
// value is no law.
type StrayLaw struct{ Power, Shoulder, Scale float64 }

// shares are the zones' parts of light that arrives at a direction sine.
func (s StrayLaw) shares(m *Model, sine float64) []float64 {
	out := make([]float64, m.Zones())
	for z := range out {
		root := math.Sqrt(1 + m.Ux[z]*m.Ux[z] + m.Uy[z]*m.Uy[z])
		x, y := m.Ux[z]/root-sine, m.Uy[z]/root
		if s.Scale > 0 {
			out[z] = math.Exp(-math.Hypot(x, y) / s.Scale)
			continue
		}
		out[z] = math.Pow(s.Shoulder*s.Shoulder+x*x+y*y, -s.Power/2)
	}
	return out
}

// Zones is the number of zones.
func (m Model) Zones() int { return m.Rows * m.Cols }

func (m Model) check() error {
	switch {
	case m.Rows < 1 || m.Cols < 1 || len(m.Ux) != m.Zones() || len(m.Uy) != m.Zones():
		return fmt.Errorf("model %s: grid %d×%d with %d and %d directions", m.Product, m.Rows, m.Cols, len(m.Ux), len(m.Uy))
	case m.WidthsPS != nil && len(m.WidthsPS) != m.Bins:
		return fmt.Errorf("model %s: %d widths for %d bins", m.Product, len(m.WidthsPS), m.Bins)
	case m.Bins < 8 || m.BinPS < 1 || m.PulseRepetitionNS < 1:
		return fmt.Errorf("model %s: %d bins of %d ps every %d ns", m.Product, m.Bins, m.BinPS, m.PulseRepetitionNS)
	case m.CountBits != 16 && m.CountBits != 32:
		return fmt.Errorf("model %s: counts of %d bits", m.Product, m.CountBits)
	case m.Ranging != RangeMean && m.Ranging != RangePulse:
		return fmt.Errorf("model %s: ranging %q", m.Product, m.Ranging)
	case !(m.Window.GapMM > 0) || !(m.Window.BaselineMM > 0) || !(m.Window.Plate.Index > 1):
		return fmt.Errorf("model %s: window without gap, baseline or index", m.Product)
	}
	return nil
}

// photonNJ is the energy of a photon at 940 nm.
const photonNJ = 2.11324e-10

// Hopper54 is the fill-level sensor for feed silos: 6 rows × 9 columns,
// histograms and ranges.
func Hopper54() Model {
	m := Model{
		Product: "hopper-54", Firmware: "1.4.0", Rows: 6, Cols: 9,
		Bins: 96, BinPS: 240, FirstBinPS: -2880, PulseRepetitionNS: 100,
		CountBits: 32, Histograms: true, CompensationSwitch: true, HoldsSerial: true,
		Ranging: RangePulse,
		Pulse:   skewedPulse(200, 260, -1200, 25, 193),
		Window: window.Window{Plate: window.NewPlate(window.Materials()[0], 0.94, 1.1),
			BaselineMM: 2.5, GapMM: 0.4, HalfPowerDeg: 25, ApertureMM2: 0.2, TopReflectance: 0.1},
		EnergyNJ: 0.1, OpticsT: 0.7, Detection: 0.05,
		StrayAcceptance: 6.4e-6, StrayXSlope: 0.3, AmbientRate: 1.2e-4, DatumMM: 1.6,
		OffsetMM: 4, TempCoeffMM: 0.06, PowerPerK: -0.002,
		Spread: Spread{GapMM: 0.04, ThicknessMM: 0.015, TiltDeg: 0.3, Index: 0.001,
			AcceptanceRel: 0.12, ZoneAcceptanceRel: 0.08, ScatterRho: 2e-4, EnergyRel: 0.04, ZoneGainRel: 0.05,
			AmbientRel: 0.1, OffsetMM: 5, ZoneOffsetMM: 0.8, TempCel: 1.5, TempCoeffMM: 0.01,
			SensorCel: 0.2, SeatTiltDeg: 0.1},
		Departures: UsualDepartures(),
	}
	m.Field(34, 48)
	return m
}

// Hopper1 is the small sensor of the same family: one zone, ranges only, the
// signal-weighted mean of everything it counts.
func Hopper1() Model {
	m := Hopper54()
	m.Product, m.Firmware = "hopper-1", "0.9.2"
	m.Rows, m.Cols, m.Ux, m.Uy, m.ZoneU, m.ZoneV = 1, 1, []float64{0}, []float64{0}, 0, 0
	m.Histograms, m.Ranging = false, RangeMean
	m.StrayXSlope, m.EnergyNJ = 0, 0.004
	m.StrayAcceptance, m.AmbientRate = 1.9e-4, 2e-4
	return m
}

// Field spreads zones evenly in tangent over a field (rectilinear lens): row 0
// is the top, column 0 the left.
func (m *Model) Field(heightDeg, widthDeg float64) {
	m.ZoneU = 2 * math.Tan(widthDeg*math.Pi/360) / float64(m.Cols)
	m.ZoneV = 2 * math.Tan(heightDeg*math.Pi/360) / float64(m.Rows)
	m.Ux, m.Uy = nil, nil
	for r := range m.Rows {
		for c := range m.Cols {
			m.Ux = append(m.Ux, m.ZoneU*(float64(c)-float64(m.Cols-1)/2))
			m.Uy = append(m.Uy, m.ZoneV*(float64(r)-float64(m.Rows-1)/2))
		}
	}
}
