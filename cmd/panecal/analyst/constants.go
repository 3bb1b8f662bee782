package analyst

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/visible"
	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// constants is `constants --json`.
type constants struct {
	Schema  string  `json:"schema"`
	Serial  string  `json:"serial"`
	Attempt int     `json:"attempt"`
	Record  string  `json:"record"`    // station/generation/sequence of the attempt
	Bytes   int     `json:"bytes"`     // of the block
	State   string  `json:"state"`     // as last confirmed: written, released, void
	Restart string  `json:"restart"`   // before it was read back
	Equal   bool    `json:"equal"`     // what was read back is what was written
	Fields  []field `json:"fields"`    // of the block read back, else of that written
	Witness witness `json:"witness"`   // of that block
	Unit    *inUnit `json:"connected"` // null: no unit was asked
}

// witness is the record that a block says it was ordered by.
type witness struct {
	Station    string            `json:"station"`
	Generation uint32            `json:"generation"`
	Sequence   uint64            `json:"sequence"`
	Intent     string            `json:"intent"` // first 16 bytes of the record's hash
	Testimony  station.Testimony `json:"testimony"`
	Log        string            `json:"log"` // which log it points to, in words
}

// inUnit is the block of the unit at a port, held against the record.
type inUnit struct {
	Port        string            `json:"port"`
	UnitID      string            `json:"unit_id"`
	Serial      string            `json:"serial"`
	State       string            `json:"state"`
	Same        bool              `json:"same"`
	Differences []blockDifference `json:"differences"`
	Witness     witness           `json:"witness"`
}

// NewConstants makes `panecal constants`; baud is the usual speed of a serial line.
func NewConstants(open Open, baud int) *cobra.Command {
	number, port, asJSON := 0, "", false
	c := &cobra.Command{
		Use:   "constants SERIAL",
		Short: "Show what was written into a unit, field by field, and hold the unit's own copy against it",
		Long: `Takes the constants block apart that an attempt wrote into the unit: every field with
its unit, the zones as maps, and the record that ordered it, by which the unit is a
witness of a log.

With --port it reads the block of a connected unit too, changes nothing, and names the
fields in which that is another one than the record has (exit code 3), and the log that
its witness points to. A unit that was released has the state released: that mark is
written after the record. The station must not use the port meanwhile.`,
		Example: `  panecal constants H54-00001-O
  panecal constants h54-00001 --port /dev/ttyS1
  panecal --data /mnt/copy constants H54-00001-O --attempt 1 --json`,
		Args: cli.Args(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			log, err := open()
			if err != nil {
				return err
			}
			defer log.Close()
			out, b, err := constantsOf(log, args[0], number)
			if err != nil {
				return fail("reading the constants", err)
			}
			if port != "" {
				if err := out.ask(c.Context(), log, b, port, baud); err != nil {
					return err
				}
			}
			if asJSON {
				err = cli.PrintJSON(c.OutOrStdout(), out)
			} else {
				err = out.writeText(c.OutOrStdout())
			}
			if u := out.Unit; err == nil && u != nil && (!u.Same || u.Witness.Testimony.Accuses()) {
				return &cli.QuietError{Code: cli.ExitFailed}
			}
			return err
		},
	}
	attemptFlag(c, &number)
	c.Flags().Lookup("attempt").Usage = "number of the attempt (default: the newest that wrote)"
	c.Flags().StringVar(&port, "port", "", "serial device of a connected unit, or tcp:HOST:PORT of a bridge")
	c.Flags().IntVar(&baud, "baud", baud, "speed of a serial line")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

// constantsOf finds the attempt that wrote, and takes its block apart.
func constantsOf(log *store.Follower, typed string, number int) (*constants, *protocol.Block, error) {
	list, serial, err := records(log, typed)
	if err != nil {
		return nil, nil, err
	}
	var found *record.Attempt
	out := &constants{Schema: "panecal.constants/1", Serial: serial}
	for _, e := range list {
		if a, ok := e.Body.(*record.Attempt); ok && a.Constants != nil && (number == 0 || a.Run.AttemptNo == number) {
			found, out.Attempt, out.Record = a, a.Run.AttemptNo, e.Ref.String()
		}
	}
	if found == nil {
		return nil, nil, fmt.Errorf("the log has no attempt of %s that wrote constants, or none with this number: `panecal find %s` lists them", serial, serial)
	}
	k := found.Constants
	data := k.ReadBack
	if len(data) == 0 {
		data = k.Written
	}
	b, err := protocol.ParseBlock(data)
	if err != nil {
		return nil, nil, fmt.Errorf("record %s: %w", out.Record, err)
	}
	out.Bytes, out.State, out.Restart, out.Equal = len(data), k.State, k.Restart, k.Equal()
	if out.Witness, err = testimony(log, data, serial, found.Run.UnitID); err != nil {
		return nil, nil, err
	}
	out.Fields = fieldsOf(b)
	if found.Judgement.Disposition == record.Release && b.State == protocol.Written {
		b.State = protocol.Released // the mark comes after the record
	}
	return out, b, nil
}

// testimony says which log the witness of a block points to.
func testimony(log *store.Follower, block []byte, serial, unitID string) (witness, error) {
	var r station.Recalled
	var err error
	if r.Head, r.Began, err = log.Ends(); err == nil {
		r.BySerial, err = log.BySerial(serial)
	}
	if err == nil && unitID != "" {
		r.ByUnitID, err = log.ByUnitID(unitID)
	}
	if err != nil {
		return witness{}, err
	}
	t, w := station.Testify(block, r.Head.Station, r)
	out := witness{w.Station, w.Generation, w.Sequence, fmt.Sprintf("%x", w.Intent), t, ""}
	at := fmt.Sprintf("%s/%d/%d", w.Station, w.Generation, w.Sequence)
	switch t {
	case station.Equal:
		out.Log = "this log, record " + at
	case station.Different:
		out.Log = "record " + at + ", and this log has another one there: rewritten, or gone on from a copy"
	case station.Missing:
		out.Log = "record " + at + ", which this log does not have: put back, rewritten, or not this station's"
	case station.OlderGeneration:
		out.Log = "record " + at + " of the computer before, written after the copy was made"
	case station.Elsewhere:
		out.Log = "the log of station " + w.Station + ", record " + at
	default:
		out.Log, out.Intent = "none", ""
	}
	return out, nil
}

// ask reads the unit at a port.
func (k *constants) ask(ctx context.Context, log *store.Follower, recorded *protocol.Block, port string, baud int) error {
	u, err := ReadUnit(ctx, port, baud)
	if err != nil {
		return err
	}
	k.Unit = &inUnit{Port: port, UnitID: u.UnitID, Serial: u.Serial, State: u.State}
	if k.Unit.Witness, err = testimony(log, u.Block, u.Serial, u.UnitID); err != nil {
		return fail("reading the constants", err)
	}
	was, err := recorded.Marshal()
	if err != nil {
		return err
	}
	is, err := protocol.ParseBlock(u.Block)
	switch {
	case len(u.Block) == 0:
		k.Unit.Differences = []blockDifference{{Field: "block", Recorded: fmt.Sprintf("%d bytes", len(was)), Unit: "none"}}
	case errors.Is(err, protocol.ErrBadBlock):
		k.Unit.Differences = []blockDifference{{Field: "block", Recorded: fmt.Sprintf("%d bytes", len(was)), Unit: fmt.Sprintf("%d bytes that are none: %v", len(u.Block), err)}}
	case err != nil:
		return err
	default:
		k.Unit.Differences = differencesOf(fieldsOf(recorded), fieldsOf(is))
	}
	k.Unit.Same = bytes.Equal(was, u.Block)
	return nil
}

func (k *constants) writeText(w io.Writer) error {
	equal := "NOT as it was written"
	if k.Equal {
		equal = "equal to what was written"
	}
	restart := k.Restart
	if restart == "" {
		restart = "not known"
	}
	fmt.Fprintf(w, "%s, attempt %d, record %s: %d bytes, %s\nread back: %s; restart before: %s\n\n", visible.Text(k.Serial), k.Attempt, k.Record, k.Bytes, k.State, equal, restart)
	if err := writeFields(w, k.Fields); err != nil {
		return err
	}
	fmt.Fprintf(w, "\nwitness of %s (%s)\n", visible.Text(k.Witness.Log), k.Witness.Testimony)
	u := k.Unit
	if u == nil {
		return nil
	}
	fmt.Fprintf(w, "\nunit at %s: %s, serial %s, %s\n", u.Port, visible.Text(u.UnitID), visible.Text(u.Serial), u.State)
	if u.Same {
		fmt.Fprintf(w, "its block is the one on record, byte for byte\n")
	}
	for _, d := range u.Differences {
		fmt.Fprintf(w, "DIFFERENT %s: on record %s; in the unit %s", d.Field, d.Recorded, visible.Text(d.Unit))
		if len(d.Places) > 1 || len(d.Places) == 1 && strings.Contains(d.Recorded, "values") {
			fmt.Fprintf(w, "; %d of them", len(d.Places))
		}
		fmt.Fprintln(w)
	}
	_, err := fmt.Fprintf(w, "witness of %s (%s)\n", visible.Text(u.Witness.Log), u.Witness.Testimony)
	return err
}
