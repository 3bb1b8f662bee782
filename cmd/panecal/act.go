package main

import (
	"fmt"
	"slices"
	"time"

	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
)

// act is one unit of the demonstration: what is wrong with it, and what has
// to come of it.
type act struct {
	product     string
	note        string
	options     simunit.Options
	seating     simunit.Seating
	outcome     station.Outcome
	disposition station.Disposition
	again       bool // the unit of the first act comes back
	unit        *simunit.Unit
	line        simunit.Speaker // what answers for the unit: itself, or the firmware kit's
}

// acts are the demonstration, in order. All of it is invented.
func acts(hand time.Duration) []act {
	usual := func(first ...simunit.Move) []simunit.Move {
		all := append(first, simunit.UsualHands(hand, simTargetMM, simReflectance)...)
		// For a unit whose label is scanned again: the field is cleared first.
		for range 100 {
			all = append(all, simunit.Move{On: simunit.Lifted, Do: simunit.ClearField})
			all = append(all, simunit.UsualHands(hand, simTargetMM, simReflectance)...)
		}
		return all
	}
	const h54, h1 = "hopper-54", "hopper-1"
	good := act{product: h54, outcome: station.Passed, disposition: station.Release}
	list := []act{good, good, good, good, good, good, good}
	list[0].note = "sound"
	list[0].options.Hands = usual()
	list[1].note, list[1].outcome, list[1].disposition = "fingerprint on the window", station.Failed, station.Rework
	list[1].options.Hands = usual(simunit.Move{On: simunit.Powered, Do: simunit.Touch, SmearRho: 0.12})
	list[2].note, list[2].outcome, list[2].disposition = "not seated on its stop", station.Failed, station.Rework
	list[2].options.Hands, list[2].seating = usual(), simunit.Seating{TiltXDeg: 4, ShiftMM: 6}
	list[3].note = "target left in at first"
	list[3].options.Hands = simunit.TargetLeftIn(hand, 2*time.Second, simTargetMM, simReflectance)
	list[4].note, list[4].outcome, list[4].disposition = "uses its constants wrongly", station.Failed, station.Hold
	list[4].options.Hands, list[4].options.Flaw = usual(), simunit.FlawOffsetSign
	list[5].note = "summaries only"
	list[5].product, list[5].options.Hands = h1, usual()
	list[6].note, list[6].again = "the first unit, adjusted, comes back", true
	return list
}

// unitsOf are n units of one product: one of each kind that the demonstration
// has of it, the others sound.
func unitsOf(product string, n int, hand time.Duration) ([]act, error) {
	var all []act
	for _, a := range acts(hand) {
		if a.product == product && !a.again {
			all = append(all, a)
		}
	}
	if len(all) == 0 {
		return nil, noProduct(product)
	}
	for len(all) < n {
		sound := all[0]
		sound.options.Hands = slices.Clone(sound.options.Hands)
		all = append(all, sound)
	}
	return all[:n], nil
}

// cast makes the units of the acts, on a line as slow as it is told.
func cast(all []act, seed uint64, line simunit.Line) error {
	numbers := map[string]int{}
	for i := range all {
		a := &all[i]
		if a.again {
			a.unit, a.line = all[0].unit, all[0].line
			continue
		}
		a.options.Out = true
		a.options.Line = line
		u, err := newSimulated(a.product, numbers[a.product], seed+uint64(i), a.options)
		if err != nil {
			return err
		}
		numbers[a.product]++
		a.unit, a.line = u, u
	}
	return nil
}

// expected says whether a verdict is the one that the act has to end with.
func (a act) expected(v station.Verdict) error {
	if v.Outcome != a.outcome || v.Disposition != a.disposition {
		return fmt.Errorf("%s (%s): %s, %s; expected %s, %s", a.unit.Serial(), a.note, v.Outcome, v.Disposition, a.outcome, a.disposition)
	}
	return nil
}
