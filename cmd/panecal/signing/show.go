package signing

import (
	"fmt"
	"io"
	"os"
	"strings"
	"text/tabwriter"
	"time"

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

// revisionList is `limits show --json` without a revision.
type revisionList struct {
	Schema    string        `json:"schema"`
	Revisions []takenReport `json:"revisions"` // in the order in which they came into force first
}

type takenReport struct {
	Kind     string    `json:"kind"` // limits, product, sheet or roster
	Name     string    `json:"name"`
	Revision string    `json:"revision"`
	Signed   bool      `json:"signed"`
	Author   string    `json:"author"`
	Approver string    `json:"approver"`
	Reason   string    `json:"reason"`
	First    time.Time `json:"first"` // when it was taken up, UTC
	Last     time.Time `json:"last"`  // when it was taken up again
}

// NewShow is the sub-command limits show; follow opens the log.
func NewShow(follow func() (*store.Follower, error)) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "show [REVISION|FILE]",
		Short: "Print a revision that was in force, from the log, or of a file",
		Long: `Prints a revision in its canonical form, which is TOML itself: that of a file, or
one that the station's log holds, by the first 8 digits or more of its hash. Any
revision of limits, products, sheets and rosters that was ever in force is there;
without a name they are listed, with the time when each was taken up first.`,
		Example: "  panecal limits show\n  panecal limits show 3434cdf6\n  panecal limits show draft.toml --json",
		Args:    cli.Args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 0 {
				l, err := revisions(follow)
				if err != nil {
					return err
				}
				if asJSON {
					return cli.PrintJSON(c.OutOrStdout(), l)
				}
				return l.writeText(c.OutOrStdout())
			}
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
		return revisionReport{}, fmt.Errorf("the log has no revision %s: `panecal limits show` lists those that it has", text)
	case 1:
		for _, r := range found {
			if record.HashOf([]byte(r.Content)).String() != r.Revision {
				return r, &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("what the log holds as revision %.12s is other text: `panecal log check` says what is wrong with the log", r.Revision)}
			}
			return r, nil
		}
	}
	return revisionReport{}, cli.UsageError(fmt.Errorf("%d revisions begin with %s: write more digits", len(found), text))
}

// revisions lists what was ever in force.
func revisions(follow func() (*store.Follower, error)) (revisionList, error) {
	l := revisionList{Schema: "panecal.revisions/1", Revisions: []takenReport{}}
	f, err := follow()
	if err != nil {
		return l, err
	}
	defer f.Close()
	at := map[string]int{}
	err = f.Records(store.Kind, record.KindReleaseTaken.String(), func(e record.Entry) error {
		t, ok := e.Body.(*record.ReleaseTaken)
		if !ok {
			return nil
		}
		key := t.Document + " " + t.Revision.Rev
		if i, known := at[key]; known {
			l.Revisions[i].Last = e.Time
			return nil
		}
		at[key] = len(l.Revisions)
		l.Revisions = append(l.Revisions, takenReport{t.Document, t.Revision.Name, t.Revision.Rev, t.Revision.Signed, t.Author, t.Approver, t.Reason, e.Time, e.Time})
		return nil
	})
	if err != nil {
		return l, fmt.Errorf("reading the log: %w", err)
	}
	return l, nil
}

func (l *revisionList) writeText(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, r := range l.Revisions {
		signed := "not signed"
		if r.Signed {
			signed = "signed"
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%.12s\t%s\t%s\n", r.First.Local().Format("2006-01-02 15:04"), r.Kind, r.Name, r.Revision, signed, r.Reason)
	}
	return t.Flush()
}
