package export

import (
	"io"
	"math"
	"strings"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Zone is one zone of an attempt: a row of the table of zones.
type Zone struct {
	*store.Row
	zones *record.Zones
	set   quantity.Set
	index int // row-major
}

// Zones gives the zones of an attempt, row by row, until each returns an error. The
// row is that of the attempt a; an attempt that measured no zones has none. What each
// is given is only valid during the call.
func Zones(r *store.Row, a *record.Attempt, each func(*Zone) error) error {
	z := Zone{Row: r, zones: &a.Zones, set: a.Set()}
	for z.index = range a.Zones.Rows * a.Zones.Cols {
		if err := each(&z); err != nil {
			return err
		}
	}
	return nil
}

// NewZoneWriter begins a table of zones on w.
func NewZoneWriter(w io.Writer, f Format) (*Table[Zone], error) {
	return newTable(w, f, "zones", zoneColumns())
}

// WriteZoneUnits writes the UCUM code of each column of the table of zones that holds
// a quantity, as CSV.
func WriteZoneUnits(w io.Writer) error { return writeUnits(w, zoneColumns()) }

// of returns the value of the zone in a list that has one a zone.
func (z *Zone) of(list []float64) cell {
	if z.index >= len(list) {
		return measured(math.NaN())
	}
	return measured(list[z.index])
}

// quantity returns the zone's value of a quantity, or its standard uncertainty.
func (z *Zone) quantity(n quantity.Name, u bool) cell {
	zones := z.set[n].Zones
	switch {
	case z.index >= len(zones):
		return measured(math.NaN())
	case u:
		return measured(zones[z.index].U)
	}
	return measured(zones[z.index].V)
}

// zoneColumns returns the columns of the table of zones in order: what names the
// attempt, the zone, each quantity that has zones, and what only a zone has.
func zoneColumns() []column[Zone] {
	type of = column[Zone]
	var list []of
	for _, c := range columns()[:attemptColumns] {
		list = append(list, of{c.name, c.kind, c.unit, func(z *Zone) cell { return c.get(z.Row) }})
	}
	list = append(list,
		of{"row", whole, "", func(z *Zone) cell { return count(int64(z.index / z.zones.Cols)) }},
		of{"column", whole, "", func(z *Zone) cell { return count(int64(z.index % z.zones.Cols)) }})
	for _, d := range quantity.All() {
		if d.Zoned {
			list = append(list,
				of{string(d.Name), number, d.Unit, func(z *Zone) cell { return z.quantity(d.Name, false) }},
				of{string(d.Name) + "_u", number, d.Unit, func(z *Zone) cell { return z.quantity(d.Name, true) }})
		}
	}
	// A quantity that comes later goes behind these.
	return append(list,
		of{"range_mm", number, "mm", func(z *Zone) cell { return z.of(z.zones.RangeMM) }},
		of{"range_mm_u", number, "mm", func(z *Zone) cell { return z.of(z.zones.RangeUMM) }},
		of{"offset_mm", number, "mm", func(z *Zone) cell { return z.of(z.zones.OffsetMM) }},
		of{"offset_mm_u", number, "mm", func(z *Zone) cell { return z.of(z.zones.OffsetUMM) }},
		of{"leakage_distance_mm", number, "mm", func(z *Zone) cell { return z.of(z.zones.LeakageDistanceMM) }},
		of{"ambient_bin", number, "{count}/{shot}", func(z *Zone) cell { return z.of(z.zones.Ambient) }},
		of{"flags", text, "", func(z *Zone) cell {
			if z.index >= len(z.zones.Flags) {
				return word("")
			}
			return word(strings.Join(z.zones.Flags[z.index], " "))
		}})
}
