package estimate_test

import (
	"fmt"
	"math"
	"math/rand/v2"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/estimate"
)

// One unit: the empty field, then a target at 300 mm. The captures here are
// drawn; a unit's come over the line.
func Example() {
	setup := hopper(1, 1)
	e, err := estimate.New(setup)
	if err != nil {
		fmt.Println(err)
		return
	}
	g := newSource(setup, rand.New(rand.NewPCG(1, 1)))
	g.rates(truth{leak: 0.01, leakTau: 40, ambient: 1e-4, signal: 0.05, tau: 302.5 / halfC, ambientTarget: 1e-4})
	empty := estimate.Histogram{Shots: 4_000_000, Counts: make([]uint32, 100), TempCel: math.NaN()}
	target := estimate.Histogram{Shots: 1_000_000, Counts: make([]uint32, 100), TempCel: math.NaN()}
	g.draw(g.ratesE, empty.Shots, empty.Counts)
	g.draw(g.ratesT, target.Shots, target.Counts)

	l, err := e.Empty(empty)
	if err != nil {
		fmt.Println(err)
		return
	}
	o, err := e.Target(l, target, estimate.Reference{DistanceMM: 300, DistanceUMM: 0.15}, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	leak, offset := l.Quantities[quantity.LeakageMax], o.Quantities[quantity.OffsetMean]
	fmt.Printf("leakage %.4f ± %.4f counts a shot\n", leak.V, leak.U)
	fmt.Printf("offset %.1f ± %.1f mm\n", offset.V, offset.U)
	fmt.Println("faults:", len(l.Faults)+len(o.Faults))
	// Output:
	// leakage 0.0100 ± 0.0001 counts a shot
	// offset 3.0 ± 0.3 mm
	// faults: 0
}
