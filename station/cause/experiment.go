package cause

import (
	"math"
	"slices"
	"strings"
)

// Experiment is something that hands do to a unit before it is run again.
type Experiment struct {
	Name   string
	Action string
	Undoes []Code // causes that are gone then, or most of it
}

// Experiments are all of them, the easy ones first. Whatever takes the unit out
// of the nest seats it anew.
func Experiments() []Experiment {
	return []Experiment{
		{"wipe", "Leave the unit where it is, wipe the window, run again.", []Code{Dirt}},
		{"reseat", "Take the unit out, clean the seat, seat it anew, run again.", []Code{Seat}},
		{"clear", "Leave the unit where it is, clear and cover all around its field, run again.", []Code{Reflection}},
		{"rewrite", "Leave the unit where it is, write its constants anew, run again.", []Code{Constants}},
		{"press", "Leave the unit where it is, press the window down on its frame, run again.", []Code{Gap}},
		{"dry", "Leave the unit where it is, dry and warm for half an hour, run again.", []Code{Moisture}},
		{"other nest", "Run again in another nest.", []Code{Station, Seat, Reflection}},
		{"shim", "Level the window with a shim, seat the unit anew, run again.", []Code{Tilt, Seat}},
		{"gasket", "Put a new gasket in, seat the unit anew, run again.", []Code{Gasket, Seat}},
		{"window", "Put a known good window in, seat the unit anew, run again.", []Code{Absorption, Dirt, Moisture, Seat}},
	}
}

// Next is an experiment and what it promises.
type Next struct {
	Experiment
	If   Code // what it was if the unit comes back to what its population is like
	Else Code // and what if it stays as it is
}

// off is how many standard deviations of the population a finding must be away
// for an experiment to go by it.
const off = 2.5

// stays is how much of what was off may stay where the cause is gone. Hands take
// most of a cause away and seldom all; a repetition alone moves what is off far
// less.
const stays = 2.0 / 3

// next chooses the experiment that splits the probability of the faults most
// evenly, and an easier one where two are nearly as good.
func next(ranked []Ranked, x vector, p *Population, t *Table) *Next {
	if !t.shows(x, p) {
		return nil
	}
	var best *Next
	most, easy := 0.0, 1.0
	for _, e := range Experiments() {
		gone, left := 0.0, 0.0
		n := Next{Experiment: e}
		for _, c := range ranked { // the most probable first
			switch {
			case slices.Contains(e.Undoes, c.Code):
				if gone += c.Probability; n.If == "" {
					n.If = c.Code
				}
			case c.Code != None:
				if left += c.Probability; n.Else == "" {
					n.Else = c.Code
				}
			}
		}
		all := gone + left
		if gone <= 0 || left <= 0 {
			continue
		}
		g := gone / all
		tells := -(g*math.Log(g) + (1-g)*math.Log(1-g)) * all * easy
		if tells > most {
			most, best = tells, &n
		}
		easy *= 0.97
	}
	return best
}

// shows says whether anything is off that an experiment could bring back.
func (t *Table) shows(x vector, p *Population) bool {
	usual := t.widened(&t.bands[None][0], p)
	for f := range x {
		if math.Abs(x[f]) > off*usual[f] && math.Abs(x[f]) > 4*math.Sqrt2*t.repeat[f] {
			return true
		}
	}
	return false
}

// size is a finding as what hands take a share of: a logarithm as what it is the
// logarithm of, in either direction. Three tenths of a tilt are three tenths of it, and
// far more of its logarithm.
func (f Finding) size(v float64) float64 {
	if strings.HasPrefix(f.Unit(), "ln") {
		return math.Copysign(math.Expm1(math.Abs(v)), v)
	}
	return v
}

// moves says whether one of some causes is known to move a finding: in a band of its
// severities, by as much as an experiment goes by.
func (t *Table) moves(causes []Code, f Finding) bool {
	usual := t.bands[None][0].sd[f]
	for _, c := range causes {
		for i := range t.bands[c] {
			if math.Abs(t.bands[c][i].mean[f]) > off*usual {
				return true
			}
		}
	}
	return false
}

// Read says whether a unit came back to what its population is like: from its evidence
// before and after an experiment that undoes some causes. It goes by what was off
// before, and by those of it that these causes move, where there are any: what a unit
// has of its own stays whatever hands do. Each counts by how far off it was; sure is
// false where nothing was.
func Read(before, after *Evidence, p *Population, t *Table, undoes []Code) (back, sure bool) {
	a, b := p.findings(before), p.findings(after)
	usual := t.widened(&t.bands[None][0], p)
	var left, weight, ownLeft, ownWeight float64
	for f := range findings {
		z := a[f] / usual[f]
		if !(math.Abs(z) > off) || !(math.Abs(a[f]) > 4*math.Sqrt2*t.repeat[f]) || math.IsNaN(b[f]) {
			continue
		}
		share := z * z * max(-1, min(2, f.size(b[f])/f.size(a[f])))
		if left, weight = left+share, weight+z*z; t.moves(undoes, f) {
			ownLeft, ownWeight = ownLeft+share, ownWeight+z*z
		}
	}
	switch {
	case weight == 0:
		return false, false
	case ownWeight > 0:
		left, weight = ownLeft, ownWeight
	}
	return left/weight < stays, true
}
