package station_test

import (
	"time"

	"example.org/panecal/station"
)

// gait is how long the hands take; a zero gait is hands without weight.
type gait struct {
	scan, seat, target, out time.Duration // means
	spread                  float64       // of each, relative
	slips                   float64       // part of the units with which something goes wrong
}

// timing is how long what the station does takes, captures with their
// transfer.
type timing struct {
	captures                map[string]time.Duration
	greet, void             time.Duration // who it is, status, block; make it void and read that back
	write, back             time.Duration // stage and commit; read it back
	empty, target, verify   time.Duration // to estimate
	append, silent, halting time.Duration
}

const ms = time.Millisecond

// onALine is what make bench measured: hopper-54 as its product file has it,
// on a serial line of 921,600 Bd with 16 ms turnaround. A silent request takes
// the protocol's 100 ms and the 50 ms that a client allows its adapter. A void is
// 60 ms of writing a slot, and three requests.
func onALine() timing {
	return timing{
		captures: map[string]time.Duration{"empty": 440 * ms, "target": 315 * ms, "ranges": 205 * ms, "verify": 205 * ms, "look": 80 * ms},
		greet:    18 * ms, void: 114 * ms, write: 196 * ms, back: 101 * ms, empty: 2 * ms, target: 18 * ms, verify: 5 * ms,
		append: 2 * ms, silent: 150 * ms, halting: 20 * ms,
	}
}

// longCaptures is the same with a product that collects longer.
func longCaptures() timing {
	x := onALine()
	x.captures = map[string]time.Duration{"empty": 3000 * ms, "target": 1500 * ms, "ranges": 1500 * ms, "verify": 1500 * ms, "look": 80 * ms}
	return x
}

// of is how long a job takes that is answered.
func (x timing) of(j station.Job) time.Duration {
	switch j := j.(type) {
	case station.Capture:
		return x.captures[j.Name]
	case station.Write:
		return x.write
	case station.Mark:
		return x.write + x.back
	case station.Identify, station.Report, station.ReadBlock:
		return x.greet
	case station.Void:
		return x.void
	case station.Halt:
		return x.halting
	case station.EstimateEmpty:
		return x.empty
	case station.EstimateTarget:
		return x.target
	case station.EstimateVerify:
		return x.verify
	case station.Append:
		return x.append
	}
	return 0 // captures are kept while the unit goes on
}

// light is how long a unit's captures take, with the two short ones that see
// its target arrive and stand.
func (x timing) light() (sum time.Duration) {
	for _, name := range []string{"empty", "look", "look", "target", "ranges", "verify"} {
		sum += x.captures[name]
	}
	return sum
}

// unit is how long a unit's captures and transfers take: who it is, its status
// and its block, the void and its reading back, all captures, constants written and
// read back, the mark.
func (x timing) unit() time.Duration {
	return x.light() + 3*x.greet + x.void + 2*(x.write+x.back)
}
