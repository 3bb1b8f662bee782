package causes

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/figure"
	"example.org/panecal/store"
	"example.org/panecal/store/evidence"
	"example.org/panecal/store/record"
)

// mostBins is how many bins a text draws: those about the light.
const mostBins = 40

// NewPicture makes `panecal picture`; open opens the log that it reads.
func NewPicture(open func() (*store.Follower, error)) *cobra.Command {
	number, zone, name, svg := 0, 0, "", false
	c := &cobra.Command{
		Use:   "picture SERIAL",
		Short: "Draw what an attempt measured: zone maps, and the histogram of a zone",
		Long: `Draws leakage, offset and signal of one attempt as maps of its zones. With --zone,
which counts from 1, row by row, it draws the raw capture of one zone with what the
station fits to it: pulse, leakage and ambient, the residuals, and the budget of the
zone's offset. That wants a raw capture, and computes it anew by the product of that
day. --svg prints elements for a page instead of text.`,
		Example: `  panecal picture H54-00012-V
  panecal picture H54-00012-V --zone 23
  panecal picture H54-00012-V --zone 23 --capture empty --svg > zone.html`,
		Args: cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			switch {
			case name != "empty" && name != "target":
				return cli.UsageError(fmt.Errorf("--capture %q: want empty or target", name))
			case c.Flags().Changed("zone") && zone < 1:
				return cli.UsageError(errors.New("--zone counts from 1"))
			case !c.Flags().Changed("zone") && c.Flags().Changed("capture"):
				return cli.UsageError(errors.New("--capture wants --zone"))
			}
			log, err := open()
			if err != nil {
				return err
			}
			defer log.Close()
			s, err := find(log, args[0], number)
			if err != nil {
				return damaged(err)
			}
			if zone == 0 {
				return drawMaps(c.OutOrStdout(), s, svg)
			}
			h, err := s.histogram(zone, name)
			if err != nil {
				return damaged(err)
			}
			if svg {
				_, err = fmt.Fprintln(c.OutOrStdout(), h.SVG())
				return err
			}
			_, err = io.WriteString(c.OutOrStdout(), visible.Text(s.serial)+"\n"+visible.Text(s.words())+"\n"+h.Text(80, mostBins))
			return err
		},
	}
	c.Flags().IntVar(&number, "attempt", 0, attemptHelp)
	c.Flags().IntVar(&zone, "zone", 0, "draw this zone's histogram")
	c.Flags().StringVar(&name, "capture", "target", "with --zone: empty, target")
	c.Flags().BoolVar(&svg, "svg", false, "print SVG elements")
	if err := c.RegisterFlagCompletionFunc("capture", cobra.FixedCompletions([]string{"empty", "target"}, cobra.ShellCompDirectiveNoFileComp)); err != nil {
		panic(err) // the flag was added before
	}
	return c
}

// zoneMaps are leakage, offset and signal of an attempt; a map of nothing is left
// out.
func zoneMaps(z *record.Zones) []figure.ZoneMap {
	var list []figure.ZoneMap
	for _, m := range []figure.ZoneMap{
		{Title: "leakage", Unit: "{count}/{shot}", Values: z.Leakage},
		{Title: "offset", Unit: "mm", Values: z.OffsetMM},
		{Title: "signal", Unit: "{count}/{shot}", Values: z.Signal},
	} {
		if len(m.Values) > 0 {
			m.Rows, m.Cols, m.Flags = z.Rows, z.Cols, z.Flags
			list = append(list, m)
		}
	}
	return list
}

func drawMaps(w io.Writer, s *subject, svg bool) error {
	var b strings.Builder
	if !svg {
		fmt.Fprintf(&b, "%s\n%s\n", visible.Text(s.serial), visible.Text(s.words()))
	}
	for _, m := range zoneMaps(&s.attempt.Zones) {
		if svg {
			b.WriteString(m.SVG() + "\n")
			continue
		}
		b.WriteString("\n" + m.Text(80))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// histogram is the raw capture of a zone, from 1, with what is fitted to it.
func (s *subject) histogram(zone int, name string) (figure.Histogram, error) {
	none := figure.Histogram{}
	e, err := evidence.NewFiles(s.log).Of(s.attempt)
	if errors.Is(err, evidence.ErrNoCaptures) {
		return none, fmt.Errorf("attempt %d of %s: %w; without --zone the maps are drawn", s.attempt.Run.AttemptNo, s.serial, err)
	}
	if err != nil {
		return none, err
	}
	f := &e.File
	if f.Empty == nil {
		return none, fmt.Errorf("attempt %d of %s: the unit reports no histograms", s.attempt.Run.AttemptNo, s.serial)
	}
	if zones := f.Setup.Grid.Zones(); zone > zones {
		return none, fmt.Errorf("--zone %d: the unit has %d zones", zone, zones)
	}
	est, err := estimate.New(f.Setup)
	if err != nil {
		return none, err
	}
	leakage, err := est.Empty(*f.Empty)
	if err != nil {
		return none, err
	}
	z := zone - 1
	h := figure.Histogram{FirstBinPS: f.Setup.FirstBinPS, BinPS: f.Setup.BinPS,
		Title: fmt.Sprintf("%s, zone %d (row %d, column %d), %s capture, counts per shot", s.serial, zone, z/f.Setup.Grid.Cols+1, z%f.Setup.Grid.Cols+1, name)}
	var fit estimate.Fit
	if name == "empty" {
		fit = est.Fitted(*f.Empty, leakage, nil, z)
		l := leakage.Zones[z]
		h.Notes = append(h.Notes, fmt.Sprintf("leakage %.4g ± %.2g in its window, at %.2f mm; ambient %.3g a bin", l.Leakage, l.LeakageU, l.DistanceMM, l.Ambient))
	} else {
		if f.Target == nil {
			return none, fmt.Errorf("attempt %d of %s has no raw capture of the target", s.attempt.Run.AttemptNo, s.serial)
		}
		offsets, err := est.Target(leakage, *f.Target, f.Reference, f.UnitRanges)
		if err != nil {
			return none, err
		}
		fit = est.Fitted(*f.Target, leakage, offsets, z)
		o := offsets.Zones[z]
		h.Notes = append(h.Notes, fmt.Sprintf("range %.2f ± %.2f mm, offset %.2f ± %.2f mm, signal %.4g ± %.2g", o.RangeMM, o.RangeUMM, o.OffsetMM, o.OffsetUMM, o.Signal, o.SignalU))
		for _, l := range offsets.ZoneBudget(z) {
			h.Notes = append(h.Notes, fmt.Sprintf("budget: %-16s %.3g mm", l.Line, l.MM))
		}
	}
	h.Counted, h.SD, h.Leakage, h.Ambient, h.Signal = fit.Counted, fit.SD, fit.Leakage, fit.Ambient, fit.Signal
	return h, nil
}
