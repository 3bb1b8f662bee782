package logs

import (
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/store"
)

// logRebuild is `log rebuild --json`.
type logRebuild struct {
	Schema  string       `json:"schema"`
	Store   string       `json:"store"`
	Into    string       `json:"into"`
	Station string       `json:"station"`
	Records int          `json:"records"` // found
	Whole   uint64       `json:"whole"`   // sequence up to which nothing is missing
	Missing []logMissing `json:"missing"`
	Found   []logFound   `json:"found"` // what is not in both copies, or not proven, or behind a gap
}

type logMissing struct {
	From uint64 `json:"from"`
	To   uint64 `json:"to"`
}

type logFound struct {
	Sequence uint64 `json:"sequence"`
	Hash     string `json:"hash"`
	Segments bool   `json:"segments"`
	Database bool   `json:"database"`
	Proven   bool   `json:"proven"`
	InStore  bool   `json:"in_store"` // else in the file of what is behind a gap
}

// NewRebuild is the sub-command log rebuild.
func NewRebuild(find Find) *cobra.Command {
	var asJSON bool
	into := ""
	c := &cobra.Command{
		Use:   "rebuild --into FOLDER",
		Short: "Make a new store of what a damaged one still holds",
		Long: `Looks for every record that stands anywhere in segments, or in the database of
an earlier version, and makes a new store of the unbroken beginning of the log in
FOLDER, which must be empty or not exist. Records behind a gap are put beside it,
in beyond-the-gap.jsonl, and differences.txt lists what was found where. The
damaged store is not changed: keep it.

Nothing is ever written to what this makes; go on from it with
` + "`panecal init --continues FOLDER`" + `. Exit code 3 where records are missing.`,
		Example: "  panecal log rebuild --into /srv/rebuilt",
		Args:    cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			if into == "" {
				return cli.UsageError(fmt.Errorf("--into FOLDER is missing: a log is never rebuilt in place; see %s --help", c.CommandPath()))
			}
			l, err := find()
			if err != nil {
				return err
			}
			folder := l.Folder
			into, err := filepath.Abs(into)
			if err != nil {
				return fmt.Errorf("rebuilding the log: %w", err)
			}
			s, err := store.Rebuild(folder, into)
			if err != nil {
				return Error("rebuilding the log", folder, err)
			}
			if asJSON {
				err = cli.PrintJSON(c.OutOrStdout(), rebuildReport(s, folder, into))
			} else {
				fmt.Fprint(c.OutOrStdout(), s.Text())
			}
			if err == nil && (len(s.Missing) > 0 || len(s.Beyond()) > 0) {
				return &cli.QuietError{Code: cli.ExitFailed}
			}
			return err
		},
	}
	c.Flags().StringVar(&into, "into", "", "the new folder")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

func rebuildReport(s *store.Salvage, folder, into string) logRebuild {
	out := logRebuild{"panecal.log_rebuild/1", folder, into, s.Station, len(s.Records), s.Whole.Sequence, []logMissing{}, []logFound{}}
	for _, m := range s.Missing {
		out.Missing = append(out.Missing, logMissing(m))
	}
	beyond := map[string]bool{}
	for _, r := range s.Beyond() {
		beyond[r.Entry.Ref.Hash.String()] = true
	}
	for _, r := range s.Records {
		hash := r.Entry.Ref.Hash.String()
		if r.Segments && r.Proven && !beyond[hash] {
			continue
		}
		out.Found = append(out.Found, logFound{r.Entry.Ref.Sequence, hash, r.Segments, r.Database, r.Proven, !beyond[hash]})
	}
	return out
}
