package analyst

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/store/export"
)

// NewDossier makes `panecal dossier`.
func NewDossier(r *Reports) *cobra.Command {
	out, asJSON := "", false
	c := &cobra.Command{
		Use:   "dossier SERIAL --out FILE",
		Short: "Write the report about one unit, with what proves it",
		Long: `Writes one HTML file that needs nothing but itself: what was measured with its
expanded uncertainty, the decision rules, the target's certificate, the conditions,
maps of the zones, the raw light of the brightest zone with what was fitted to it, the
probable causes, the percentiles among its neighbours, the timeline, the hash of every
record, the result of the log's check and who remembers the log. It carries the proofs
of the unit's records as data: panecal log verify FILE reads them from the page.

--json writes everything as one JSON object instead, to --out or standard output.

The whole log is checked, which takes as long as panecal log check. Exit code 3 where
the log is not as it was written, or not as others remember it: the file is written
all the same, and says so.`,
		Example: "  panecal dossier H54-00001-O --out H54-00001-O.html\n  panecal dossier h54-00001 --json > H54-00001-O.json",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			if out == "" && !asJSON {
				return cli.UsageError(errors.New("--out is missing: name a file"))
			}
			if strings.TrimSpace(args[0]) == "" {
				return cli.UsageError(errors.New("the serial is empty"))
			}
			d, err := r.About(c.Context(), args[0], c.ErrOrStderr())
			if err != nil {
				return err
			}
			write := d.WriteHTML
			if asJSON {
				write = func(w io.Writer) error { return cli.PrintJSON(w, d) }
			}
			if out == "" || out == "-" {
				err = write(c.OutOrStdout())
			} else {
				err = export.ToFile(out, write)
			}
			if err != nil {
				return fmt.Errorf("writing the dossier: %w", err)
			}
			return worth(d)
		},
	}
	c.Flags().StringVar(&out, "out", "", "the file")
	c.Flags().BoolVar(&asJSON, "json", false, "everything as one JSON object")
	return c
}
