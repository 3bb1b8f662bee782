package analyst

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/cmd/panecal/logs"
	"example.org/panecal/store"
	"example.org/panecal/store/dossier"
	"example.org/panecal/store/evidence"
	"example.org/panecal/store/export"
	"example.org/panecal/store/query"
	"example.org/panecal/store/record"
)

// NewDossier makes `panecal dossier`; find says which log it is about, site is the
// zone of the page's times, software this program's version.
func NewDossier(open Open, find logs.Find, site func() *time.Location, software string) *cobra.Command {
	out, asJSON := "", false
	c := &cobra.Command{
		Use:   "dossier SERIAL --out FILE",
		Short: "Write the report about one unit, with what proves it",
		Long: `Writes one HTML file that needs nothing but itself: what was measured with its
expanded uncertainty, the decision rules, the target's certificate, the conditions,
maps of the zones, the timeline, the hash of every record, the result of the log's
check and who remembers the log. It carries the proofs of the unit's records as data:
panecal log verify FILE reads them from the page.

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
			l, err := find()
			if err != nil {
				return err
			}
			check, err := store.Check(l.Folder, store.CheckOptions{Beside: l.Beside, Progress: logs.Progress(c.ErrOrStderr(), "checking")})
			if err != nil {
				return logs.Error("checking the log", l.Folder, err)
			}
			d := dossier.New(strings.ToUpper(args[0]), software, time.Now(), site(), check)
			if err := tell(d, open, l, args[0], c.ErrOrStderr()); err != nil {
				if d.Log.Whole {
					return err
				}
				d.Unreadable = err.Error()
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
			if !d.Log.Whole {
				return &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("the log is not as it was written (%s): the dossier says so; `panecal log check` shows all of it", d.Log.Problems[0].Code)}
			}
			return nil
		},
	}
	c.Flags().StringVar(&out, "out", "", "the file")
	c.Flags().BoolVar(&asJSON, "json", false, "everything as one JSON object")
	return c
}

// tell adds the unit and its proofs.
func tell(d *dossier.Dossier, open Open, l logs.Log, typed string, talk io.Writer) error {
	log, err := open()
	if err != nil {
		return err
	}
	defer log.Close()
	var u *query.Unit
	for _, serial := range desk.Serials(typed) {
		if u, err = query.History(log, serial); err != nil || u.Found {
			break
		}
	}
	if err == nil && !u.Found {
		return fmt.Errorf("the log has nothing about %q: `panecal find %s` looks for a part of it", typed, typed)
	}
	if err == nil {
		err = u.AddChecks(log)
	}
	if err != nil {
		return fmt.Errorf("reading the log: %w", err)
	}
	d.Serial = u.Serial
	files := evidence.NewFiles(log)
	d.Tell(u, func(document, revision string) *record.ReleaseTaken {
		t, err := files.Find(document, revision)
		if err != nil {
			return nil // the page then has the revision alone
		}
		return t
	})
	under, err := logs.Newest(l)
	if err != nil {
		d.ProofNote = "There is no proof: " + err.Error()
		return nil
	}
	f, left, err := store.Prove(l.Folder, u.Serial, under, nil, logs.Progress(talk, "proving"))
	if err != nil {
		d.ProofNote = "There is no proof: " + err.Error()
		return nil
	}
	if len(f.Records) == 0 {
		d.ProofNote = "There is no proof: the newest checkpoint covers no record of this unit."
		return nil
	}
	return d.Prove(f, under.Time, under.Size, left)
}
