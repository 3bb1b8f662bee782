package main

import (
	"encoding/hex"
	"fmt"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/analyst"
	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/plant"
	"example.org/panecal/protocol"
	"example.org/panecal/station"
)

// reread is `reread --json`.
type reread struct {
	Schema     string            `json:"schema"`
	Port       string            `json:"port"`
	UnitID     string            `json:"unit_id"`
	Serial     string            `json:"serial"`  // that the block names, else the unit's own
	State      string            `json:"state"`   // of the block: written, released, void, or none
	Witness    station.Testimony `json:"witness"` // what the unit says of the log
	Station    string            `json:"station"` // that the block names, with the record that ordered it
	Generation uint32            `json:"generation"`
	Sequence   uint64            `json:"sequence"`
	Intent     string            `json:"intent"` // first 16 bytes of the record's hash
}

func newReread(where *place) *cobra.Command {
	var port string
	var baud int
	var asJSON bool
	c := &cobra.Command{
		Use:   "reread --port PORT",
		Short: "Read the constants in a unit, and hold what they say of the log against it",
		Long: `Reads the constants block that a unit holds and changes nothing. The block names
the record of the log that ordered it, so every shipped unit is a witness. Where an
attempt ended before constants were written it is void, and names the attempt:

  equal              the log has that very record
  different          the log has another record there: it was rewritten, or went on
                     from a copy (exit code 3)
  missing            of this log and not in it: the log was put back or rewritten, or
                     not this station wrote the block (exit code 3)
  older_generation   went with the old computer, after the copy was made
  elsewhere          another station's
  none               no constants, or none that name a record

The station must not use the port meanwhile.`,
		Example: "  panecal reread --port /dev/ttyS1\n  panecal --data /mnt/copy reread --port tcp:127.0.0.1:5401 --json",
		Args:    cli.Args(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			if port == "" {
				return cli.UsageError(fmt.Errorf("--port is needed; see %s --help", c.CommandPath()))
			}
			f, _, err := where.follow()
			if err != nil {
				return err
			}
			defer f.Close()
			unit, err := analyst.ReadUnit(c.Context(), port, baud)
			if err != nil {
				return err
			}
			out := reread{Schema: "panecal.reread/1", Port: port, UnitID: unit.UnitID, Serial: unit.Serial, State: unit.State}
			var r station.Recalled
			head, began, err := f.Ends()
			if err == nil {
				r.Head, r.Began = head, began
				r.BySerial, err = f.BySerial(out.Serial)
			}
			if err == nil {
				r.ByUnitID, err = f.ByUnitID(out.UnitID)
			}
			if err != nil {
				return fmt.Errorf("reading the log: %w", err)
			}
			w := protocol.Witness{}
			if out.Witness, w = station.Testify(unit.Block, head.Station, r); w != (protocol.Witness{}) {
				out.Station, out.Generation, out.Sequence, out.Intent = w.Station, w.Generation, w.Sequence, hex.EncodeToString(w.Intent[:])
			}
			if asJSON {
				err = cli.PrintJSON(c.OutOrStdout(), out)
			} else {
				_, err = fmt.Fprintf(c.OutOrStdout(), "unit      %q, serial %q\nblock     %s, ordered by record %q/%d/%d\nwitness   %s\n",
					out.UnitID, out.Serial, out.State, out.Station, out.Generation, out.Sequence, out.Witness)
			}
			if err == nil && out.Witness.Accuses() {
				return &cli.QuietError{Code: cli.ExitFailed}
			}
			return err
		},
	}
	c.Flags().StringVar(&port, "port", "", "serial device, or tcp:HOST:PORT of a bridge")
	c.Flags().IntVar(&baud, "baud", plant.Baud, "speed of a serial line")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}
