package analyst

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/station/capture"
	"example.org/panecal/store/evidence"
	"example.org/panecal/store/export"
	"example.org/panecal/store/record"
)

// source says in a capture file where it is from.
type source struct {
	Serial     string `json:"serial"`
	Attempt    int    `json:"attempt"`
	Station    string `json:"station"`
	Generation uint32 `json:"generation"`
	Sequence   uint64 `json:"sequence"`
	Hash       string `json:"hash"`
	Product    string `json:"product"`
	ProductRev string `json:"product_rev"`
	Software   string `json:"software"`
	Simulated  bool   `json:"simulated,omitempty"`
	Verify     bool   `json:"verify,omitempty"` // the capture after writing stands in the target's place
}

// NewCapture makes `panecal capture`.
func NewCapture(open Open) *cobra.Command {
	number, verify, out, asCSV := 0, false, "", false
	c := &cobra.Command{
		Use:   "capture SERIAL --out FILE",
		Short: "Write a unit's raw captures as a capture file",
		Long: `Writes the raw captures of an attempt as panecal.capture/1, with all that the
station computed from: panecal estimate FILE then gives the numbers on record, bit
for bit with the same version and processor. The object setup holds what the product
of that day states: budget, allowances, directions, datum and references.

--verify puts the capture after writing in the target's place. A unit that ranges
itself gives no histogram then: its ranges with the constants on stand in every file
beside the target, under the key verify, and verify.error comes out of them.

--csv writes every capture of the attempt for people instead, a row a bin, and a row
a zone of the unit's own ranges; those that were taken again are among them.
- is standard output. A file is whole or not there.`,
		Example: `  panecal capture H54-00001-O --out capture.json
  panecal capture H54-00001-O --attempt 1 --out - | panecal estimate -
  panecal capture H54-00001-O --csv --out counts.csv`,
		Args: cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			if out == "" {
				return cli.UsageError(errors.New("--out is missing: name a file, or - for standard output"))
			}
			if verify && asCSV {
				return cli.UsageError(errors.New("--csv writes every capture, that after writing too: leave --verify out"))
			}
			log, err := open()
			if err != nil {
				return err
			}
			defer log.Close()
			p, err := pick(log, args[0], number)
			if err != nil {
				return fail("reading the captures", err)
			}
			e, err := p.evidence(evidence.NewFiles(log))
			if err != nil {
				return fail("reading the captures", err)
			}
			file := e.File
			if verify {
				if file, err = e.VerifyFile(); err != nil {
					return fmt.Errorf("%s: %w", p.what(), err)
				}
			}
			write := func(w io.Writer) error {
				if asCSV {
					return writeCSV(w, e.Raw)
				}
				s := source{p.serial, p.Run.AttemptNo, p.entry.Ref.Station, p.entry.Ref.Generation, p.entry.Ref.Sequence, p.entry.Ref.Hash.String(),
					p.Run.Product.Name, p.Run.Product.Rev, p.Run.Software, p.entry.Simulated, verify}
				return capture.Write(w, file, s)
			}
			if out == "-" {
				return write(c.OutOrStdout())
			}
			if err := export.ToFile(out, write); err != nil {
				return fmt.Errorf("writing the captures: %w", err)
			}
			fmt.Fprintf(c.ErrOrStderr(), "%s: written to %s\n", p.what(), out)
			return nil
		},
	}
	attemptFlag(c, &number)
	c.Flags().BoolVar(&verify, "verify", false, "the capture after writing in the target's place")
	c.Flags().BoolVar(&asCSV, "csv", false, "a table for people")
	c.Flags().StringVar(&out, "out", "", "file, - for standard output")
	return c
}

// writeCSV writes captures as a table: a row a bin of histograms, a row a zone of
// ranges. What does not apply is empty.
func writeCSV(w io.Writer, list []*record.Capture) error {
	t := csv.NewWriter(w)
	if err := t.Write([]string{"capture", "number", "kind", "compensated", "end", "temperature_cel", "shots", "zone", "row", "col",
		"bin", "begin_ps", "count", "signal", "signal_u", "ambient", "ambient_u", "range_mm", "range_u_mm"}); err != nil {
		return err
	}
	number := func(v float64) string {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return ""
		}
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	for i, c := range list {
		temp := math.NaN()
		if c.TempKnown {
			temp = float64(c.TempMilliCel) / 1000
		}
		head := []string{c.Name, strconv.Itoa(i + 1), c.Kind, strconv.FormatBool(c.Compensated), c.End, number(temp), strconv.FormatInt(c.Shots, 10)}
		for z := range c.Rows * c.Cols {
			at := append(head[:len(head):len(head)], strconv.Itoa(z), strconv.Itoa(z/c.Cols), strconv.Itoa(z%c.Cols))
			if len(c.Signal) > z {
				if err := t.Write(append(at, "", "", "", number(c.Signal[z]), number(c.SignalU[z]), number(c.Ambient[z]), number(c.AmbientU[z]), number(c.RangeMM[z]), number(c.RangeUMM[z]))); err != nil {
					return err
				}
				continue
			}
			for b := range c.Bins {
				if k := z*c.Bins + b; k < len(c.Counts) {
					if err := t.Write(append(at, strconv.Itoa(b), strconv.FormatInt(c.FirstBinPS+int64(b)*c.BinPS, 10), strconv.FormatUint(uint64(c.Counts[k]), 10), "", "", "", "", "", "")); err != nil {
						return err
					}
				}
			}
		}
	}
	t.Flush()
	return t.Error()
}
