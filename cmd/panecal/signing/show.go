package signing

import (
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/visible"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// revisionReport is `limits show --json`.
type revisionReport struct {
	Schema   string `json:"schema"`
	Kind     string `json:"kind"`
	Revision string `json:"revision"`
	Name     string `json:"name"`
	Signed   bool   `json:"signed"`
	Author   string `json:"author"`
	Approver string `json:"approver"`
	Reason   string `json:"reason"`
	Content  string `json:"content"` // canonical form, TOML
}

// NewShow is the sub-command limits show; follow opens the log.
func NewShow(follow func() (*store.Follower, error)) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "show REVISION|FILE",
		Short: "Print a revision that was in force, from the log, or of a file",
		Long: `Prints a revision in its canonical form, which is TOML itself: that of a file, or
one that the station's log holds, by the first 8 digits or more of its hash. Any
revision of limits, products and sheets that was ever in force is there.`,
		Example: "  panecal limits show 3434cdf6\n  panecal limits show draft.toml --json",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			r, err := findRevision(follow, args[0])
			if err != nil {
				return err
			}
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), r)
			}
			signed := "not signed"
			if r.Signed {
				signed = "signed"
			}
			fmt.Fprintf(c.ErrOrStderr(), "%s %s, revision %s, %s, author %q, approver %q: %s\n", r.Kind, visible.Text(r.Name), r.Revision, signed, r.Author, r.Approver, visible.Text(r.Reason))
			_, err = fmt.Fprint(c.OutOrStdout(), r.Content)
			return err
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

func findRevision(follow func() (*store.Follower, error), text string) (revisionReport, error) {
	if _, err := os.Stat(text); err == nil {
		d, err := Read(text)
		if err != nil {
			return revisionReport{}, err
		}
		return revisionReport{"panecal.revision/1", d.Kind, d.Revision, text, false, d.Author, d.Approver, d.Reason, string(d.Canonical)}, nil
	}
	const least = 8
	text = strings.ToLower(text)
	if len(text) < least || strings.Trim(text, "0123456789abcdef") != "" {
		return revisionReport{}, cli.UsageError(fmt.Errorf("%q is neither a file nor a revision of at least %d hex digits", text, least))
	}
	f, err := follow()
	if err != nil {
		return revisionReport{}, err
	}
	defer f.Close()
	found := map[string]revisionReport{}
	err = f.Records(store.Kind, record.KindReleaseTaken.String(), func(e record.Entry) error {
		if t, ok := e.Body.(*record.ReleaseTaken); ok && strings.HasPrefix(t.Revision.Rev, text) {
			found[t.Revision.Rev] = revisionReport{"panecal.revision/1", t.Document, t.Revision.Rev, t.Revision.Name, t.Revision.Signed, t.Author, t.Approver, t.Reason, string(t.Bytes)}
		}
		return nil
	})
	if err != nil {
		return revisionReport{}, fmt.Errorf("reading the log: %w", err)
	}
	switch len(found) {
	case 0:
		return revisionReport{}, fmt.Errorf("the log has no revision %s", text)
	case 1:
		for _, r := range found {
			return r, nil
		}
	}
	return revisionReport{}, cli.UsageError(fmt.Errorf("%d revisions begin with %s: write more digits", len(found), text))
}
