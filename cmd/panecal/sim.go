package main

import (
	"context"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station/label"
)

// simulated is one line of `panecal sim`: a unit on its port. With --nests, an
// empty nest, a unit beside them, or what a hand did.
type simulated struct {
	Schema  string `json:"schema"`
	Nest    string `json:"nest,omitempty"`
	Port    string `json:"port,omitempty"`
	Serial  string `json:"serial,omitempty"`
	Label   string `json:"label,omitempty"`
	Product string `json:"product,omitempty"`
	UnitID  string `json:"unit_id,omitempty"`
	Note    string `json:"note,omitempty"`
}

const simSchema = "panecal.sim/1"

// What the simulated plant has: the fixture of the sample station sheet.
const (
	simTargetMM     = 300
	simReflectance  = 0.5
	simBaud         = 921600
	simTurnaround   = 2 * time.Millisecond
	simHandTime     = 300 * time.Millisecond
	simRounds       = 10000 // times that the hands seat the unit again
	simFirstHopper1 = 90001
)

func newSim() *cobra.Command {
	units, nests, product := 1, 0, "hopper-54"
	var seed uint64
	speed, still := 1.0, false
	c := &cobra.Command{
		Use:   "sim",
		Short: "Simulate units on pseudo-terminals, for trying the station without hardware",
		Long: `Puts simulated units on pseudo-terminals, prints one JSON line for each and
runs until it is stopped. Simulated hands bring the target after the empty-field
capture, take the unit out when it is done, and seat it again. With --still there
are no hands: each unit stays seated before a target, as on a bench.

With --nests the ports are those of empty nests, for the station sheet of a
shift; the units lie beside them, the first ones each with a fault that its line
names. A label on standard input is your hand that puts that unit into the first
empty nest, "LABEL B" into nest B, and "B" takes out what lies in B. Simulated
hands bring the target, and take out what is done.

The units and all their numbers are invented.`,
		Example: "  panecal sim --units 3 --seed 1\n  panecal sim --units 3 --seed 1 > units.jsonl &  panecal run --list units.jsonl\n" +
			"  panecal sim --still   a unit for panecal conform\n  panecal sim --nests 3 --units 20   in one terminal, panecal shift in another",
		Args: usageArgs(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			if units < 1 || units > 1000 {
				return usageError(fmt.Errorf("--units %d: give 1 to 1000", units))
			}
			if nests < 0 || nests > 4 || nests > 0 && still {
				return usageError(fmt.Errorf("--nests %d: give 1 to 4, without --still", nests))
			}
			if nests > 0 {
				all, err := unitsOf(product, units, simHandTime)
				if err != nil {
					return err
				}
				r := rack{acts: all}
				return r.simulate(c, nests, seed, speed)
			}
			for i := range units {
				hands := patientHands()
				if still {
					hands = []simunit.Move{}
				}
				u, err := newSimulated(product, i, seed+uint64(i), simunit.Options{
					Hands: hands, Speed: speed, Line: simunit.Line{Baud: simBaud, Turnaround: simTurnaround},
				})
				if err != nil {
					return err
				}
				if still {
					u.Seat(simunit.Seating{})
					u.SetScene(simunit.Scene{TargetMM: simTargetMM, Reflectance: simReflectance})
				}
				path, err := simunit.ServePTY(c.Context(), u)
				if err != nil {
					return deviceError(err)
				}
				s := simulated{Schema: simSchema, Port: path, Serial: u.Serial(), Label: u.Serial(), Product: product}
				if err := printLine(c.OutOrStdout(), s); err != nil {
					return err
				}
			}
			<-c.Context().Done()
			return context.Cause(c.Context())
		},
	}
	c.Flags().IntVar(&units, "units", units, "how many units")
	c.Flags().Uint64Var(&seed, "seed", 1, "seed; the same seed makes the same units and the same photons")
	c.Flags().StringVar(&product, "product", product, "hopper-54 (histograms) or hopper-1 (summaries only)")
	c.Flags().Float64Var(&speed, "speed", speed, "run exposures so many times faster than life")
	c.Flags().IntVar(&nests, "nests", nests, "so many empty nests; labels on standard input put units into them")
	c.Flags().BoolVar(&still, "still", false, "no hands: units stay seated before a target")
	return c
}

func noProduct(name string) error {
	return usageError(fmt.Errorf("no simulated product %q: use hopper-54 or hopper-1", name))
}

// newSimulated makes the i-th unit of a product, with a serial as its labels
// have it.
func newSimulated(product string, i int, seed uint64, o simunit.Options) (*simunit.Unit, error) {
	var m simunit.Model
	var stem string
	switch product {
	case "hopper-54":
		m, stem = simunit.Hopper54(), fmt.Sprintf("H54-%05d-", 1+i)
	case "hopper-1":
		m, stem = simunit.Hopper1(), fmt.Sprintf("H1-%05d-", 1+i)
	default:
		return nil, noProduct(product)
	}
	check, err := label.Mod37_36.Compute(stem)
	if err != nil {
		return nil, fmt.Errorf("making a label: %w", err)
	}
	if o.Serial == "" {
		o.Serial = stem + check
	}
	u, err := simunit.New(m, seed, o)
	if err != nil {
		return nil, fmt.Errorf("making a simulated unit: %w", err)
	}
	return u, nil
}

// patientHands serve a unit over and over.
func patientHands() []simunit.Move {
	var all []simunit.Move
	for range simRounds {
		all = append(all, simunit.UsualHands(simHandTime, simTargetMM, simReflectance)...)
		all = append(all,
			simunit.Move{On: simunit.Lifted, Do: simunit.ClearField},
			simunit.Move{On: simunit.Lifted, After: 2 * time.Second, Do: simunit.PutBack})
	}
	return all
}
