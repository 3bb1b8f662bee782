package desk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/whatif"
	screen "example.org/panecal/station/screen/desk"
	"example.org/panecal/store"
	"example.org/panecal/store/export"
	"example.org/panecal/store/record"
)

// New makes `panecal desk`; open opens the log that it reads, site is the zone
// that people read times in.
func New(open func() (*store.Follower, error), site func() *time.Location) *cobra.Command {
	var choice Choice
	ascii, page, size, name := false, "", "80x24", ""
	titles := screen.Titles()
	for i, t := range titles {
		titles[i] = strings.ReplaceAll(strings.ToLower(t), " ", "-")
	}
	c := &cobra.Command{
		Use:   "desk [FILE]",
		Short: "Move limits over recorded attempts, and look at yield, bins and check units",
		Long: `Shows recorded attempts on the terminal: how a quantity is distributed, with its
limits and guard band; a limit moved with the arrow keys or typed, and at once what
` + "`panecal limits try`" + ` tells; yield by hour and day, bins by count, nests, lots and
hours, charts of the check units. ? tells all keys. It only reads, and follows the
log while the station works.

The limits are those of FILE, or else those that the newest attempt was held
against. One product is looked at: that of the newest attempt chosen unless
--product names another. / takes the flags below.

` + ChoiceHelp + `

Retests are left out unless --attempts all is given.

--print draws one page (` + strings.Join(titles, ", ") + `) and ends; it
needs no terminal. For other programs there are limits try, capability, charts and
export, with --json or as tables.`,
		Example: `  panecal desk
  panecal desk next.limits.toml --nest B --since 2026-09-01
  panecal --data /mnt/copy desk --ascii
  panecal desk --print bins --size 120x40`,
		Args: cli.Args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			o := screen.Options{In: c.InOrStdin(), Out: cli.Beneath(c.OutOrStdout()).(io.Writer), ASCII: ascii, Choice: choice.text(), Location: site()}
			if name != "" {
				d, ok := quantity.Lookup(quantity.Name(name))
				if !ok {
					return cli.Unknown("quantity", string(name), store.AllQuantities())
				}
				o.Quantity = d.Name
			}
			var wide, high int
			if _, err := fmt.Sscanf(size, "%dx%d", &wide, &high); err != nil || wide < 1 || wide > 1000 || high < 1 || high > 1000 {
				return cli.UsageError(fmt.Errorf("--size %q: write columns and rows, as in 120x40", size))
			}
			at := slices.Index(titles, page)
			if page != "" && at < 0 {
				return cli.UsageError(fmt.Errorf("--print %q: one of %s", page, strings.Join(titles, ", ")))
			}
			if _, err := choice.Filter(); err != nil {
				return err
			}
			if len(args) == 1 {
				data, err := os.ReadFile(args[0])
				if err != nil {
					return fmt.Errorf("reading the limits file: %w", err)
				}
				if o.File, err = limits.Read(filepath.Base(args[0]), data); err != nil {
					return fmt.Errorf("the limits file cannot be used:\n%w", err)
				}
			}
			log, err := open()
			if err != nil {
				return err
			}
			defer log.Close()
			noTerminal := cli.UsageError(errors.New("the desk needs a terminal: --print PAGE draws one page without; limits try, capability, charts and export answer programs"))
			if _, terminal := cli.Terminal(c.OutOrStdout()); page == "" && !terminal {
				return noTerminal
			}
			o.Log = follower{log}
			if page != "" {
				text, err := screen.Print(c.Context(), o, at, wide, high)
				if errors.Is(err, store.ErrDamaged) {
					return &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("reading the attempts: %w; `panecal log check` shows all of it", err)}
				}
				if err != nil {
					return err
				}
				_, err = io.WriteString(c.OutOrStdout(), text)
				return err
			}
			err = screen.Run(c.Context(), o)
			if errors.Is(err, screen.ErrNoTerminal) {
				return noTerminal
			}
			return err
		},
	}
	choice.AddTo(c)
	choice.Prefer("first")
	c.Flags().BoolVar(&ascii, "ascii", false, "draw with nothing but ASCII")
	c.Flags().StringVar(&name, "quantity", "", "quantity to begin with, such as offset.mean")
	c.Flags().StringVar(&page, "print", "", "draw this page and end: "+strings.Join(titles, ", "))
	c.Flags().StringVar(&size, "size", size, "columns and rows of --print")
	complete(c, "print", titles)
	complete(c, "quantity", words(store.AllQuantities()))
	complete(c, "size", nil)
	return c
}

// follower is a log as the desk's screen reads it.
type follower struct{ log *store.Follower }

// flagsOf reads the flags of a choice as typed, with quotes where a value has
// spaces.
func flagsOf(text string) (store.Filter, error) {
	list, err := typed(text)
	if err != nil {
		return store.Filter{}, err
	}
	var choice Choice
	c := &cobra.Command{Use: "filter"}
	choice.AddTo(c)
	choice.Prefer("first")
	if err := c.ParseFlags(list); err != nil {
		return store.Filter{}, fmt.Errorf("%w: flags as of panecal export, such as --nest B", err)
	}
	if rest := c.Flags().Args(); len(rest) > 0 {
		return store.Filter{}, fmt.Errorf("%q stands before no flag: write it as in --nest B", rest[0])
	}
	return choice.Filter()
}

// Choose settles on one product.
func (f follower) Choose(ctx context.Context, text string) (screen.Choice, error) {
	pick, err := flagsOf(text)
	if err != nil || pick.Product != "" {
		return screen.Choice{Text: text, Product: pick.Product}, err
	}
	chosen, err := f.newestProduct(ctx, pick)
	if err == nil && chosen == "" { // nothing is chosen: of the whole log, then
		chosen, err = f.newestProduct(ctx, store.Filter{})
	}
	if err == nil && chosen == "" {
		err = screen.ErrEmpty
	}
	return screen.Choice{Text: text, Product: chosen}, err
}

// newestProduct is that of the last attempt that is picked, "" if none is.
func (f follower) newestProduct(ctx context.Context, pick store.Filter) (product string, err error) {
	var m mask
	var texts []string
	err = f.log.Blocks(pick, func(b *store.Block) error {
		picked, err := m.of(b, &pick)
		if err != nil || !slices.Contains(picked, true) {
			return err
		}
		if texts, err = b.Texts("product", texts); err != nil {
			return err
		}
		for i, p := range texts {
			if picked[i] {
				product = p
			}
		}
		return ctx.Err()
	})
	return product, err
}

// InForce finds the limits of the product's newest attempt in the log.
func (f follower) InForce(ctx context.Context, product string) (*limits.File, error) {
	rev := ""
	var products, revs []string
	err := f.log.Blocks(store.Filter{}, func(b *store.Block) (err error) {
		if products, err = b.Texts("product", products); err != nil {
			return err
		}
		if revs, err = b.Texts("limits_rev", revs); err != nil {
			return err
		}
		for i, p := range products {
			if p == product && revs[i] != "" {
				rev = revs[i]
			}
		}
		return ctx.Err()
	})
	if err != nil {
		return nil, err
	}
	if rev == "" {
		return nil, fmt.Errorf("no attempt of %s was judged by limits: name another --product, or a limits file", product)
	}
	var content []byte
	err = f.log.Records(store.Kind, record.KindReleaseTaken.String(), func(e record.Entry) error {
		if t, ok := e.Body.(*record.ReleaseTaken); ok && t.Revision.Rev == rev {
			content = t.Bytes
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if content == nil {
		return nil, fmt.Errorf("the log does not hold the limits %.12s of %s: name their file, as in panecal desk FILE", rev, product)
	}
	file, err := limits.Read("the limits in the log", content)
	if err != nil {
		return nil, fmt.Errorf("the limits in the log cannot be used: name a file, as in panecal desk FILE:\n%w", err)
	}
	return file, nil
}

// Scan goes once through the log.
func (f follower) Scan(ctx context.Context, c screen.Choice, sample int, each func(whatif.Rows, []bool) error, progress func(int, int)) ([]whatif.Unit, error) {
	pick, err := flagsOf(c.Text)
	if err != nil {
		return nil, err
	}
	pick.Product = c.Product
	some := NewSample(sample)
	err = scan(ctx, f.log, pick, telling{made: progress, done: progress}, func(station string, b whatif.Rows, picked []bool) (func() error, error) {
		offered, err := some.pick(station, b, picked)
		return func() error { some.add(offered); return each(b, picked) }, err
	})
	if err != nil {
		return nil, err
	}
	return some.Units(f.log)
}

// Checks goes through the attempts of check units.
func (f follower) Checks(ctx context.Context, c screen.Choice, each func(whatif.Rows, []bool) error) error {
	pick, err := flagsOf(c.Text)
	if err != nil {
		return err
	}
	pick.Product, pick.Purpose, pick.First = c.Product, record.CheckUnit, false
	var m mask
	return f.log.Blocks(pick, func(b *store.Block) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		picked, err := m.of(b, &pick)
		if err != nil {
			return err
		}
		return each(b, picked)
	})
}

// Export writes the attempts as `panecal export` does.
func (f follower) Export(ctx context.Context, c screen.Choice, path string) error {
	pick, err := flagsOf(c.Text)
	if err != nil {
		return err
	}
	pick.Product = c.Product
	j := job{format: export.CSV, out: path, talk: io.Discard}
	if filepath.Ext(path) == ".jsonl" {
		j.format = export.JSONL
	}
	if err := j.settle(); err != nil {
		return err
	}
	return j.run(ctx, f.log, pick)
}

// WriteText writes a file, whole or not at all.
func (f follower) WriteText(path, text string) error {
	return export.ToFile(path, func(w io.Writer) error {
		_, err := io.WriteString(w, text)
		return err
	})
}

// Newest is the number of the last record.
func (f follower) Newest(context.Context) (uint64, error) {
	head, err := f.log.Head()
	return head.Sequence, err
}
