package proposing

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/files"
	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/study"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/product"
)

// required is the answer of `limits propose requirement`.
type required struct {
	Schema      string        `json:"schema"`
	Label       string        `json:"label"`
	Product     string        `json:"product"`
	Quantity    quantity.Name `json:"quantity"`
	Unit        string        `json:"unit"`
	Outcome     string        `json:"outcome"` // limit, no limit, not met
	Limit       study.Number  `json:"limit"`
	U           study.Number  `json:"u"`
	Before      *float64      `json:"before"` // the limit of --limits
	SearchedTo  float64       `json:"searched_to"`
	Estimator   string        `json:"estimator"`
	Shots       int64         `json:"shots"` // of a frame
	AllowanceMM float64       `json:"allowance_mm"`
	K           float64       `json:"k"`
	Change      float64       `json:"change"`
	ChangeU     float64       `json:"change_u"`
	Added       float64       `json:"added"`
	Signal      float64       `json:"signal"` // of the weakest zone at the station's target
	DistancesMM []float64     `json:"distances_mm"`
	Reflectance []float64     `json:"reflectance"`
	Ambient     []float64     `json:"ambient"`
	Worst       condition     `json:"worst"`
	Budget      []limitTerm   `json:"budget"`
	File        string        `json:"file,omitempty"`
}

type condition struct {
	DistanceMM  float64      `json:"distance_mm"`
	RadialMM    float64      `json:"radial_mm"`
	Reflectance float64      `json:"reflectance"`
	Ambient     float64      `json:"ambient"`
	BiasMM      study.Number `json:"bias_mm"`
	SDMM        study.Number `json:"sd_mm"`
}

type limitTerm struct {
	Name string       `json:"name"`
	U    study.Number `json:"u"`
}

func newRequirement() *cobra.Command {
	sheetFile, limitsFile, out, asJSON := "", "", "", false
	c := &cobra.Command{
		Use:   "requirement PRODUCT --sheet SHEET",
		Short: "Derive the leakage limit from what the product promises of its range",
		Long: `Finds the smallest leakage of a zone at which |bias| + k·sd of a range in use
exceeds the allowance in the product file's [requirement], at any of its working
distances, reflectances and ambient lights. bias comes from the stated change of
leakage since calibration (dirt, temperature, age), by the unit's own way of
ranging; sd from the counts of one frame and from the stored leakage's.

The signal is that of the weakest unit that is accepted: signal in [requirement],
else the lower limit of signal.min in --limits. It is what the station's target
gives, whose distance and reflectance --sheet tells; of several nests the one that
makes the signal weakest counts.

"no limit" is an answer: no leakage exceeds the allowance. So is "not met": it is
exceeded without any leakage, and no limit on leakage helps. u is what the stated
uncertainties of pulse width, leakage distance and change make of the limit. --out
writes the limits file anew with the limit, rounded down.`,
		Example: `  panecal limits propose requirement hopper-54.product.toml --sheet station.sheet.toml --limits hopper-54.limits.toml
  panecal limits propose requirement hopper-1.product.toml --sheet station.sheet.toml --json`,
		Args: cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			if sheetFile == "" || out != "" && limitsFile == "" {
				return cli.UsageError(fmt.Errorf("--sheet is needed, and --limits with --out; see %s --help", c.CommandPath()))
			}
			a, err := newRequired(args[0], sheetFile, limitsFile)
			if err != nil {
				return err
			}
			if out != "" {
				if err := a.write(limitsFile, out); err != nil {
					return err
				}
			}
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), a)
			}
			return a.writeText(c.OutOrStdout())
		},
	}
	c.Flags().StringVar(&sheetFile, "sheet", "", "the station sheet, for the target")
	c.Flags().StringVar(&limitsFile, "limits", "", "the product's limits file, for signal.min")
	c.Flags().StringVar(&out, "out", "", "write a limits file; it must not exist")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

func newRequired(productFile, sheetFile, limitsFile string) (required, error) {
	data, err := os.ReadFile(productFile)
	if err != nil {
		return required{}, fmt.Errorf("reading the product file: %w", err)
	}
	p, err := product.Read(filepath.Base(productFile), data)
	if err != nil {
		return required{}, fmt.Errorf("the product file cannot be used:\n%w", err)
	}
	if p.Requirement == nil {
		return required{}, fmt.Errorf("%s does not say what the product promises: add [requirement] with allowance_mm, k, shots, reflectance and ambient", productFile)
	}
	if data, err = os.ReadFile(sheetFile); err != nil {
		return required{}, fmt.Errorf("reading the station sheet: %w", err)
	}
	sheet, err := product.ReadSheet(filepath.Base(sheetFile), data)
	if err != nil {
		return required{}, fmt.Errorf("the station sheet cannot be used:\n%w", err)
	}
	r := *p.Requirement
	a := required{Schema: proposalSchema, Label: "limit from the requirement", Product: p.Name, Budget: []limitTerm{}}
	if limitsFile != "" {
		f, err := readLimits(limitsFile)
		if err != nil {
			return a, err
		}
		if f.Product != p.Name {
			return a, fmt.Errorf("%s is for product %s, not %s", limitsFile, f.Product, p.Name)
		}
		for _, l := range f.Limits {
			switch {
			case l.Name == quantity.LeakageMax:
				a.Before = l.High
			case l.Name == quantity.SignalMin && r.Signal == 0 && l.Low != nil:
				r.Signal = *l.Low
			}
		}
	}
	if !(r.Signal > 0) {
		return a, errors.New("nothing tells the weakest signal: write signal = … into [requirement], or give --limits with a lower limit of signal.min")
	}
	nest := slices.MaxFunc(sheet.Nests, func(a, b product.Nest) int { // the signal counts there: the nearest, brightest target
		of := func(n product.Nest) float64 {
			d := n.DistanceMM + p.Setup.DatumMM
			return n.Reflectance / (d * d)
		}
		switch {
		case of(a) < of(b):
			return -1
		case of(a) > of(b):
			return 1
		}
		return 0
	})
	r.SignalAtMM, r.SignalReflectance = nest.DistanceMM, nest.Reflectance
	e, err := estimate.New(p.Setup)
	if err != nil {
		return a, err
	}
	l, err := e.LeakageLimit(r)
	if err != nil {
		return a, fmt.Errorf("deriving the limit: %w", err)
	}
	d, _ := quantity.Lookup(quantity.LeakageMax)
	a.Quantity, a.Unit, a.Outcome, a.Limit, a.U, a.SearchedTo, a.Estimator = d.Name, d.Unit, l.Outcome, study.Number(l.Limit), study.Number(l.U), l.SearchedTo, l.Estimator
	a.Shots, a.AllowanceMM, a.K, a.Change, a.ChangeU, a.Added, a.Signal = r.Shots, r.AllowanceMM, r.K, r.Change, r.ChangeU, r.Added, r.Signal
	a.DistancesMM, a.Reflectance, a.Ambient = p.Setup.WorkingMM, r.Reflectance, r.Ambient
	w := l.Worst
	a.Worst = condition{w.DistanceMM, w.RadialMM, w.Reflectance, w.Ambient, study.Number(w.BiasMM), study.Number(w.SDMM)}
	for _, t := range l.Budget {
		a.Budget = append(a.Budget, limitTerm{t.Name, study.Number(t.U)})
	}
	return a, nil
}

func readLimits(path string) (*limits.File, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("reading the limits file: %w", err)
	}
	f, err := limits.Read(filepath.Base(path), data)
	if err != nil {
		return nil, fmt.Errorf("the limits file cannot be used:\n%w", err)
	}
	return f, nil
}

// write writes the limits file anew with the limit.
func (a *required) write(from, to string) error {
	if a.Outcome != estimate.LimitFound {
		return fmt.Errorf("there is no limit to write: %s", a.Outcome)
	}
	data, err := os.ReadFile(from)
	if err != nil {
		return fmt.Errorf("reading the limits file: %w", err)
	}
	head := []string{fmt.Sprintf("The upper limit of %s is from the requirement: |bias| + %v·sd of %s ranging", a.Quantity, a.K, a.Estimator),
		fmt.Sprintf("within %v mm, leakage changed by %v, frames of %d shots; u of the limit %.2g.", a.AllowanceMM, a.Change, a.Shots, float64(a.U))}
	text, err := edit(filepath.Base(from), data, head, []change{{string(a.Quantity), "high", outward(float64(a.Limit), false)}})
	if err != nil {
		return err
	}
	a.File = to
	return files.WriteNew(to, text)
}

func (a required) writeText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s of %s, from the requirement: ", a.Quantity, a.Product)
	switch a.Outcome {
	case estimate.LimitFound:
		fmt.Fprintf(&b, "limit %.4g, u %.2g %s\n", float64(a.Limit), float64(a.U), a.Unit)
	case estimate.LimitNone:
		fmt.Fprintf(&b, "no limit: the allowance is kept up to %.3g %s\n", a.SearchedTo, a.Unit)
	default:
		b.WriteString("not met: the allowance is exceeded without any leakage; longer frames or nearer distances help, a limit does not\n")
	}
	if a.Before != nil {
		fmt.Fprintf(&b, "limit in the file: %v\n", *a.Before)
	}
	fmt.Fprintf(&b, "allowance %v mm for |bias| + %v·sd; %s ranging, %d shots a frame\n", a.AllowanceMM, a.K, a.Estimator, a.Shots)
	fmt.Fprintf(&b, "leakage since calibration: %+.3g of it, u %.2g", a.Change, a.ChangeU)
	if a.Added > 0 {
		fmt.Fprintf(&b, ", and %.3g %s", a.Added, a.Unit)
	}
	fmt.Fprintf(&b, "\nbeyond it first at %v mm (%.1f mm along the zone), reflectance %v, ambient %v: bias %.2f mm, sd %.2f mm\n",
		a.Worst.DistanceMM, a.Worst.RadialMM, a.Worst.Reflectance, a.Worst.Ambient, float64(a.Worst.BiasMM), float64(a.Worst.SDMM))
	for _, t := range a.Budget {
		fmt.Fprintf(&b, "u from %s: %.2g\n", t.Name, float64(t.U))
	}
	if a.File != "" {
		fmt.Fprintf(&b, "written: %s\n", a.File)
	}
	_, err := io.WriteString(w, b.String())
	return err
}
