package station

// made is what became of the units of work orders, as far back as the log was
// read.
type made struct {
	units map[string]unitMade // by serial
	good  map[string]int      // released units, by order
}

type unitMade struct {
	order string
	good  bool
}

// noteMade keeps account of a unit's production: order is that of the attempt,
// "" for a change of its disposition.
func (m *made) noteMade(p Purpose, order, serial string, d Disposition) {
	if !counted(p) || serial == "" {
		return
	}
	u, known := m.units[serial]
	if u.good {
		m.good[u.order]--
	}
	if order != "" || !known {
		u.order = order
	}
	u.good = d == Release
	if u.good {
		m.good[u.order]++
	}
	m.units[serial] = u
}
