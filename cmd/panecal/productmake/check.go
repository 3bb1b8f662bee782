package productmake

import (
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station/product"
)

// report is the answer of `product check`.
type report struct {
	Schema    string      `json:"schema"`
	Product   string      `json:"product"`
	Revision  string      `json:"revision"`
	Author    string      `json:"author"`
	Reason    string      `json:"reason"`
	Limits    string      `json:"limits"`
	Firmware  []string    `json:"firmware"`
	Reports   string      `json:"reports"`
	Rows      int         `json:"rows"`
	Cols      int         `json:"cols"`
	Bins      int         `json:"bins"`
	BinPS     float64     `json:"bin_ps"`
	FarthestM float64     `json:"farthest_mm"` // that the bins hold a whole return of
	Widest    float64     `json:"widest_deg"`  // of a zone's direction from the axis
	Captures  captureTime `json:"shots"`
	StandIns  []string    `json:"stand_ins"` // keys that nobody has determined
}

type captureTime struct {
	Empty  int64 `json:"empty"`
	Target int64 `json:"target"`
	Verify int64 `json:"verify"`
}

func newCheck() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "check FILE",
		Short: "Check a product file, and tell what it says",
		Long: `Reads a product file as the station would. Every mistake is told with its place
and how to mend it (exit code 1). - is standard input. A good file is shown with
its revision, what its units are like, and the keys that ` + "`product make`" + ` wrote a
stand-in for, because nobody had determined them.`,
		Example: "  panecal product check hopper-54.product.toml\n  panecal product check --json hopper-54.product.toml",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			data, err := cli.ReadArgument(c, args[0])
			if err != nil {
				return fmt.Errorf("reading the product file: %w", err)
			}
			p, err := product.Read(filepath.Base(args[0]), data)
			if err != nil {
				return fmt.Errorf("the product file cannot be used:\n%w", err)
			}
			r := reportOf(p, data)
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), r)
			}
			return r.writeText(c.OutOrStdout())
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

func reportOf(p *product.Product, data []byte) report {
	s := p.Setup
	r := report{Schema: "panecal.product_check/1", Product: p.Name, Revision: p.Revision, Author: p.Author, Reason: p.Reason, Limits: p.LimitsFile,
		Firmware: p.Firmware, Reports: p.Reports, Rows: s.Grid.Rows, Cols: s.Grid.Cols, Bins: s.Bins, BinPS: s.BinPS,
		Captures: captureTime{p.Capture.Empty.Total(), p.Capture.Target.Total(), p.Capture.Verify.Total()}, StandIns: standIns(string(data))}
	end := s.FirstBinPS + float64(s.Bins)*s.BinPS
	pulse := s.Pulse.StartPS + s.Pulse.StepPS*float64(len(s.Pulse.Density)-1)
	r.FarthestM = math.Round((end-pulse)*mmPerPS*10) / 10
	for z := range s.Grid.Zones() {
		r.Widest = max(r.Widest, math.Atan(math.Hypot(s.Grid.Ux[z], s.Grid.Uy[z]))*180/math.Pi)
	}
	return r
}

const mmPerPS = 299.792458 / 2 / 1000

// standIns are the keys whose comment says that they are one.
func standIns(text string) []string {
	out := []string{}
	table, above := "", false
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		key, _, isKey := strings.Cut(line, " = ")
		switch {
		case strings.HasPrefix(line, "[") && strings.HasSuffix(line, "]"):
			table = strings.Trim(line, "[]") + "."
		case strings.HasPrefix(line, "#"):
			above = strings.Contains(line, standIn)
			continue
		case isKey && (above || strings.Contains(line, "# "+standIn)):
			out = append(out, table+key)
		}
		above = false
	}
	return out
}

func (r report) writeText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "product   %s, revision %.12s\nreports   %s, firmware %s\ngrid      %d x %d, the outermost direction %.1f deg from the axis\nbins      %d of %g ps, returns to %g mm\n",
		visible.Text(r.Product), r.Revision, r.Reports, visible.Text(strings.Join(r.Firmware, ", ")), r.Rows, r.Cols, r.Widest, r.Bins, r.BinPS, r.FarthestM)
	fmt.Fprintf(&b, "captures  %d, %d, %d shots (empty, target, verify)\nlimits    %s\n", r.Captures.Empty, r.Captures.Target, r.Captures.Verify, visible.Text(orNone(r.Limits)))
	for _, k := range r.StandIns {
		fmt.Fprintf(&b, "STAND-IN  %s: nobody has determined it\n", k)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}
