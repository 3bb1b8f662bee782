package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/history"
	"example.org/panecal/cmd/panecal/plant"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station/papers"
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
	// Where hands bring the target, in lines for `panecal product make`.
	DistanceMM  float64 `json:"distance_mm,omitempty"`
	DistanceUMM float64 `json:"distance_u_mm,omitempty"`
	Fixture     string  `json:"fixture,omitempty"` // where a simulated one listens
}

const simSchema = "panecal.sim/1"

func newSim() *cobra.Command {
	units, nests, product := 1, 0, "hopper-54"
	var seed uint64
	speed, still, moved := 1.0, false, false
	var past history.Flags
	distances := []float64{plant.TargetMM}
	c := &cobra.Command{
		Use:   "sim",
		Short: "Simulate units on pseudo-terminals, for trying the station without hardware",
		Long: `Puts simulated units on pseudo-terminals, prints one JSON line for each and
runs until it is stopped. Simulated hands bring the target after the empty-field
capture, take the unit out when it is done, and seat it again. With --still there
are no hands: each unit stays seated before a target, as on a bench. With --fixture
a simulated fixture moves the target; its place is the sheet's driver_at.

With --nests the ports are those of empty nests, for the station sheet of a
shift; the units lie beside them, the first ones each with a fault that its line
names. A label on standard input is your hand that puts that unit into the first
empty nest, "LABEL B" into nest B, and "B" takes out what lies in B. Simulated
hands bring the target, and take out what is done.

` + history.Help + `

The units and all their numbers are invented.`,
		Example: "  panecal sim --units 3 --seed 1\n  panecal sim --units 3 --seed 1 > units.jsonl &  panecal run --list units.jsonl\n" +
			"  panecal sim --still   a unit for panecal conform\n  panecal sim --nests 3 --units 20   in one terminal, panecal shift in another\n" +
			"  panecal sim --product new.product.toml   a unit of any product file\n  panecal sim --units 8 --distances 260,330,455 > list.jsonl   for panecal product make\n" +
			"  panecal sim --history past --attempts 10000 --captures 20 --truth truth.jsonl",
		Args: cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			if past.Folder != "" {
				return past.Run(c, version, seed, filesOnly)
			}
			if units < 1 || units > 1000 {
				return cli.UsageError(fmt.Errorf("--units %d: give 1 to 1000", units))
			}
			if slices.ContainsFunc(distances, func(mm float64) bool { return !(mm >= 50 && mm <= 10_000) }) || len(distances) < 1 {
				return cli.UsageError(errors.New("--distances: give 50 to 10000 mm"))
			}
			if nests < 0 || nests > 4 || nests > 0 && still {
				return cli.UsageError(fmt.Errorf("--nests %d: give 1 to 4, without --still", nests))
			}
			if nests > 0 {
				all, err := plant.ActsOf(product, units, plant.HandTime)
				if err != nil {
					return unitError(err)
				}
				return simulate(c, &plant.Rack{Acts: all}, nests, seed, speed)
			}
			kind, err := plant.KindOf(product)
			if err != nil {
				return unitError(err)
			}
			for i := range units {
				hands := plant.HandsAt(distances)
				if still || moved {
					hands, distances = []simunit.Move{}, distances[:1]
				}
				u, err := kind.Unit(i, seed+uint64(i), simunit.Options{
					Hands: hands, Speed: speed, Line: simunit.Line{Baud: plant.Baud, Turnaround: plant.Turnaround},
				})
				if err != nil {
					return unitError(err)
				}
				if still {
					u.Seat(simunit.Seating{})
					u.SetScene(simunit.Scene{TargetMM: distances[0], Reflectance: plant.Reflectance})
				}
				path, err := simunit.ServePTY(c.Context(), u)
				if err != nil {
					return cli.DeviceError(err)
				}
				at := ""
				if moved {
					if at, err = plant.FixtureFor(c.Context(), u); err != nil {
						return err
					}
				}
				for _, mm := range distances {
					s := simulated{Schema: simSchema, Fixture: at, Port: path, Serial: u.Serial(), Label: u.Serial(), Product: kind.Name, DistanceMM: mm, DistanceUMM: plant.DistanceUMM}
					if err := cli.PrintLine(c.OutOrStdout(), s); err != nil {
						return err
					}
				}
			}
			<-c.Context().Done()
			return context.Cause(c.Context())
		},
	}
	c.Flags().IntVar(&units, "units", units, "how many units")
	c.Flags().Uint64Var(&seed, "seed", 1, "seed; the same seed makes the same units and the same photons")
	c.Flags().StringVar(&product, "product", product, "hopper-54 (histograms), hopper-1 (summaries only), or a product file")
	c.Flags().Float64SliceVar(&distances, "distances", distances, "where hands bring the target, mm, one after the other; a line for each")
	c.Flags().Float64Var(&speed, "speed", speed, "run exposures so many times faster than life")
	c.Flags().IntVar(&nests, "nests", nests, "so many empty nests; labels on standard input put units into them")
	past.AddTo(c)
	c.Flags().BoolVar(&moved, "fixture", false, "no hands: a simulated fixture beside each unit moves the target")
	c.Flags().BoolVar(&still, "still", false, "no hands: units stay seated before a target")
	return c
}

// filesOnly makes a station's files without a store, and reads them.
func filesOnly(folder, station string) (papers.Catalogue, string, error) {
	where := place{data: folder}
	m, err := setUp(where, station, func(string) (string, error) { return station, nil })
	if err != nil {
		return nil, "", err
	}
	config, err := where.readConfig()
	if err != nil {
		return nil, "", err
	}
	all, err := config.catalogue()
	return all, m.Store, err
}

// unitError tells a product that is not simulated from what went wrong.
func unitError(err error) error {
	if errors.Is(err, plant.ErrNoProduct) || errors.Is(err, plant.ErrNotSimulated) || errors.Is(err, plant.ErrNoLabel) {
		return cli.UsageError(err)
	}
	return err
}

// simulate serves empty nests until the context ends, and does with the units
// what is typed.
func simulate(c *cobra.Command, r *plant.Rack, nests int, seed uint64, speed float64) error {
	ctx, out := c.Context(), c.OutOrStdout()
	for i := range r.Acts {
		r.Acts[i].Options.Speed = speed
	}
	if err := r.Attach(ctx, nests); err != nil {
		return cli.DeviceError(err)
	}
	err := plant.Cast(r.Acts, seed, simunit.Line{Baud: plant.Baud, Turnaround: plant.Turnaround})
	for i, port := range r.Ports {
		err = errors.Join(err, cli.PrintLine(out, simulated{Schema: simSchema, Nest: plant.NestName(i), Port: port}))
	}
	for _, a := range r.Acts {
		if err != nil {
			return err
		}
		err = cli.PrintLine(out, simulated{Schema: simSchema, Serial: a.Unit.Serial(), Label: a.Unit.Serial(), Product: a.Product, Note: a.Note})
	}
	typed := make(chan string)
	go func() { // ends with the input, for which nobody waits
		for lines := bufio.NewScanner(c.InOrStdin()); lines.Scan(); {
			select {
			case typed <- lines.Text():
			case <-ctx.Done():
				return
			}
		}
	}()
	for err == nil {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case line := <-typed:
			done, wrong := r.Obey(line)
			if wrong != nil {
				fmt.Fprintf(c.ErrOrStderr(), "panecal: %v\n", wrong)
				continue
			}
			err = cli.PrintLine(out, simulated{Schema: simSchema, Nest: done.Nest, Label: done.Label, Note: done.Note})
		}
	}
	return err
}
