package staff

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/charmbracelet/x/term"
	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station/roster"
)

func newPIN(where func() (Place, error)) *cobra.Command {
	c := &cobra.Command{
		Use:   "pin ID",
		Short: "Set a person's PIN, typed twice",
		Long: `Asks for a PIN of six digits twice, without showing it, and keeps its verifier
(argon2id) in ` + roster.PeopleFile + `. Without a terminal it reads the two lines from standard
input. The person needs a badge first.`,
		Example: "  panecal roster pin p2",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			p, _, book, err := open(where)
			if err != nil {
				return err
			}
			line, ok := book.Of(args[0])
			if _, known := book.Person(args[0]); !known || !ok || line.Text == "" {
				return cli.RefusedError("no_badge", fmt.Errorf("%s has no badge here: a PIN goes with a badge (panecal roster add --help)", args[0]))
			}
			pin, err := askPIN(c)
			if err != nil {
				return err
			}
			if line.PIN, err = roster.NewVerifier(pin); err != nil {
				return cli.UsageError(err)
			}
			book.Put(line)
			if err := writePeople(p, book); err != nil {
				return err
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%s: %s has a PIN\n", visible.Text(PeoplePath(p.Roster)), visible.Text(args[0]))
			return err
		},
	}
	return c
}

// askPIN reads a PIN twice.
func askPIN(c *cobra.Command) (string, error) {
	var next func(prompt string) (string, error)
	if in, ok := cli.Terminal(c.InOrStdin()); ok {
		next = func(prompt string) (string, error) {
			fmt.Fprint(c.ErrOrStderr(), prompt)
			defer fmt.Fprintln(c.ErrOrStderr())
			b, err := term.ReadPassword(in.Fd())
			return string(b), err
		}
	} else {
		lines := bufio.NewReader(io.LimitReader(c.InOrStdin(), 1024))
		next = func(string) (string, error) {
			line, err := lines.ReadString('\n')
			if errors.Is(err, io.EOF) && line != "" {
				err = nil
			}
			return strings.TrimRight(line, "\r\n"), err
		}
	}
	pin, err := next("PIN, six digits: ")
	if err != nil {
		return "", cli.UsageError(fmt.Errorf("reading the PIN: %w", err))
	}
	again, err := next("Once more: ")
	switch {
	case err != nil:
		return "", cli.UsageError(fmt.Errorf("reading the PIN a second time: %w", err))
	case pin != again:
		return "", cli.UsageError(errors.New("the two differ: nothing was written"))
	}
	return pin, nil
}
