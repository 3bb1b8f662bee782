package staff

import (
	"fmt"
	"io/fs"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/guard"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station/roster"
)

// report is `roster check --json`. It has no badge and no name.
type report struct {
	Schema   string    `json:"schema"`
	File     string    `json:"file"`
	Revision string    `json:"revision"`
	Signed   bool      `json:"signed"` // signatures of two of its own engineers fit
	People   []person  `json:"people"`
	Findings []finding `json:"findings"`
}

type person struct {
	ID           string        `json:"id"`
	Roles        []roster.Role `json:"roles"`
	State        string        `json:"state"` // "valid", "not trained", "ended" or "revoked"
	TrainedUntil *string       `json:"trained_until"`
	ValidUntil   *string       `json:"valid_until"`
	Key          bool          `json:"key"`
	Badge        bool          `json:"badge"`
	PIN          bool          `json:"pin"`
}

type finding struct {
	Person string `json:"person"`
	State  string `json:"state"` // "look" or "bad"
	Text   string `json:"text"`
	Mend   string `json:"mend"`
}

func newCheck(where func() (Place, error)) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "check",
		Short: "Check the roster, and show who may do what",
		Long: `Shows each pseudonym with its roles and what is missing: a badge, a PIN, a key, a
training that has ended or ends within 30 days. Exit code 3 where something is
bad, 1 where a file cannot be used. It shows no badge and no name.`,
		Example: "  panecal roster check\n  panecal roster check --json",
		Args:    cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			p, text, book, err := open(where)
			if err != nil {
				return err
			}
			if text == nil {
				return fmt.Errorf("reading the roster: %w", &fs.PathError{Op: "open", Path: p.Roster, Err: fs.ErrNotExist})
			}
			r := examine(p, book, time.Now())
			if asJSON {
				err = cli.PrintJSON(c.OutOrStdout(), r)
			} else {
				err = r.print(c)
			}
			if err != nil {
				return err
			}
			for _, f := range r.Findings {
				if f.State == "bad" {
					return &cli.QuietError{Code: cli.ExitFailed}
				}
			}
			return nil
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

func (r report) print(c *cobra.Command) error {
	signed := "not signed"
	if r.Signed {
		signed = "signed"
	}
	w := tabwriter.NewWriter(c.OutOrStdout(), 0, 8, 2, ' ', 0)
	fmt.Fprintf(w, "%s, revision %.12s, %s\n", visible.Text(r.File), r.Revision, signed)
	yes := func(is bool, what string) string {
		if is {
			return what
		}
		return "-"
	}
	for _, p := range r.People {
		var roles []string
		for _, one := range p.Roles {
			roles = append(roles, string(one))
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s %s %s\n", p.ID, p.State, strings.Join(roles, " "), yes(p.Badge, "badge"), yes(p.PIN, "PIN"), yes(p.Key, "key"))
	}
	for _, f := range r.Findings {
		fmt.Fprintf(w, "%s\t%s\t%s\n", f.State, f.Person, visible.Text(f.Text))
		fmt.Fprintf(w, "\t\t-> %s\n", visible.Text(f.Mend))
	}
	return w.Flush()
}

// warnDays is how long before a date ends it is warned of.
const warnDays = 30

func examine(p Place, b *roster.Book, now time.Time) report {
	r := report{Schema: "panecal.roster/1", File: p.Roster, Revision: b.Revision, People: []person{}, Findings: []finding{}}
	say := func(who, state, text, mend string) { r.Findings = append(r.Findings, finding{who, state, text, mend}) }
	r.Signed = b.Verify(b.Keys(now, p.Site, roster.Engineer)) == nil
	leads := 0
	for _, one := range b.Roster.People {
		line, has := b.Of(one.ID)
		q := person{ID: one.ID, Roles: append([]roster.Role{}, one.Roles...), State: "valid", Key: one.Key != nil, Badge: has && line.Text != "", PIN: line.PIN != ""}
		for _, d := range []struct {
			day roster.Day
			to  **string
		}{{one.TrainedUntil, &q.TrainedUntil}, {one.ValidUntil, &q.ValidUntil}} {
			if text := d.day.String(); !d.day.IsZero() {
				*d.to = &text
			}
		}
		switch {
		case one.Withdrawn(now, p.Site):
			q.State = "revoked"
		case one.ValidUntil.Over(now, p.Site):
			q.State = "ended"
			say(one.ID, "look", "no longer valid since "+one.ValidUntil.String(), "leave it; or release a roster with a later valid_until")
		case !one.Trained(now, p.Site):
			q.State = "not trained"
			say(one.ID, "look", "the training ended on "+one.TrainedUntil.String(), "train the person, then release a roster with a later trained_until; until then a lead may allow single shifts")
		default:
			for _, d := range []struct {
				what string
				day  roster.Day
			}{{"training", one.TrainedUntil}, {"time at this station", one.ValidUntil}} {
				if left := d.day.Left(now, p.Site); !d.day.IsZero() && left <= warnDays {
					say(one.ID, "look", fmt.Sprintf("%s ends on %s, in %d days", d.what, d.day, left), "release a roster with a later date")
				}
			}
		}
		if q.State == "valid" || q.State == "not trained" {
			if one.Has(roster.Operator, roster.Lead, roster.Maintenance) && !q.Badge {
				say(one.ID, "look", "has no badge", "write it into "+roster.PeopleFile+", with the pseudonym")
			}
			if one.Has(roster.Lead, roster.Maintenance) && !q.PIN {
				say(one.ID, "look", "may lift stops, and has no PIN", "panecal roster pin "+one.ID)
			}
			if one.Has(roster.Lead) && q.PIN {
				leads++
			}
		}
		r.People = append(r.People, q)
	}
	if leads == 0 {
		say("", "bad", "no lead has a badge and a PIN: most stops could not be lifted", "panecal roster add ID --role lead --badge …, then panecal roster pin ID")
	}
	if n := len(b.Keys(now, p.Site, roster.Engineer)); n == 1 {
		say("", "bad", "one engineer alone has a key: nothing can be released, for a file has an author and another person as approver", "panecal roster add ID --role engineer --key FILE")
	} else if n > 1 && !r.Signed {
		say("", "bad", "engineers have keys, and this roster is not signed by two of them: the station refuses it", "panecal limits draft, review, release --into "+p.Roster)
	}
	for _, id := range b.IDs() {
		if _, ok := b.Person(id); !ok {
			say(id, "look", "has a badge, and is not in the roster", "delete the line in "+roster.PeopleFile)
		}
	}
	if _, err := guard.ReadPrivate(PeoplePath(p.Roster)); err != nil && len(b.IDs()) == 0 {
		say("", "look", "there is no file of badges: nobody can sign on", "panecal roster add ID --role operator --badge …")
	}
	return r
}
