package station

import (
	"cmp"
	"example.org/panecal/store/record"
	"math"
	"slices"
	"time"
)

// Counters count the station's work since the operator signed on. Only
// production counts.
type Counters struct {
	Units       int     // judged attempts, first and later
	Passed      int     // of these
	Failed      int     // of these
	Held        int     // units put on hold, whatever their outcome
	First       int     // units judged at attempt 1
	FirstPassed int     // of these
	OpenHolds   int     // units on hold now, as far as the newest records tell
	OrderGood   int     // released units of the work order in force, whoever made them and when
	OrderOf     int     // units that it has, 0 for not known
	Bins        []Tally // failed units by soft bin, most first
	PerHour     float64 // units over the last hour (or since the first, if later); NaN while that says nothing
}

// Tally counts the units of one soft bin.
type Tally struct {
	SoftBin int
	Name    string
	Units   int
}

// FirstPassYield is FirstPassed over First, and false before the first unit.
func (c Counters) FirstPassYield() (float64, bool) {
	if c.First == 0 {
		return 0, false
	}
	return float64(c.FirstPassed) / float64(c.First), true
}

// figures are the station's own account of its work.
type figures struct {
	counters Counters
	judged   []time.Time // of the last hour
}

// tally counts a failed unit.
func (c *Counters) tally(bin int, name string) {
	i := slices.IndexFunc(c.Bins, func(t Tally) bool { return t.SoftBin == bin })
	if i < 0 {
		i = len(c.Bins)
		c.Bins = append(c.Bins, Tally{SoftBin: bin, Name: name})
	}
	c.Bins[i].Units++
	slices.SortStableFunc(c.Bins, func(a, b Tally) int { return cmp.Compare(b.Units, a.Units) })
}

// count enters the attempt into the figures.
func (m *Machine) count(n *nest) {
	r := &n.att.result
	m.counters.add(&m.judged, n.purpose, n.outcome(), n.att.number, record.Judgement{SoftBin: r.SoftBin, SoftName: r.SoftName, Disposition: Disposition(r.Disposition)}, m.now)
}

// recount enters an attempt from before the start.
func (m *Machine) recount(a *record.Attempt, at time.Time) {
	m.counters.add(&m.judged, a.Run.Purpose, a.Outcome, a.Run.AttemptNo, a.Judgement, at)
}

func (c *Counters) add(judged *[]time.Time, p Purpose, o Outcome, number int, j record.Judgement, at time.Time) {
	if j.Disposition == Hold {
		c.Held++
	}
	if !counted(p) || o != Passed && o != Failed {
		return
	}
	c.Units++
	if o == Passed {
		c.Passed++
	} else {
		c.Failed++
		c.tally(j.SoftBin, j.SoftName)
	}
	if number == 1 {
		c.First++
		if o == Passed {
			c.FirstPassed++
		}
	}
	*judged = append(*judged, at)
}

// perHour is the rate over the last hour, or since the first unit in it. A few
// units in a few minutes say nothing about an hour.
func (m *Machine) perHour() float64 {
	const units, minutes = 5, 10
	if len(m.judged) < 2 {
		return math.NaN()
	}
	span := m.judged[len(m.judged)-1].Sub(m.judged[0])
	if span <= 0 || len(m.judged) < units && span < minutes*time.Minute {
		return math.NaN()
	}
	return float64(len(m.judged)-1) / span.Hours()
}
