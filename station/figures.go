package station

import (
	"cmp"
	"math"
	"slices"
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/store/record"
)

// figures are the station's own account of a shift.
type figures struct {
	counters Counters
	since    time.Time            // when the shift began
	good     map[string]time.Time // by serial: units released in this shift, and when
	pauses   []pause
	lifted   []Lifted
}

// pause is a time in which nobody works; until is zero while it lasts.
type pause struct{ from, until time.Time }

// Lifted is a stop that has ended in this shift.
type Lifted struct {
	Code   Code
	Args   Args // Nest among them
	At     time.Time
	By     string // pseudonym, "" where nobody said who
	Method string // as on record
}

// Tally counts the units of one soft bin.
type Tally struct {
	SoftBin int
	Name    string
	Text    limits.Text // for people, where a limits file in force knows the bin
	Units   int
}

// NestTally is how units do in one nest at their first attempt.
type NestTally struct {
	Name          string
	First, Passed int
}

// newFigures begin with a shift.
func newFigures(at time.Time) figures { return figures{since: at, good: map[string]time.Time{}} }

// tally counts a unit, the soft bin of most units first.
func tally(list []Tally, bin int, name string) []Tally {
	i := slices.IndexFunc(list, func(t Tally) bool { return t.SoftBin == bin })
	if i < 0 {
		i = len(list)
		list = append(list, Tally{SoftBin: bin, Name: name})
	}
	list[i].Units++
	slices.SortStableFunc(list, func(a, b Tally) int { return cmp.Or(cmp.Compare(b.Units, a.Units), cmp.Compare(a.SoftBin, b.SoftBin)) })
	return list
}

// add enters a result.
func (f *figures) add(a *record.Attempt, at time.Time) {
	c, j := &f.counters, &a.Judgement
	if j.Disposition == Hold {
		c.Held++
	}
	if !counted(a.Run.Purpose) || a.Outcome != Passed && a.Outcome != Failed {
		return
	}
	c.Units++
	if a.Outcome == Passed {
		c.Passed++
	} else {
		c.Failed++
		c.Bins = tally(c.Bins, j.SoftBin, j.SoftName)
	}
	f.stands(a.Run.Serial, j.Disposition, at)
	if a.Run.AttemptNo != 1 {
		return
	}
	i := slices.IndexFunc(c.Nests, func(t NestTally) bool { return t.Name == a.Run.Nest })
	if i < 0 {
		c.Nests = append(c.Nests, NestTally{Name: a.Run.Nest})
		slices.SortFunc(c.Nests, func(a, b NestTally) int { return cmp.Compare(a.Name, b.Name) })
		i = slices.IndexFunc(c.Nests, func(t NestTally) bool { return t.Name == a.Run.Nest })
	}
	c.First++
	c.Nests[i].First++
	if a.Outcome == Passed {
		c.FirstPassed++
		c.Nests[i].Passed++
	}
}

// stands takes in where a unit is now: what is released is output, once.
func (f *figures) stands(serial string, d Disposition, at time.Time) {
	if d != Release {
		delete(f.good, serial)
	} else if _, already := f.good[serial]; !already {
		f.good[serial] = at
	}
}

// rest begins a pause, or ends it.
func (f *figures) rest(on bool, at time.Time) {
	k := len(f.pauses)
	resting := k > 0 && f.pauses[k-1].until.IsZero()
	switch {
	case on && !resting:
		f.pauses = append(f.pauses, pause{from: at})
	case !on && resting:
		f.pauses[k-1].until = at
	}
}

// restsSince reports whether a pause lasts, and since when.
func (f *figures) restsSince() (since time.Time, is bool) {
	if k := len(f.pauses); k > 0 && f.pauses[k-1].until.IsZero() {
		return f.pauses[k-1].from, true
	}
	return time.Time{}, false
}

// work is how much of a time was no pause.
func (f *figures) work(from, to time.Time) time.Duration {
	d := to.Sub(from)
	for _, p := range f.pauses {
		until := p.until
		if until.IsZero() || until.After(to) {
			until = to
		}
		start := p.from
		if start.Before(from) {
			start = from
		}
		d -= max(0, until.Sub(start))
	}
	return max(d, 0)
}

// perHour is the rate of good units from a time on, pauses left out; a time
// without a unit is work without output. A few minutes say nothing about an hour:
// NaN.
func (f *figures) perHour(from, now time.Time) float64 {
	const least = 10 * time.Minute
	if from.Before(f.since) {
		from = f.since
	}
	work := f.work(from, now)
	if work < least {
		return math.NaN()
	}
	n := 0
	for _, at := range f.good {
		if !at.Before(from) {
			n++
		}
	}
	return float64(n) / work.Hours()
}

// today are the units of one day at the site, by soft bin.
type today struct {
	day  string
	bins []Tally
}

// add enters a result of that day; those of the day before are gone.
func (d *today) add(day string, a *record.Attempt) {
	if !counted(a.Run.Purpose) || a.Outcome != Passed && a.Outcome != Failed {
		return
	}
	if d.day != day {
		*d = today{day: day}
	}
	d.bins = tally(d.bins, a.Judgement.SoftBin, a.Judgement.SoftName)
}

// count enters a result into all figures.
func (m *Machine) count(a *record.Attempt, at time.Time, shift bool) {
	if shift {
		m.figures.add(a, at)
	}
	m.today.add(m.dayOf(at), a)
}

// tellFigures are the counters as a snapshot has them.
func (m *Machine) tellFigures() Counters {
	c := m.counters
	c.Since, c.Good, c.OpenHolds = m.figures.since, len(m.figures.good), len(m.holds)
	c.Work = m.work(c.Since, m.now)
	c.PausedSince, _ = m.restsSince()
	c.PerHour, c.ShiftPerHour = m.perHour(m.now.Add(-time.Hour), m.now), m.perHour(c.Since, m.now)
	c.Bins, c.Nests = m.named(c.Bins), slices.Clone(c.Nests)
	if m.today.day == m.dayOf(m.now) {
		c.Today = m.named(m.today.bins)
	}
	if order := m.crew.WorkOrder; order != "" {
		c.OrderGood, c.OrderOf = m.made.good[order], m.crew.Quantity
	}
	c.Checked = m.checked
	return c
}

// named are tallies with the texts of the limits in force.
func (m *Machine) named(list []Tally) []Tally {
	list = slices.Clone(list)
	for i := range list {
		list[i].Text = m.files.binName(list[i].Name).Text
	}
	return list
}
