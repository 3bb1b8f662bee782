package signing

import (
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/files"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station/inbox"
	"example.org/panecal/store"
)

// NewNote is the sub-command note.
func NewNote() *cobra.Command {
	var keyPath, out, passFile, station string
	c := &cobra.Command{
		Use:   "note SERIAL TEXT --key FILE --out FOLDER",
		Short: "Write a signed note about a unit, for a station to take up",
		Long: `Writes a note about a unit into FOLDER, signed with the key in FILE, for a
station's inbox: the folder inbox beside its store. A station that knows the
signer puts it on record when it starts and between units; ` + "`panecal unit`" + ` shows
it then. What a station does not take is in inbox/refused, with the reason.`,
		Example: "  panecal note H54-00001-O \"came back: scratch on the window\" --key 4711.key --out /srv/cal-1/inbox",
		Args:    cli.Args(cobra.ExactArgs(2)),
		RunE: func(c *cobra.Command, args []string) error {
			if keyPath == "" || out == "" {
				return cli.UsageError(fmt.Errorf("--key and --out are needed; see %s --help", c.CommandPath()))
			}
			if station == "" {
				var err error
				if station, err = store.StationOf(filepath.Join(filepath.Dir(out), "store")); err != nil {
					return cli.UsageError(fmt.Errorf("for which station is the note? no log is beside %s to tell: add --station NAME", out))
				}
			}
			n, err := inbox.NewNote(station, args[0], args[1], time.Now())
			if err != nil {
				return cli.UsageError(fmt.Errorf("writing a note: %w", err))
			}
			key, err := openKeyFile(c, keyPath, passFile)
			if err != nil {
				return err
			}
			name := filepath.Join(out, fmt.Sprintf("note-%s-%s.signed", n.Time.Format("20060102T150405.000000000Z"), key.Person))
			if err := files.WriteNew(name+inbox.Unfinished, n.Sign(key)); err != nil {
				return err
			}
			if err := os.Rename(name+inbox.Unfinished, name); err != nil {
				return fmt.Errorf("writing a note: %w", err)
			}
			_, err = fmt.Fprintln(c.OutOrStdout(), visible.Text(name))
			return err
		},
	}
	c.Flags().StringVar(&keyPath, "key", "", "the signer's key; see panecal key new")
	c.Flags().StringVar(&out, "out", "", "folder for the note; it must exist")
	c.Flags().StringVar(&station, "station", "", "the station that takes it up; no other does (default: whose log is beside FOLDER)")
	passphraseFlag(c, &passFile)
	return c
}
