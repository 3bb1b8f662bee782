package logs

import (
	"fmt"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/visible"
	"example.org/panecal/store"
)

// logBackup is `log backup --json`.
type logBackup struct {
	Schema     string `json:"schema"`
	Store      string `json:"store"`
	Into       string `json:"into"`
	Station    string `json:"station"`
	Generation uint32 `json:"generation"`
	Sequence   uint64 `json:"sequence"` // of the last record copied, 0 for none
	Hash       string `json:"hash"`
}

// NewBackup is the sub-command log backup.
func NewBackup(find Find) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "backup FOLDER",
		Short: "Copy the log, while the station works or not",
		Long: `Copies every record and raw capture into a new folder and proves each on the
way; the station may go on meanwhile. The folder must be empty or not exist; it
is there whole or not at all. Every reading command takes it with --data.

Nothing is ever written to a copy. After a loss, or on a new computer, begin
the next generation of the log with ` + "`panecal init --continues FOLDER`" + `. Exit code 3
where the log is damaged: nothing is copied then.`,
		Example: "  panecal log backup /mnt/backup/2027-03-01",
		Args:    cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			l, err := find()
			if err != nil {
				return err
			}
			folder := l.Folder
			into, err := filepath.Abs(args[0])
			if err != nil {
				return fmt.Errorf("copying the log: %w", err)
			}
			if err := l.Remembered(c.ErrOrStderr()); err != nil {
				return err
			}
			ref, err := store.Backup(folder, into, time.Now(), Progress(c.ErrOrStderr(), "copying"))
			if err != nil {
				return Error("copying the log", folder, err)
			}
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), logBackup{"panecal.log_backup/1", folder, into,
					ref.Station, ref.Generation, ref.Sequence, ref.Hash.String()})
			}
			fmt.Fprintf(c.OutOrStdout(), "copied    %s\nto        %s\nrecords   the last has sequence %d\nhead      %v\n", visible.Text(folder), visible.Text(into), ref.Sequence, ref.Hash)
			return nil
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}
