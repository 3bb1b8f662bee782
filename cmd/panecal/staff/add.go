package staff

import (
	"crypto/ed25519"
	"encoding/base64"
	"fmt"
	"os"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/files"
	"example.org/panecal/limits/release"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station/roster"
)

func newAdd(where func() (Place, error)) *cobra.Command {
	var roles []string
	var name, badge, trained, valid, key, out string
	c := &cobra.Command{
		Use:   "add ID --role ROLE",
		Short: "Add a person, by a pseudonym",
		Long: `Adds a person to the roster, and with --badge or --name to ` + roster.PeopleFile + `. ID is a
pseudonym that nobody had before, such as p7. A person's key is the file that
panecal key new made, or its public part.`,
		Example: `  panecal roster add p7 --role operator --badge 4711 --trained-until 2027-06-30
  panecal roster add p2 --role lead --role operator --badge 4712
  panecal roster add p1 --role engineer --key p1.key`,
		Args: cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			p, text, book, err := open(where)
			if err != nil {
				return err
			}
			one := roster.Person{ID: args[0]}
			for _, r := range roles {
				one.Roles = append(one.Roles, roster.Role(r))
			}
			if len(roles) == 0 {
				return cli.UsageError(fmt.Errorf("--role is needed, some of %q; see %s --help", roster.Roles(), c.CommandPath()))
			}
			if one.TrainedUntil, err = roster.ParseDay(trained); err != nil {
				return cli.UsageError(fmt.Errorf("--trained-until: %w", err))
			}
			if one.ValidUntil, err = roster.ParseDay(valid); err != nil {
				return cli.UsageError(fmt.Errorf("--valid-until: %w", err))
			}
			if one.Key, err = publicKey(key, one.ID); err != nil {
				return err
			}
			if _, taken := book.Person(one.ID); taken {
				return cli.RefusedError("person_known", fmt.Errorf("%s is in the roster already: a pseudonym stands for one person for ever", one.ID))
			}
			if badge != "" || name != "" {
				book.Put(roster.Badge{ID: one.ID, Name: name, Text: badge})
			}
			if err := checkPeople(p, book); err != nil {
				return err
			}
			if err := write(c, p, book.Roster, roster.Add(text, one), out); err != nil {
				return err
			}
			if badge != "" || name != "" {
				if err := writePeople(p, book); err != nil {
					return err
				}
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%s: %s added\n", visible.Text(p.Roster), one.ID)
			return err
		},
	}
	c.Flags().StringArrayVar(&roles, "role", nil, "operator, lead, maintenance, engineer or analyst (repeat for more)")
	c.Flags().StringVar(&name, "name", "", "the person's name, for "+roster.PeopleFile+" alone")
	c.Flags().StringVar(&badge, "badge", "", "what the badge says, for "+roster.PeopleFile+" alone")
	c.Flags().StringVar(&trained, "trained-until", "", "last day of the training, such as 2027-06-30")
	c.Flags().StringVar(&valid, "valid-until", "", "last day at this station")
	c.Flags().StringVar(&key, "key", "", "the person's key: its file, or the public part in base64")
	outFlag(c, &out)
	return c
}

func outFlag(c *cobra.Command, out *string) {
	c.Flags().StringVar(out, "out", "", "write the changed roster into this new file, to be released (default: in its place, while it is not signed)")
}

// writePeople writes the file of badges, for the station's account alone.
func writePeople(p Place, b *roster.Book) error {
	if err := checkPeople(p, b); err != nil {
		return err
	}
	return files.Replace(PeoplePath(p.Roster), b.File(), 0o600)
}

func checkPeople(p Place, b *roster.Book) error {
	if _, err := roster.ReadPeople(PeoplePath(p.Roster), b.File()); err != nil {
		return fmt.Errorf("the file of badges would not hold together, nothing was written:\n%w", err)
	}
	return nil
}

// publicKey is that of a person's key, by its file or written out.
func publicKey(text, id string) (ed25519.PublicKey, error) {
	if text == "" {
		return nil, nil
	}
	if raw, err := base64.StdEncoding.Strict().DecodeString(text); err == nil && len(raw) == ed25519.PublicKeySize {
		return raw, nil
	}
	file, err := os.ReadFile(text)
	if err != nil {
		return nil, fmt.Errorf("reading a key: %w", err)
	}
	person, public, err := release.KeyOwner(file)
	if err == nil && person != id {
		err = cli.RefusedError("key_of_another", fmt.Errorf("the key in %s was made for %q, not for %s: make one with panecal key new --person %s", text, person, id, id))
	}
	return public, err
}

func newRevoke(where func() (Place, error)) *cobra.Command {
	var from, out string
	c := &cobra.Command{
		Use:   "revoke ID",
		Short: "Take a person's rights away",
		Long: `From that day on the person does not sign on, lifts nothing, and nothing that the
person's key signed counts. The badge and the name leave ` + roster.PeopleFile + `; the pseudonym
stays.`,
		Example: "  panecal roster revoke p7\n  panecal roster revoke p7 --from 2027-07-01 --out draft.toml",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			p, text, book, err := open(where)
			if err != nil {
				return err
			}
			if _, ok := book.Person(args[0]); !ok {
				return cli.RefusedError("person_unknown", fmt.Errorf("the roster has no %q", args[0]))
			}
			day, err := roster.ParseDay(from)
			if err != nil {
				return cli.UsageError(fmt.Errorf("--from: %w", err))
			}
			now := time.Now()
			if day.IsZero() {
				day = roster.DayOf(now, p.Site)
			}
			changed, err := roster.Revoke(text, args[0], day)
			if err != nil {
				return err
			}
			if err := write(c, p, book.Roster, changed, out); err != nil {
				return err
			}
			if _, has := book.Of(args[0]); has && out == "" && day.Left(now, p.Site) <= 0 {
				book.Delete(args[0])
				if err := writePeople(p, book); err != nil {
					return err
				}
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%s: %s revoked from %s on\n", visible.Text(p.Roster), visible.Text(args[0]), day)
			return err
		},
	}
	c.Flags().StringVar(&from, "from", "", "first day without rights (default: today)")
	outFlag(c, &out)
	return c
}
