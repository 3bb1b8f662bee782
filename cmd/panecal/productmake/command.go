package productmake

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/pelletier/go-toml/v2"
	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/files"
)

// New is the command.
func New() *cobra.Command {
	c := &cobra.Command{
		Use:   "product",
		Short: "Make a product file from units at known distances, and check product files",
		Args:  cli.Args(cobra.NoArgs),
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newMake(), newCheck())
	return c
}

// request is what `product make` was asked for.
type request struct {
	list, out, limits, documents, bins string
	datumU                             float64
	json                               bool
	bench                              bench
}

func newMake() *cobra.Command {
	var q request
	c := &cobra.Command{
		Use:   "make --list FILE --out FILE",
		Short: "Make a product file from check units at known distances",
		Long: `Measures units at known distances and writes a product file from what they tell,
each number with its standard uncertainty. --list FILE has a line for each unit and
distance, {"port":…,"label":…,"distance_mm":300,"distance_u_mm":0.15}; the same unit
on more lines stands before the target at more distances, in that order, and with
tilt_x_deg and tilt_y_deg before a target that is tilted. - is standard input.
Nothing is written into a unit. At a terminal it says what the hands do next and
waits for Enter; else it sees the target come.

What units tell: the pulse (of leakage and target together, told apart), the field
of view (from two distances 50 mm apart or more), counts' scatter, late light, dark
zones, base values of every quantity with their spread over units. What they
cannot tell stands in documents: --documents FILE has such keys as a product file
has them, such as range.datum_mm; they stand in the file as they are. What nobody
tells is listed, and has a stand-in.

--limits FILE also writes first limits: screening limits, from the same units.

Caution: the emitters send invisible laser radiation.`,
		Example: `  panecal product make --list units.jsonl --out new.product.toml
  panecal product make --list units.jsonl --documents drawing.toml --out new.product.toml --limits new.limits.toml
  panecal product make --list units.jsonl --out new.product.toml --json > made.json`,
		Args: cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			a, err := q.make(c)
			if err != nil {
				return err
			}
			if q.json {
				return cli.PrintJSON(c.OutOrStdout(), a)
			}
			return a.writeText(c.OutOrStdout())
		},
	}
	f := c.Flags()
	f.StringVar(&q.list, "list", "", "file of units, ports and distances; - is standard input")
	f.StringVar(&q.out, "out", "", "product file to write; it must not exist")
	f.StringVar(&q.limits, "limits", "", "limits file to write too; it must not exist, and belongs beside the product file")
	f.StringVar(&q.documents, "documents", "", "keys of a product file that documents tell")
	f.StringVar(&q.bins, "bins", "", "answer of panecal bins --json for these units: widths of bins")
	f.Float64Var(&q.datumU, "datum-u", 0.1, "standard uncertainty of the documents' range.datum_mm, mm")
	f.BoolVar(&q.json, "json", false, "print one JSON object")
	f.IntVar(&q.bench.baud, "baud", 921600, "speed of a serial line")
	f.StringVar(&q.bench.openText, "open-text", "", "text that opens protocol mode on a unit with a console")
	f.StringVar(&q.bench.closeText, "close-text", "", "text that closes it")
	f.Int64Var(&q.bench.shots, "shots", 4_000_000, "shots of each capture")
	f.DurationVar(&q.bench.hands, "hands-time", 2*time.Minute, "how long to wait for the target before giving up")
	f.DurationVar(&q.bench.grace, "grace", 2*time.Second, "added to the 100 ms in which a unit answers")
	return c
}

func (q request) make(c *cobra.Command) (*answer, error) {
	switch {
	case q.list == "" || q.out == "":
		return nil, cli.UsageError(errors.New("--list and --out are needed: the units, and the file to write"))
	case q.bench.shots < 100_000 || q.bench.shots > 1<<31:
		return nil, cli.UsageError(fmt.Errorf("--shots %d: give 100000 to 2147483648", q.bench.shots))
	case !(q.datumU > 0):
		return nil, cli.UsageError(fmt.Errorf("--datum-u %g: give a standard uncertainty above 0", q.datumU))
	}
	// Before an hour at the bench, not behind it.
	for _, f := range []string{q.out, q.limits} {
		if _, err := os.Stat(f); f != "" && err == nil {
			return nil, cli.UsageError(fmt.Errorf("%s exists: give the name of a new file", f))
		}
	}
	if _, err := os.Stat(filepath.Dir(q.out)); err != nil {
		return nil, fmt.Errorf("the folder of --out: %w", err)
	}
	docs := map[string]any{}
	if q.documents != "" {
		text, err := os.ReadFile(q.documents)
		if err != nil {
			return nil, fmt.Errorf("reading the documents' keys: %w", err)
		}
		if err := toml.Unmarshal(text, &docs); err != nil {
			return nil, fmt.Errorf("%s cannot be read: %w", q.documents, err)
		}
	}
	var even *widths
	if q.bins != "" {
		w, err := readWidths(q.bins)
		if err != nil {
			return nil, err
		}
		even = w
	}
	list, err := readList(q.list, c.InOrStdin())
	if err != nil {
		return nil, err
	}
	if q.limits != "" && len(list) < 2 {
		return nil, cli.UsageError(errors.New("--limits needs two units: one does not tell what is usual"))
	}
	q.bench.talk, q.bench.frames = c.ErrOrStderr(), 20
	if in, ok := cli.Terminal(c.InOrStdin()); ok && q.list != "-" {
		q.bench.answer = bufio.NewReader(in)
	}
	w := work{docs: docs, widths: even, datumU: q.datumU, baud: q.bench.baud}
	if q.limits != "" {
		w.limits = filepath.Base(q.limits)
	}
	if w.specimens, err = q.bench.all(c.Context(), list); err != nil {
		return nil, err
	}
	if even != nil {
		if err := even.fits(w.specimens[0].id); err != nil {
			return nil, err
		}
	}
	text, err := w.run()
	if err != nil {
		return nil, err
	}
	if q.limits != "" {
		first, err := w.limitsText()
		if err != nil {
			return nil, err
		}
		if err := files.WriteNew(q.limits, first); err != nil {
			return nil, err
		}
	}
	if err := files.WriteNew(q.out, text); err != nil {
		return nil, err
	}
	w.answer.File, w.answer.Limits = q.out, q.limits
	return &w.answer, nil
}

// all measures the units one after the other.
func (b bench) all(ctx context.Context, list []sitting) (out []specimen, err error) {
	for i, s := range list {
		b.say("unit %d of %d", i+1, len(list))
		one, err := b.measure(ctx, s)
		if err != nil {
			return nil, wrap(s, err)
		}
		out = append(out, one)
	}
	return out, nil
}

// wrap names the unit, and keeps the exit code.
func wrap(s sitting, err error) error {
	var coded *cli.CodedError
	named := fmt.Errorf("unit %s at %s: %w", s.label, s.port, err)
	if errors.As(err, &coded) {
		return &cli.CodedError{Code: coded.Code, Err: named}
	}
	return named
}
