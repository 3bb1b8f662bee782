package main

import (
	"fmt"
	"io"
	"os"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/capture"
	"example.org/panecal/store/record"
)

func newEstimate() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "estimate FILE",
		Short: "Compute leakage and offset from a capture file, without any device",
		Long: `Reads a panecal.capture/1 file (- is standard input) and computes what the
station would: leakage, ambient, range and offset of each zone with their
standard uncertainties, the quantities that limits can name, and what is wrong
with the capture itself.

Exit code 3 where the capture is at fault; the result is printed all the same.
A malformed file is exit code 1 and names the place, as in $.empty.counts[3][7].`,
		Example: "  panecal estimate capture.json --json\n  panecal estimate - < capture.json",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			result, err := estimateFile(args[0], c.InOrStdin())
			if err != nil {
				return err
			}
			if asJSON {
				err = result.Write(c.OutOrStdout())
			} else {
				err = writeEstimate(c.OutOrStdout(), result)
			}
			if err == nil && len(result.CaptureFaults) > 0 {
				return &cli.QuietError{Code: cli.ExitFailed}
			}
			return err
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

func estimateFile(name string, in io.Reader) (capture.Result, error) {
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return capture.Result{}, fmt.Errorf("reading the capture file: %w", err)
		}
		defer f.Close()
		in = f
	}
	file, err := capture.Read(in)
	if err != nil {
		return capture.Result{}, fmt.Errorf("reading the capture file: %w", err)
	}
	return capture.Estimate(file)
}

// writeEstimate is the result for people: the quantities, then the zones.
func writeEstimate(w io.Writer, r capture.Result) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, f := range r.CaptureFaults {
		fmt.Fprintf(t, "capture fault\t%s\t%s\tzones %s\n", f.Code, f.Capture, record.ZoneList(f.Zones, len(r.Zones)))
	}
	for _, d := range quantity.All() {
		if q, ok := r.Quantities[string(d.Name)]; ok {
			fmt.Fprintf(t, "%s\t%.6g\t± %.2g\t%s\n", d.Name, float64(q.Value), float64(q.U), q.Unit)
		}
	}
	fmt.Fprintln(t, "\nzone\tleakage\tambient\tsignal\trange mm\toffset mm\tflags")
	for i, z := range r.Zones {
		fmt.Fprintf(t, "%d\t%.5g ± %.2g\t%.4g\t%.5g\t%.3f ± %.3f\t%.3f ± %.3f\t%v\n", i, float64(z.Leakage), float64(z.LeakageU),
			float64(z.Ambient), float64(z.Signal), float64(z.Range), float64(z.RangeU), float64(z.Offset), float64(z.OffsetU), z.Flags)
	}
	return t.Flush()
}
