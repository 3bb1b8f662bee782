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
	"example.org/panecal/limits/quantity"
	"example.org/panecal/store"
	"example.org/panecal/store/export"
	"example.org/panecal/store/record"
)

// NewExport makes `panecal export`; open opens the log that it reads.
func NewExport(open func() (Log, error)) *cobra.Command {
	var choice Choice
	format, out, units, zones := "", "", "", false
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

--zones writes a row a zone: what names the attempt, row and column of the zone from
0, and then the zone's own NAME and NAME_u of each quantity that zones have, its
distance, offset and flags. It reads every record, which takes longer.

--out DIR/ writes a folder that engines read as one table with a column day, the day
of UTC: DIR/day=2026-11-27/part-0.parquet. DIR is not there before, or is empty.

The units (UCUM codes) go to a second file: FILE.units.csv beside FILE.csv, or
where --units says, or DIR/_units.csv. With --out - the table goes to standard
output, and there are no units without --units. A file is whole or not there: it
gets its name at the end, and takes the place of one that had it; so does a folder.
The command may run while the station works.

` + ChoiceHelp,
		Example: `  panecal export --format csv --out w.csv --since 2026-11-23 --until 2026-11-30
  panecal export --format parquet --out november.parquet --since 2026-11-01
  panecal export --format jsonl --out - --lot win-0417 --attempts first
  panecal export --format parquet --zones --out zones/ --since 2026-11-01
  panecal --data /mnt/copy export --format csv --out held.csv --on-hold`,
		Args: cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			j := job{format: export.Format(format), out: out, units: units, zones: zones, stdout: c.OutOrStdout(), talk: c.ErrOrStderr()}
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
	c.Flags().StringVar(&out, "out", "", "file of the table, DIR/ for a folder with a table a day, - for standard output")
	c.Flags().BoolVar(&zones, "zones", false, "a row a zone")
	c.Flags().StringVar(&units, "units", "", "file of the units (default: beside the table)")
	complete(c, "format", words(export.Formats()))
	choice.AddTo(c)
	return c
}

// job is one export.
type job struct {
	format       export.Format
	out, units   string
	zones        bool
	folder       bool // with a folder a day
	stdout, talk io.Writer
}

// settle refuses what cannot be meant, and names the file of the units.
func (j *job) settle() error {
	wrong := func(text string) error { return cli.UsageError(fmt.Errorf("%s; see panecal export --help", text)) }
	j.folder = strings.HasSuffix(filepath.ToSlash(j.out), "/")
	switch {
	case !slices.Contains(export.Formats(), j.format):
		return wrong(fmt.Sprintf("--format %q: want one of %s", j.format, strings.Join(words(export.Formats()), ", ")))
	case j.out == "":
		return wrong("--out is missing: name a file, a folder as DIR/, or - for standard output")
	case j.out == "-" && j.format == export.Parquet:
		return wrong("--out - is for text: parquet wants a file")
	case j.units == "-":
		return wrong("--units - is no file: the units need one of their own")
	case j.units == "" && j.out != "-" && !j.folder && j.format != export.Parquet:
		j.units = strings.TrimSuffix(j.out, filepath.Ext(j.out)) + ".units.csv"
	}
	if j.units != "" && filepath.Clean(j.units) == filepath.Clean(j.out) {
		return wrong("--units and --out name the same file")
	}
	return nil
}

func (j *job) run(ctx context.Context, log Log, f store.Filter) error {
	if j.zones {
		each := func(r *store.Row, each func(*export.Zone) error) error {
			e, err := log.AtStation(r.Station, r.Generation, r.Sequence)
			if err != nil {
				return err
			}
			a, ok := e.Body.(*record.Attempt)
			if !ok {
				return fmt.Errorf("record %s is no attempt: %w", e.Ref, store.ErrDamaged)
			}
			return export.Zones(r, a, each)
		}
		return tables[export.Zone]{export.NewZoneWriter, export.WriteZoneUnits, nil, each}.write(ctx, j, log, f)
	}
	each := func(r *store.Row, each func(*store.Row) error) error { return each(r) }
	return tables[store.Row]{export.NewWriter, export.WriteUnits, store.AllQuantities(), each}.write(ctx, j, log, f)
}

// tables is how a table with a row for each R is made.
type tables[R any] struct {
	begin  func(io.Writer, export.Format) (*export.Table[R], error)
	units  func(io.Writer) error
	wanted []quantity.Name // of the attempts' columns
	each   func(*store.Row, func(*R) error) error
}

func (t tables[R]) write(ctx context.Context, j *job, log Log, f store.Filter) error {
	rows := func(write func(time.Time, *R) error) error {
		var p progress
		if file, ok := cli.Terminal(j.talk); ok {
			p.talk, p.shown = file, true
		}
		defer p.end()
		return log.Attempts(f, t.wanted, func(r *store.Row) error {
			p.step(r.Time)
			if err := ctx.Err(); err != nil {
				return err
			}
			return t.each(r, func(x *R) error { return write(r.Time, x) })
		})
	}
	table := func(w io.Writer) error {
		out, err := t.begin(w, j.format)
		if err != nil {
			return err
		}
		if err := rows(func(_ time.Time, x *R) error { return out.Write(x) }); err != nil {
			return err
		}
		return out.Flush()
	}
	var err error
	switch {
	case j.folder:
		err = t.days(j, rows)
	case j.out == "-":
		err = table(j.stdout)
	default:
		err = export.ToFile(j.out, table)
	}
	if err != nil || j.units == "" {
		return err
	}
	return export.ToFile(j.units, t.units)
}

// days writes the folder with a table a day.
func (t tables[R]) days(j *job, rows func(func(time.Time, *R) error) error) (err error) {
	folder, err := export.NewFolder(j.out, j.format, t.begin)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, folder.Close()) }()
	if err := rows(folder.Write); err != nil {
		return err
	}
	if j.units == "" && j.format != export.Parquet {
		if err := folder.Add("_units.csv", t.units); err != nil {
			return err
		}
	}
	return folder.Finish()
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
