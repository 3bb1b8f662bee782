package plantwide

import (
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/visible"
	"example.org/panecal/store/central"
)

// urlHelp explains the URL for the long text of a command.
const urlHelp = `URL is such as postgres://s1@db.plant.example/panecal, or
postgres:///panecal?host=/run/postgresql for a socket. Another computer is reached
with TLS, its certificate and its name verified, or not at all; sslrootcert=FILE in
the URL names who signs for it. A password never stands in the URL: it comes from the
file that PGPASSFILE names (or .pgpass), or from PGPASSWORD.`

// NewCentral makes `panecal central`.
func NewCentral() *cobra.Command {
	c := &cobra.Command{
		Use:   "central",
		Short: "Make and keep the history that all stations share",
		Args:  cli.Args(cobra.NoArgs),
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newInit(), newMaintain(), newAdmit())
	return c
}

// target reads a URL; what is not safe is wrong usage.
func target(url string) (*central.Target, error) {
	t, err := central.Parse(url)
	if err != nil {
		return nil, cli.UsageError(err)
	}
	return t, nil
}

// failure gives an error about a history its exit code.
func failure(doing string, err error) error {
	switch {
	case errors.Is(err, central.ErrNewer):
		return cli.RefusedError("history_newer", fmt.Errorf("%s: %w", doing, err))
	case errors.Is(err, central.ErrNoSchema):
		return cli.RefusedError("no_history", fmt.Errorf("%s: %w", doing, err))
	}
	return fmt.Errorf("%s: %w", doing, err)
}

func newInit() *cobra.Command {
	return &cobra.Command{
		Use:   "init URL",
		Short: "Make the schema of the history, or bring it up to date",
		Long: `Makes the schema panecal in a database, file by file, each in one transaction, and
the partitions of the next twelve months; what is there already is left as it is. The
login of the URL becomes the owner, and must be allowed to make roles. A schema of a
later program is refused (4).

` + urlHelp,
		Example: "  panecal central init postgres://owner@db.plant.example/panecal",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			t, err := target(args[0])
			if err != nil {
				return err
			}
			files := 0
			err = central.Init(c.Context(), t, func(name string) {
				files++
				fmt.Fprintln(c.OutOrStdout(), "schema    ", name)
			})
			var made []string
			if err == nil {
				made, err = central.Maintain(c.Context(), t, time.Now())
			}
			if err != nil {
				return failure("making the history", err)
			}
			fmt.Fprintf(c.OutOrStdout(), "history    %s: %d files carried out, %d partitions made\n", visible.Text(t.String()), files, len(made))
			return nil
		},
	}
}

func newMaintain() *cobra.Command {
	return &cobra.Command{
		Use:   "maintain URL",
		Short: "Make the partitions of the months to come",
		Long: `Makes the partitions of this month and the next twelve, with the owner's login.
Have a timer run it once a week: twice does no harm. What arrives in a month that has
none is kept all the same, and moved when it gets one.

` + urlHelp,
		Example: "  panecal central maintain postgres://owner@db.plant.example/panecal",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			t, err := target(args[0])
			if err != nil {
				return err
			}
			made, err := central.Maintain(c.Context(), t, time.Now())
			for _, name := range made {
				fmt.Fprintln(c.OutOrStdout(), "partition ", name)
			}
			if err != nil {
				return failure("keeping the history", err)
			}
			return nil
		},
	}
}

func newAdmit() *cobra.Command {
	station, reads := "", ""
	c := &cobra.Command{
		Use:   "admit URL LOGIN",
		Short: "Let a login write as a station, or read",
		Long: `Gives a login of the database its part in the history, with the owner's login; one
that is not there is made without a password, which the database's administrator sets.
With --station it adds that station's own rows and sees them, and nothing else. With
--reads rows it sees every row but no person: no operator, and no record's own bytes.
With --reads persons it sees those too. Nobody updates or deletes.

` + urlHelp,
		Example: `  panecal central admit postgres://owner@db.plant.example/panecal s1 --station S1
  panecal central admit postgres://owner@db.plant.example/panecal quality --reads rows`,
		Args: cli.Args(cobra.ExactArgs(2)),
		RunE: func(c *cobra.Command, args []string) error {
			t, err := target(args[0])
			if err != nil {
				return err
			}
			group := map[string]central.Group{"rows": central.Readers, "persons": central.Audits}[reads]
			switch {
			case station != "" && reads == "":
				group = central.Stations
			case station == "" && group != "":
			default:
				return cli.UsageError(errors.New("say --station NAME, or --reads rows or --reads persons; see panecal central admit --help"))
			}
			if err := central.Admit(c.Context(), t, args[1], group, station); err != nil {
				return failure("admitting a login", err)
			}
			return nil
		},
	}
	c.Flags().StringVar(&station, "station", "", "the login writes as this station")
	c.Flags().StringVar(&reads, "reads", "", "rows, persons")
	return c
}
