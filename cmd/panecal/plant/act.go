package plant

import (
	"fmt"
	"slices"
	"time"

	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
)

// Act is one unit of the demonstration: what is wrong with it, and what has
// to come of it.
type Act struct {
	Product     string
	Note        string
	Options     simunit.Options
	Seating     simunit.Seating
	Outcome     station.Outcome
	Disposition station.Disposition
	Again       bool            // the unit of the first act comes back
	Unit        *simunit.Unit   // nil before Cast
	Speaker     simunit.Speaker // what answers for the unit: itself, or the firmware kit's
}

// Acts are the demonstration, in order; hand is how long a hand takes for each
// move.
func Acts(hand time.Duration) []Act {
	usual := func(first ...simunit.Move) []simunit.Move {
		all := append(first, simunit.UsualHands(hand, TargetMM, Reflectance)...)
		// For a unit whose label is scanned again: the field is cleared first.
		for range 100 {
			all = append(all, simunit.Move{On: simunit.Lifted, Do: simunit.ClearField})
			all = append(all, simunit.UsualHands(hand, TargetMM, Reflectance)...)
		}
		return all
	}
	const h54, h1 = "hopper-54", "hopper-1"
	good := Act{Product: h54, Outcome: station.Passed, Disposition: station.Release}
	list := []Act{good, good, good, good, good, good, good}
	list[0].Note = "sound"
	list[0].Options.Hands = usual()
	list[1].Note, list[1].Outcome, list[1].Disposition = "fingerprint on the window", station.Failed, station.Rework
	list[1].Options.Hands = usual(simunit.Move{On: simunit.Powered, Do: simunit.Touch, SmearRho: 0.12})
	list[2].Note, list[2].Outcome, list[2].Disposition = "not seated on its stop", station.Failed, station.Rework
	list[2].Options.Hands, list[2].Seating = usual(), simunit.Seating{TiltXDeg: 4, ShiftMM: 6}
	list[3].Note = "target left in at first"
	list[3].Options.Hands = simunit.TargetLeftIn(hand, 2*time.Second, TargetMM, Reflectance)
	list[4].Note, list[4].Outcome, list[4].Disposition = "uses its constants wrongly", station.Failed, station.Hold
	list[4].Options.Hands, list[4].Options.Flaw = usual(), simunit.FlawOffsetSign
	list[5].Note = "summaries only"
	list[5].Product, list[5].Options.Hands = h1, usual()
	list[6].Note, list[6].Again = "the first unit, adjusted, comes back", true
	return list
}

// ActsOf are n units of one product: one of each kind that the demonstration
// has of it, the others sound.
func ActsOf(product string, n int, hand time.Duration) ([]Act, error) {
	var all []Act
	for _, a := range Acts(hand) {
		if a.Product == product && !a.Again {
			all = append(all, a)
		}
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("%w %q: use hopper-54 or hopper-1", ErrNoProduct, product)
	}
	for len(all) < n {
		sound := all[0]
		sound.Options.Hands = slices.Clone(sound.Options.Hands)
		all = append(all, sound)
	}
	return all[:n], nil
}

// Cast makes the units of the acts, on a line as slow as it is told.
func Cast(all []Act, seed uint64, line simunit.Line) error {
	numbers := map[string]int{}
	for i := range all {
		a := &all[i]
		if a.Again {
			a.Unit, a.Speaker = all[0].Unit, all[0].Speaker
			continue
		}
		a.Options.Out = true
		a.Options.Line = line
		u, err := NewUnit(a.Product, numbers[a.Product], seed+uint64(i), a.Options)
		if err != nil {
			return err
		}
		numbers[a.Product]++
		a.Unit, a.Speaker = u, u
	}
	return nil
}
