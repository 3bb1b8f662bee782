package station

import "time"

// site is where days begin and end.
func (m *Machine) site() *time.Location {
	if m.cfg.Site != nil {
		return m.cfg.Site
	}
	return m.now.Location()
}

// dayOf names the day of a time at the site.
func (m *Machine) dayOf(at time.Time) string { return at.In(m.site()).Format(time.DateOnly) }

// dateEnds is when a date is over at the site: it counts to the end of its day,
// which has 23, 24 or 25 hours.
func (m *Machine) dateEnds(date time.Time) time.Time {
	y, month, d := date.Date()
	return time.Date(y, month, d+1, 0, 0, 0, 0, m.site())
}

// daysLeft is how many days come after today until a date is over.
func (m *Machine) daysLeft(date time.Time) int {
	y, month, d := m.now.In(m.site()).Date()
	today := time.Date(y, month, d, 0, 0, 0, 0, time.UTC)
	y, month, d = date.Date()
	return int(time.Date(y, month, d, 0, 0, 0, 0, time.UTC).Sub(today).Hours() / 24)
}

// WarnedBefore are the days before a date ends on which it is spoken of, the
// soonest first; from the second on it stays on the screen.
func WarnedBefore() []int { return []int{1, 7, 30} }

// warnDates says which certificates end soon, each once as one of the days of
// WarnedBefore is reached.
func (m *Machine) warnDates() {
	for _, n := range m.nests {
		date, level := m.files.Sheet.Nests[n.index].Due, 0
		if date.IsZero() || !m.now.Before(m.dateEnds(date)) {
			continue
		}
		for _, days := range WarnedBefore() {
			if m.daysLeft(date) <= days {
				level = days
				break
			}
		}
		if level != n.warned && level != 0 {
			m.announce(n.index, NoticeDueSoon, m.dueArgs(n, date))
		}
		n.warned = level
	}
}

func (m *Machine) dueArgs(n *nest, date time.Time) Args {
	return Args{Nest: n.sheet.Name, Detail: Day(date.Format(time.DateOnly)), Other: Count(m.daysLeft(date))}
}

// datesStanding are the dates that end within a week.
func (m *Machine) datesStanding() []Message {
	var all []Message
	for _, n := range m.nests {
		if n.warned == 1 || n.warned == 7 {
			all = append(all, Message{Nest: n.index, Code: NoticeDueSoon, Args: m.dueArgs(n, m.files.Sheet.Nests[n.index].Due)})
		}
	}
	return all
}
