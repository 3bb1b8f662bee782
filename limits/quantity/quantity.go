package quantity

import (
	"fmt"
	"math"
	"slices"
)

// Name identifies a measured quantity, such as "leakage.max". Limits files,
// records and rows all speak of quantities by name.
type Name string

// The quantities. Their definitions stand in the table of measurands of
// package station/estimate; their units and row columns in [All].
const (
	LeakageMax          Name = "leakage.max"
	LeakageTotal        Name = "leakage.total"
	LeakageXBalance     Name = "leakage.x_balance"
	LeakageYBalance     Name = "leakage.y_balance"
	LeakageLate         Name = "leakage.late"
	LeakageDistance     Name = "leakage.distance"
	LeakageChange       Name = "leakage.change"
	PulseWidth          Name = "pulse.width"
	PulseMisfit         Name = "pulse.misfit"
	AmbientMax          Name = "ambient.max"
	StraySignificance   Name = "stray.significance"
	RateMax             Name = "rate.max"
	OffsetMean          Name = "offset.mean"
	OffsetSpread        Name = "offset.spread"
	OffsetUncertainty   Name = "offset.uncertainty"
	SignalRatio         Name = "signal.ratio"
	SeatTilt            Name = "seat.tilt"
	EstimatorDifference Name = "estimator.difference"
	VerifyError         Name = "verify.error"
	VerifyErrorFar      Name = "verify.error_far"
	RangeErrorProjected Name = "range.error_projected"
	Temperature         Name = "temperature"
	ZonesDead           Name = "zones.dead"
	ZonesHot            Name = "zones.hot"
	SignalMin           Name = "signal.min"
	TargetMisfit        Name = "target.misfit"
	ZonesMisfit         Name = "zones.misfit"
	ZonesNoSignal       Name = "zones.no_signal"
)

// Definition says what is fixed about a quantity for ever.
type Definition struct {
	Name   Name
	Unit   string // UCUM code
	Zoned  bool   // one value a zone; the value shown is the zone that matters most
	Column int    // first column of a Row; never reused, never moved
}

// Width returns how many columns of a Row the quantity takes: value and u,
// and for a zoned quantity the highest and lowest value ± k·u for k = 0 to 3.
func (d Definition) Width() int {
	if d.Zoned {
		return 2 + 2*Guards
	}
	return 2
}

// Guards is how many guard factors k = 0, 1 … Guards-1 a Row keeps of a zoned
// quantity.
const Guards = 4

var definitions = []Definition{
	{LeakageMax, "{count}/{shot}", true, 0},
	{LeakageTotal, "{count}/{shot}", false, 10},
	{LeakageXBalance, "1", false, 12},
	{LeakageYBalance, "1", false, 14},
	{LeakageLate, "1", false, 16},
	{LeakageDistance, "mm", false, 18},
	{LeakageChange, "1", false, 20},
	{PulseWidth, "ps", false, 22},
	{PulseMisfit, "1", false, 24},
	{AmbientMax, "{count}/{shot}", true, 26},
	{StraySignificance, "1", false, 36},
	{RateMax, "{count}/{shot}", true, 38},
	{OffsetMean, "mm", false, 48},
	{OffsetSpread, "mm", false, 50},
	{OffsetUncertainty, "mm", false, 52},
	{SignalRatio, "1", false, 54},
	{SeatTilt, "deg", false, 56},
	{EstimatorDifference, "mm", false, 58},
	{VerifyError, "mm", true, 60},
	{VerifyErrorFar, "mm", true, 70},
	{RangeErrorProjected, "mm", false, 80},
	{Temperature, "Cel", false, 82},
	{ZonesDead, "{zone}", false, 84},
	{ZonesHot, "{zone}", false, 86},
	{SignalMin, "{count}/{shot}", true, 88},
	{TargetMisfit, "1", false, 98},
	{ZonesMisfit, "{zone}", false, 100},
	{ZonesNoSignal, "{zone}", false, 102},
}

// Columns is the length of a Row.
const Columns = 104

// All returns every definition in column order. The slice is the caller's.
func All() []Definition { return slices.Clone(definitions) }

// Lookup finds a definition by name.
func Lookup(n Name) (Definition, bool) {
	i := slices.IndexFunc(definitions, func(d Definition) bool { return d.Name == n })
	if i < 0 {
		return Definition{}, false
	}
	return definitions[i], true
}

// Value is a measured number with its standard uncertainty, both in the unit
// of its quantity. U is NaN where no uncertainty is stated. Common is the part
// of U that all units of a nest or a product have alike (the target's
// distance, product data): it shifts them together and is no part of what
// they scatter by. It is 0 where there is none, or none is told.
type Value struct{ V, U, Common float64 }

// Own is the part of U that varies from unit to unit, counting and the like:
// U² = Own² + Common². It is NaN where no uncertainty is stated.
func (v Value) Own() float64 {
	if math.IsNaN(v.U) {
		return v.U
	}
	return math.Sqrt(max(0, v.U*v.U-v.Common*v.Common))
}

// Measured is one quantity as measured on one unit. Zones holds the value of
// each zone of a zoned quantity (row-major, NaN where a zone is flagged) and
// is nil for others; Value is then that of one zone, which [Worst] or [Least]
// picks.
type Measured struct {
	Value
	Zones []Value
}

// High returns the value that an upper limit is held against: the largest
// value + k·u over the zones, or V + k·U for a quantity without zones. A
// missing uncertainty counts as zero.
func (m Measured) High(k float64) float64 { return m.extreme(k) }

// Low returns the value that a lower limit is held against: the smallest
// value − k·u over the zones, or V − k·U.
func (m Measured) Low(k float64) float64 { return -m.negated().extreme(k) }

func (m Measured) extreme(k float64) float64 {
	if m.Zones == nil {
		return m.plus(k)
	}
	worst := math.NaN()
	for _, z := range m.Zones {
		if e := z.plus(k); !math.IsNaN(e) && !(e <= worst) {
			worst = e
		}
	}
	return worst
}

func (m Measured) negated() Measured {
	n := Measured{Value: Value{-m.V, m.U, m.Common}}
	if m.Zones != nil {
		n.Zones = make([]Value, len(m.Zones))
		for i, z := range m.Zones {
			n.Zones[i] = Value{-z.V, z.U, z.Common}
		}
	}
	return n
}

func (v Value) plus(k float64) float64 {
	if math.IsNaN(v.U) {
		return v.V
	}
	return v.V + k*v.U
}

// Worst makes a zoned quantity: its Value is the finite zone value of the
// largest magnitude, NaN where there is none.
func Worst(zones []Value) Measured {
	m := Measured{Value: Value{V: math.NaN(), U: math.NaN()}, Zones: zones}
	for _, z := range zones {
		if !math.IsNaN(z.V) && !(math.Abs(z.V) <= math.Abs(m.V)) {
			m.Value = z
		}
	}
	return m
}

// Least makes a zoned quantity of which little is bad: its Value is the
// smallest zone value, NaN where there is none.
func Least(zones []Value) Measured {
	m := Measured{Value: Value{V: math.NaN(), U: math.NaN()}, Zones: zones}
	for _, z := range zones {
		if !math.IsNaN(z.V) && !(z.V >= m.V) {
			m.Value = z
		}
	}
	return m
}

// Set holds the quantities measured on one unit. A quantity that was not
// computed is absent.
type Set map[Name]Measured

// Put adds a quantity without zones.
func (s Set) Put(n Name, v, u float64) { s[n] = Measured{Value: Value{V: v, U: u}} }

// Row is the compact form of a Set: Columns numbers, NaN where absent.
type Row []float64

// Row returns the compact form of s. A name without a definition is an error.
func (s Set) Row() (Row, error) {
	r := make(Row, Columns)
	for i := range r {
		r[i] = math.NaN()
	}
	for n, m := range s {
		d, ok := Lookup(n)
		if !ok {
			return nil, fmt.Errorf("making a row: unknown quantity %q", n)
		}
		c := r[d.Column:]
		c[0], c[1] = m.V, m.U
		if !d.Zoned {
			continue
		}
		for k := range Guards {
			c[2+k] = m.High(float64(k))
			c[2+Guards+k] = m.Low(float64(k))
		}
	}
	return r, nil
}

// High returns what an upper limit on n with guard factor k is held against,
// and false where the row cannot say: the quantity is absent, or it is zoned
// and k is none of 0, 1, 2, 3.
func (r Row) High(n Name, k float64) (float64, bool) { return r.extreme(n, k, 1) }

// Low is High for a lower limit.
func (r Row) Low(n Name, k float64) (float64, bool) { return r.extreme(n, k, -1) }

func (r Row) extreme(n Name, k, sign float64) (float64, bool) {
	d, ok := Lookup(n)
	if !ok || d.Column+d.Width() > len(r) || math.IsNaN(r[d.Column]) {
		return 0, false
	}
	c := r[d.Column:]
	if !d.Zoned {
		return Value{V: c[0], U: c[1]}.plus(sign * k), true
	}
	i := int(k)
	if k != float64(i) || i < 0 || i >= Guards {
		return 0, false
	}
	if sign < 0 {
		i += Guards
	}
	return c[2+i], true
}
