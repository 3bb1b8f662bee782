package station

import "time"

// Counters count the station's work since the shift began. Only production
// counts.
type Counters struct {
	Since       time.Time     // when the shift began
	Work        time.Duration // since then, without pauses
	PausedSince time.Time     // zero where nobody pauses

	Units       int // judged attempts, first and later
	Passed      int // of these
	Failed      int // of these
	Held        int // units put on hold, whatever their outcome
	First       int // units judged at attempt 1
	FirstPassed int // of these
	Nests       []NestTally
	Good        int     // units released in the shift, each once
	Bins        []Tally // failed units by soft bin, most first
	Today       []Tally // judged attempts of the site's day by soft bin, most first

	OpenHolds int       // units on hold now
	OrderGood int       // released units of the work order in force, whoever made them and when
	OrderOf   int       // units that it has, 0 for not known
	Checked   time.Time // when a check unit passed last, zero for never

	// Good units an hour of work, over the last hour and over the shift; NaN while
	// that says nothing.
	PerHour, ShiftPerHour float64
}

// FirstPassYield is FirstPassed over First, and false before the first unit.
func (c Counters) FirstPassYield() (float64, bool) {
	if c.First == 0 {
		return 0, false
	}
	return float64(c.FirstPassed) / float64(c.First), true
}
