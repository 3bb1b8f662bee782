package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/plant"
	"example.org/panecal/protocol/firmware"
	"example.org/panecal/protocol/simunit"
)

// demonstrateOnKit is `make demo-kit`: the demonstration's batch with units of
// the C firmware kit in the nests, and its exit code. It is a program of this
// test binary, so that neither the kit nor its defects are part of panecal.
func demonstrateOnKit(out, talk io.Writer) int {
	ctx, caught, stop := catchSignals(context.Background())
	defer stop()
	c := &cobra.Command{
		Args: cobra.NoArgs, SilenceUsage: true, SilenceErrors: true,
		RunE: func(c *cobra.Command, _ []string) (err error) {
			d, err := newDemonstration(c)
			if err != nil {
				return err
			}
			fmt.Fprintf(talk, "panecal: the demonstration's files are in %s\n", d.folder)
			k, err := putOnKit(c.Context(), d.Acts, demoSeed, filepath.Join(d.folder, "kit"))
			if err != nil {
				return err
			}
			return errors.Join(d.batch(c), k.close())
		},
	}
	c.SetArgs(nil)
	c.SetOut(out)
	c.SetErr(talk)
	err := c.ExecuteContext(ctx)
	if s := caught(); s != 0 {
		return s
	}
	if err == nil {
		return cli.ExitDone
	}
	var quiet *cli.QuietError
	if !errors.As(err, &quiet) {
		fmt.Fprintf(talk, "panecal: %v\n", err)
	}
	return exitCode(err)
}

// kit are units of the C firmware kit that answer in the demonstration's
// nests, each a process. Scene, hands and photons remain the simulated unit's;
// what the station hears is said, kept and, where the product gives histograms,
// ranged by the C code.
type kit struct{ hosts []*firmware.Host }

// kitDefects are what the kit's unit is compiled with to be as flawed as the
// simulated one.
var kitDefects = map[simunit.Flaw]string{"": "", simunit.FlawOffsetSign: "offset-sign"}

// putOnKit casts the acts anew, compiles the kit into a new folder and starts
// a unit of it for every act. The caller closes the kit.
func putOnKit(ctx context.Context, all []plant.Act, seed uint64, folder string) (_ *kit, err error) {
	if err := os.MkdirAll(folder, 0o750); err != nil {
		return nil, fmt.Errorf("making a folder for the firmware kit: %w", err)
	}
	// The simulated units hear what those of the kit hear, at once: the line
	// is the kit's.
	if err := plant.Cast(all, seed, simunit.Line{}); err != nil {
		return nil, err
	}
	k := &kit{}
	defer func() {
		if err != nil {
			err = errors.Join(err, k.close())
		}
	}()
	programs := map[string]string{}
	for i := range all {
		a := &all[i]
		if a.Again {
			a.Speaker = all[0].Speaker
			continue
		}
		defect, ok := kitDefects[a.Options.Flaw]
		if !ok {
			return nil, fmt.Errorf("the firmware kit has no defect like %q", a.Options.Flaw)
		}
		program, ok := programs[defect]
		if !ok {
			if program, err = firmware.Build(ctx, folder, firmware.BuildOptions{Defect: defect}); err != nil {
				return nil, err
			}
			programs[defect] = program
		}
		h, err := startOnKit(ctx, program, a.Unit, a.Product, seed+uint64(i))
		if err != nil {
			return nil, err
		}
		k.hosts = append(k.hosts, h)
		a.Speaker = h
	}
	return k, nil
}

// startOnKit starts a program of the kit in the place of a simulated unit that
// plant.NewUnit has made of that product and seed.
func startOnKit(ctx context.Context, program string, u *simunit.Unit, product string, seed uint64) (*firmware.Host, error) {
	// The unit itself lies beside its nest and tells nobody who it is.
	alike, err := plant.NewUnit(product, 0, seed, simunit.Options{Serial: u.Serial()})
	if err != nil {
		return nil, err
	}
	pulse := alike.Model().Pulse
	o := firmware.Options{Twin: u, Alike: alike}
	if alike.Model().Ranging == simunit.RangePulse {
		o.Pulse = &firmware.Pulse{StartPS: pulse.StartPS, StepPS: pulse.StepPS, Density: pulse.Density}
	}
	h, err := firmware.Start(ctx, program, o)
	if err != nil {
		return nil, cli.DeviceError(err)
	}
	return h, nil
}

func (k *kit) close() error {
	var all error
	for _, h := range k.hosts {
		all = errors.Join(all, h.Close())
	}
	return all
}
