package record

import (
	"fmt"
	"math"
	"slices"

	"example.org/panecal/limits/quantity"
)

// Quantity is one measured quantity with its unit, so that a record can be
// read without any table. ZoneV and ZoneU are empty for a quantity without
// zones.
type Quantity struct {
	Name  quantity.Name `cbor:"1,keyasint"`
	Unit  string        `cbor:"2,keyasint"` // UCUM code
	V     float64       `cbor:"3,keyasint"`
	U     float64       `cbor:"4,keyasint"` // standard uncertainty, NaN: not stated
	ZoneV []float64     `cbor:"5,keyasint,omitempty"`
	ZoneU []float64     `cbor:"6,keyasint,omitempty"`
	// The part of U, and of each zone's, that is common to a nest or a
	// product; 0 and empty where there is none or it was not told.
	Common     float64   `cbor:"7,keyasint,omitempty" since:"2"`
	ZoneCommon []float64 `cbor:"8,keyasint,omitempty" since:"2"`
}

func (q Quantity) validate() error {
	d, ok := quantity.Lookup(q.Name)
	switch {
	case !ok:
		return fmt.Errorf("unknown quantity %q", q.Name)
	case d.Unit != q.Unit:
		return fmt.Errorf("quantity %s in %q, not %q", q.Name, q.Unit, d.Unit)
	case len(q.ZoneV) != len(q.ZoneU):
		return fmt.Errorf("quantity %s with %d zone values and %d uncertainties", q.Name, len(q.ZoneV), len(q.ZoneU))
	case len(q.ZoneCommon) != 0 && len(q.ZoneCommon) != len(q.ZoneV):
		return fmt.Errorf("quantity %s with %d zone values and %d common parts", q.Name, len(q.ZoneV), len(q.ZoneCommon))
	}
	return nil
}

// Quantities returns the record's form of s, in column order. A name without
// a definition is an error.
func Quantities(s quantity.Set) ([]Quantity, error) {
	list := make([]Quantity, 0, len(s))
	for _, d := range quantity.All() {
		m, ok := s[d.Name]
		if !ok {
			continue
		}
		q := Quantity{Name: d.Name, Unit: d.Unit, V: m.V, U: m.U, Common: m.Common}
		told := slices.ContainsFunc(m.Zones, func(z quantity.Value) bool { return z.Common != 0 })
		for _, z := range m.Zones {
			q.ZoneV = append(q.ZoneV, z.V)
			q.ZoneU = append(q.ZoneU, z.U)
			if told {
				q.ZoneCommon = append(q.ZoneCommon, z.Common)
			}
		}
		list = append(list, q)
	}
	if len(list) != len(s) {
		for n := range s {
			if _, ok := quantity.Lookup(n); !ok {
				return nil, fmt.Errorf("recording quantities: unknown quantity %q", n)
			}
		}
	}
	return list, nil
}

// Set returns the quantities of the attempt by name. Quantities that this
// program does not know are left out.
func (a *Attempt) Set() quantity.Set {
	s := make(quantity.Set, len(a.Quantities))
	for _, q := range a.Quantities {
		if _, ok := quantity.Lookup(q.Name); !ok {
			continue
		}
		m := quantity.Measured{Value: quantity.Value{V: q.V, U: q.U, Common: q.Common}}
		if len(q.ZoneV) > 0 {
			m.Zones = make([]quantity.Value, len(q.ZoneV))
			for i, v := range q.ZoneV {
				m.Zones[i] = quantity.Value{V: v, U: math.NaN()}
				if i < len(q.ZoneU) {
					m.Zones[i].U = q.ZoneU[i]
				}
				if i < len(q.ZoneCommon) {
					m.Zones[i].Common = q.ZoneCommon[i]
				}
			}
		}
		s[q.Name] = m
	}
	return s
}
