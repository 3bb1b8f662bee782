package desk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/store"
	"example.org/panecal/store/export"
)

// NewExport makes `panecal export`; open opens the log that it reads.
func NewExport(open func() (*store.Follower, error)) *cobra.Command {
	var choice Choice
	format, out, units := "", "", ""
	c := &cobra.Command{
		Use:   "export --format csv|jsonl|parquet --out PATH",
		Short: "Write attempts as a table for other programs",
		Long: `Writes a row an attempt, in the log's order: who, when, where and how it ended,
then NAME and NAME_u for each quantity and its standard uncertainty. A quantity
with zones also has NAME_high0 to NAME_high3, the largest value + k·u over the
zones for k = 0 to 3, and NAME_low0 to NAME_low3, the smallest value − k·u.

  disposition  the attempt's own verdict
  released     that verdict released the unit, and nothing on record took it
               back: no mark left unconfirmed, no contradiction of labels
  limits       the revision in force
  time         when it was recorded, UTC

A number that is not known is empty in CSV and null in JSON. A CSV text that
begins with = + - or @ gets an apostrophe before it, so that no spreadsheet
takes it for a formula; what a terminal would act upon is made visible.

A parquet file has them as null, times in ns UTC, and holds the units itself, under
the key panecal.units of its metadata.

The units (UCUM codes) go to a second file: FILE.units.csv beside FILE.csv, or
where --units says. With --out - the table goes to standard output, and there
are no units without --units. A file is whole or not there: it gets its name at
the end, and takes the place of one that had it. The command may run while the
station works.

` + ChoiceHelp,
		Example: `  panecal export --format csv --out w.csv --since 2026-11-23 --until 2026-11-30
  panecal export --format parquet --out november.parquet --since 2026-11-01
  panecal export --format jsonl --out - --lot win-0417 --attempts first
  panecal --data /mnt/copy export --format csv --out held.csv --on-hold`,
		Args: cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			j := job{format: export.Format(format), out: out, units: units, stdout: c.OutOrStdout(), talk: c.ErrOrStderr()}
			if err := j.settle(); err != nil {
				return err
			}
			f, err := choice.Filter()
			if err != nil {
				return err
			}
			log, err := open()
			if err != nil {
				return err
			}
			defer log.Close()
			err = j.run(c.Context(), log, f)
			if errors.Is(err, store.ErrDamaged) {
				return &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("exporting: %w; `panecal log check` shows all of it", err)}
			}
			if err != nil {
				return fmt.Errorf("exporting: %w", err)
			}
			return nil
		},
	}
	c.Flags().StringVar(&format, "format", "", strings.Join(words(export.Formats()), ", "))
	c.Flags().StringVar(&out, "out", "", "file of the table, - for standard output")
	c.Flags().StringVar(&units, "units", "", "file of the units (default: beside the table)")
	complete(c, "format", words(export.Formats()))
	choice.AddTo(c)
	return c
}

// job is one export.
type job struct {
	format       export.Format
	out, units   string
	stdout, talk io.Writer
}

// settle refuses what cannot be meant, and names the file of the units.
func (j *job) settle() error {
	wrong := func(text string) error { return cli.UsageError(fmt.Errorf("%s; see panecal export --help", text)) }
	switch {
	case !slices.Contains(export.Formats(), j.format):
		return wrong(fmt.Sprintf("--format %q: want one of %s", j.format, strings.Join(words(export.Formats()), ", ")))
	case j.out == "":
		return wrong("--out is missing: name a file, or - for standard output")
	case j.out == "-" && j.format == export.Parquet:
		return wrong("--out - is for text: parquet wants a file")
	case j.units == "-":
		return wrong("--units - is no file: the units need one of their own")
	case j.units == "" && j.out != "-" && j.format != export.Parquet:
		j.units = strings.TrimSuffix(j.out, filepath.Ext(j.out)) + ".units.csv"
	}
	if j.units != "" && filepath.Clean(j.units) == filepath.Clean(j.out) {
		return wrong("--units and --out name the same file")
	}
	return nil
}

func (j *job) run(ctx context.Context, log *store.Follower, f store.Filter) error {
	var p progress
	if file, ok := cli.Terminal(j.talk); ok {
		p.talk, p.shown = file, true
	}
	table := func(w io.Writer) error {
		t, err := export.NewWriter(w, j.format)
		if err != nil {
			return err
		}
		err = log.Attempts(f, store.AllQuantities(), func(r *store.Row) error {
			p.step(r.Time)
			if err := ctx.Err(); err != nil {
				return err
			}
			return t.Write(r)
		})
		p.end()
		if err != nil {
			return err
		}
		return t.Flush()
	}
	if j.out == "-" {
		if err := table(j.stdout); err != nil {
			return err
		}
	} else if err := export.ToFile(j.out, table); err != nil {
		return err
	}
	if j.units == "" {
		return nil
	}
	return export.ToFile(j.units, export.WriteUnits)
}

// progress tells on a terminal how far the log has been read.
type progress struct {
	talk  io.Writer
	shown bool
	rows  int
	told  time.Time
}

func (p *progress) step(at time.Time) {
	p.rows++
	if p.shown && time.Since(p.told) > 200*time.Millisecond {
		p.told = time.Now()
		fmt.Fprintf(p.talk, "\rexport: %d attempts, up to %s ", p.rows, at.Local().Format("2006-01-02 15:04"))
	}
}

func (p *progress) end() {
	if p.shown {
		fmt.Fprintf(p.talk, "\rexport: %d attempts%25s\n", p.rows, "")
	}
}
