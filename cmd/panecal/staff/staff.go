// Package staff is the sub-commands about who works at a station: the roster,
// and the file of badges and PIN verifiers beside it. A PIN is never an argument.
package staff

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/files"
	"example.org/panecal/limits/guard"
	"example.org/panecal/station/roster"
)

// Place is where a station's roster is.
type Place struct {
	Roster string         // path of the released file
	Site   *time.Location // whose days dates end with
	Named  bool           // the configuration names it
}

// PeoplePath is the file of badges beside a roster.
func PeoplePath(path string) string { return filepath.Join(filepath.Dir(path), roster.PeopleFile) }

// ReadBook reads a roster's file of badges; one that is not there is empty.
func ReadBook(r *roster.Roster, p Place) (*roster.Book, error) {
	path := PeoplePath(p.Roster)
	data, err := guard.ReadPrivate(path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("reading badges: %w", err)
	}
	people, err := roster.ReadPeople(path, data)
	if err != nil {
		return nil, fmt.Errorf("the file of badges cannot be used:\n%w", err)
	}
	return &roster.Book{Roster: r, People: people, Site: p.Site}, nil
}

// New is the sub-command roster.
func New(where func() (Place, error)) *cobra.Command {
	c := &cobra.Command{
		Use:   "roster",
		Short: "Say who works at the station: roles, badges, PINs, keys",
		Long: `The roster is a released file of pseudonyms with their roles: operator lead
maintenance engineer analyst. Badges, names and PIN verifiers stand beside it in
` + roster.PeopleFile + `, which only the station's account can read. Only the pseudonym goes on
record; deleting a line of ` + roster.PeopleFile + ` leaves it there.`,
		Args: cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newAdd(where), newPIN(where), newRevoke(where), newCheck(where))
	return c
}

// open reads the roster and its badges; a roster that is not there is empty.
func open(where func() (Place, error)) (Place, []byte, *roster.Book, error) {
	p, err := where()
	if err != nil {
		return p, nil, nil, err
	}
	text, err := guard.Read(p.Roster)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return p, nil, nil, fmt.Errorf("reading the roster: %w", err)
	}
	r, err := roster.Read(p.Roster, text)
	if err != nil {
		return p, nil, nil, fmt.Errorf("the roster cannot be used:\n%w", err)
	}
	book, err := ReadBook(r, p)
	return p, text, book, err
}

// write puts a changed roster into its place, or, where the one in force is
// signed, into a file that is to be released.
func write(c *cobra.Command, p Place, r *roster.Roster, text []byte, out string) error {
	if _, err := roster.Read(p.Roster, text); err != nil {
		return fmt.Errorf("the roster would not hold together, nothing was written:\n%w", err)
	}
	if out != "" {
		return files.WriteNew(out, text)
	}
	if len(r.Signature) > 0 {
		return cli.RefusedError("roster_signed", fmt.Errorf("the roster is signed: write the change into a file of its own with --out, and let engineers draft, review and release it (panecal limits draft --help)"))
	}
	if err := os.MkdirAll(filepath.Dir(p.Roster), 0o750); err != nil {
		return fmt.Errorf("making the roster's folder: %w", err)
	}
	if err := files.Replace(p.Roster, text, 0o644); err != nil {
		return err
	}
	if !p.Named {
		fmt.Fprintf(c.ErrOrStderr(), "panecal: add roster = %q to the configuration, so that the station works with it\n", filepath.Base(p.Roster))
	}
	return nil
}
