package station

// made is what became of the units of work orders, as far back as the log was
// read.
type made struct {
	units map[string]unitMade // by serial
	good  map[string]int      // released units, by order
	inBox map[string]int      // of these, by the number of their box
}

type unitMade struct {
	order, box string
	good       bool
}

func newMade() made {
	return made{units: map[string]unitMade{}, good: map[string]int{}, inBox: map[string]int{}}
}

// noteMade keeps account of a unit's production: order and box are those of the
// attempt, "" for a change of its disposition.
func (m *made) noteMade(p Purpose, order, box, serial string, d Disposition) {
	if !counted(p) || serial == "" {
		return
	}
	m.change(serial, func(u *unitMade, known bool) {
		if order != "" || !known {
			u.order = order
		}
		if box != "" {
			u.box = box
		}
		u.good = d == Release
	})
}

// noteBox keeps account of a unit that was put into a box after its attempt.
func (m *made) noteBox(serial, box string) {
	m.change(serial, func(u *unitMade, _ bool) { u.box = box })
}

func (m *made) change(serial string, do func(u *unitMade, known bool)) {
	u, known := m.units[serial]
	if u.good {
		m.good[u.order]--
		m.inBox[u.box]--
	}
	do(&u, known)
	if u.good {
		m.good[u.order]++
		m.inBox[u.box]++
	}
	m.units[serial] = u
}
