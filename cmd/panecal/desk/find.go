package desk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/visible"
	"example.org/panecal/station/label"
	"example.org/panecal/store"
)

const findSchema = "panecal.find/1"

// foundAttempt is a line of `find --json`: an attempt.
type foundAttempt struct {
	Schema      string    `json:"schema"`
	Serial      string    `json:"serial"`
	UnitID      string    `json:"unit_id"`
	Time        time.Time `json:"time"` // UTC
	Attempt     int       `json:"attempt"`
	Purpose     string    `json:"purpose"`
	Outcome     string    `json:"outcome"`
	SoftBin     int       `json:"soft_bin"`
	SoftName    string    `json:"soft_name"`
	HardBin     int       `json:"hard_bin"`
	Disposition string    `json:"disposition"` // of the attempt's own verdict
	Released    bool      `json:"released"`
	OnHold      *bool     `json:"on_hold"` // null: not looked for
	Product     string    `json:"product"`
	Limits      string    `json:"limits"`
	Station     string    `json:"station"`
	Generation  uint32    `json:"generation"`
	Sequence    uint64    `json:"sequence"`
	Nest        string    `json:"nest"`
	Operator    string    `json:"operator"`
	Order       string    `json:"order"`
	Lot         string    `json:"lot"`
	WindowLot   string    `json:"window_lot"`
	GasketLot   string    `json:"gasket_lot"`
	EmitterLot  string    `json:"emitter_lot"`
	MadeOf      []string  `json:"made_of"` // with --lots: what its lots were made of
}

// NewFind makes `panecal find`; open opens the log that it reads, site is the
// zone that people read times in.
func NewFind(open func() (Log, error), site func() *time.Location) *cobra.Command {
	var choice Choice
	s := search{}
	lots := ""
	c := &cobra.Command{
		Use:   "find [SERIAL]",
		Short: "Find units and their attempts",
		Long: `Prints a line an attempt, in the log's order. SERIAL may be whole, in capitals or
not, without its check character, or a part of serials; or it is the identity that
the unit itself answers with, as with --unit-id. A whole serial or identity is found
through the index, a part by going through the columns. Times are of the site's
zone on the screen and UTC with --json, which prints an object a line.

The word after the outcome is the attempt's own verdict: ON HOLD where the unit is on
hold now, "taken back" where it released the unit and something on record took that
back. Whether a unit is on hold is looked for where one unit or --on-hold is asked for.

--lots names a CSV file of another system with the columns item and made_of, such
as win-0417,glass-88. An item is a lot or a serial. Then --lot finds what was made
of a lot over any number of steps, and each line says what its lots were made of.

` + ChoiceHelp + `

Exit code 1 where nothing is found.`,
		Example: `  panecal find h54-00001
  panecal find --on-hold --product hopper-54
  panecal find --unit-id b6d611f55f2005e9 --json
  panecal find --lot glass-88 --lots lots.csv --outcome failed`,
		Args: cli.Args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, args []string) (err error) {
			if s.filter, err = choice.Filter(); err != nil {
				return err
			}
			if len(args) > 0 {
				if s.text = strings.TrimSpace(args[0]); s.text == "" {
					return cli.UsageError(errors.New("the serial is empty: give a serial or a part of one, or leave it out"))
				}
			}
			if lots != "" {
				if s.lots, err = readGenealogy(lots); err != nil {
					return err
				}
			}
			log, err := open()
			if err != nil {
				return err
			}
			defer log.Close()
			s.out, s.talk, s.site, s.each = c.OutOrStdout(), c.ErrOrStderr(), site(), s.print
			err = s.run(c.Context(), log)
			if errors.Is(err, store.ErrDamaged) {
				return &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("finding: %w; `panecal log check` shows all of it", err)}
			}
			if err != nil {
				return fmt.Errorf("finding: %w", err)
			}
			if s.lines == 0 {
				return s.nothing()
			}
			return nil
		},
	}
	c.Flags().BoolVar(&s.asJSON, "json", false, "print one JSON object a line")
	c.Flags().StringVar(&s.unitID, "unit-id", "", "identity that the unit itself answers with")
	c.Flags().StringVar(&lots, "lots", "", "CSV file that says what lots were made of")
	complete(c, "unit-id", nil)
	choice.AddTo(c)
	return c
}

// search is one run of find.
type search struct {
	filter       store.Filter
	text, unitID string
	lots         *genealogy
	asJSON       bool
	out, talk    io.Writer
	site         *time.Location
	each         func(r *store.Row, held bool) error // is told what was found

	lines   int
	records int             // about the serial, if there is no attempt
	items   map[string]bool // lots and serials that --lot stands for, nil without --lots
}

func (s *search) run(ctx context.Context, log Log) error {
	if s.lots != nil && s.filter.Lot != "" {
		s.items = map[string]bool{s.filter.Lot: true}
		for _, item := range s.lots.descendants(s.filter.Lot) {
			s.items[item] = true
		}
		s.filter.Lot = ""
	}
	each := func(r *store.Row, held bool) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		if !s.takes(r) {
			return nil
		}
		s.lines++
		return s.each(r, held)
	}
	filed := func(t store.Topic, term string) (bool, error) {
		n, err := log.Filed(t, term, s.filter, func(r *store.Row) error { return each(r, true) })
		s.records += n
		return n > 0, err
	}
	if s.unitID != "" {
		_, err := filed(store.UnitID, s.unitID)
		return err
	}
	for _, serial := range Serials(s.text) {
		if found, err := filed(store.Serial, serial); found || err != nil {
			return err
		}
	}
	if s.text != "" { // people paste an identity as well
		for _, id := range []string{s.text, strings.ToLower(s.text)} {
			if found, err := filed(store.UnitID, id); found || err != nil {
				return err
			}
		}
	}
	return s.scan(log, each)
}

// Serials are the whole serials that a text may stand for, most likely first: as
// it is, in capitals, and with the check characters that the systems would add.
func Serials(text string) []string {
	if text == "" {
		return nil
	}
	upper := strings.ToUpper(text)
	list := []string{text, upper}
	for _, payload := range []string{upper, strings.TrimRight(upper, "-") + "-"} {
		for _, system := range label.Checks() {
			if check, err := system.Compute(payload); err == nil && check != "" {
				list = append(list, payload+check)
			}
		}
	}
	var once []string
	for _, s := range list {
		if !slices.Contains(once, s) {
			once = append(once, s)
		}
	}
	return once
}

// takes says whether a row is picked by what no filter of the store knows.
func (s *search) takes(r *store.Row) bool {
	return s.items == nil || slices.ContainsFunc([]string{r.Serial, r.Lot, r.WindowLot, r.GasketLot, r.EmitterLot}, func(i string) bool { return s.items[i] })
}

// scan goes through the columns that are asked for, and reads whole rows of those
// blocks that hold something.
func (s *search) scan(log Log, each func(*store.Row, bool) error) error {
	var m mask
	var texts []string
	part := strings.ToUpper(s.text)
	return log.Blocks(s.filter, func(b *store.Block) error {
		picked, err := m.of(b, &s.filter)
		if err != nil {
			return err
		}
		if part != "" {
			if texts, err = b.Texts("serial", texts); err != nil {
				return err
			}
			for i, serial := range texts {
				picked[i] = picked[i] && strings.Contains(strings.ToUpper(serial), part)
			}
		}
		if !slices.Contains(picked, true) {
			return nil
		}
		rows, err := b.Picked(&s.filter, nil)
		if err != nil {
			return err
		}
		for i := range rows {
			if !strings.Contains(strings.ToUpper(rows[i].Serial), part) {
				continue
			}
			if err := each(&rows[i], s.filter.OnHold); err != nil {
				return err
			}
		}
		return nil
	})
}

// print prints an attempt; held says that OnHold is known.
func (s *search) print(r *store.Row, held bool) error {
	var made []string
	if s.lots != nil {
		var own []string
		for _, l := range []string{r.Serial, r.Lot, r.WindowLot, r.GasketLot, r.EmitterLot} {
			if l != "" {
				own = append(own, l)
			}
		}
		made = s.lots.ancestors(own...)
	}
	if s.asJSON {
		f := foundAttempt{findSchema, r.Serial, r.UnitID, r.Time.UTC(), r.AttemptNo, string(r.Purpose), string(r.Outcome), r.SoftBin, r.SoftName, r.HardBin,
			string(r.Disposition), r.Released, nil, r.Product, r.LimitsRev, r.Station, r.Generation, r.Sequence, r.Nest, r.Operator, r.Order,
			r.Lot, r.WindowLot, r.GasketLot, r.EmitterLot, append([]string{}, made...)}
		if held {
			f.OnHold = &r.OnHold
		}
		return cli.PrintLine(s.out, f)
	}
	stands := string(r.Disposition)
	switch {
	case held && r.OnHold:
		stands = "ON HOLD"
	case r.Disposition == "release" && !r.Released:
		stands = "taken back"
	case stands == "":
		stands = "-"
	}
	purpose := ""
	if r.Purpose != "production" {
		purpose = " " + string(r.Purpose)
	}
	line := fmt.Sprintf("%s  %-12s %2d %-7s %-10s %d %s, nest %s%s", r.Time.In(s.site).Format("2006-01-02 15:04:05"), r.Serial, r.AttemptNo, r.Outcome,
		stands, r.SoftBin, r.SoftName, r.Nest, purpose)
	if len(made) > 0 {
		line += ", made of " + strings.Join(made, " ")
	}
	_, err := fmt.Fprintln(s.out, visible.Text(line))
	return err
}

// nothing says that, and what is there instead.
func (s *search) nothing() error {
	if s.records > 0 {
		return fmt.Errorf("nothing found: the log has %d records about it, but no attempt that agrees with every flag; `panecal unit SERIAL` shows all records", s.records)
	}
	return errors.New("nothing found: no attempt in this log agrees with what was given")
}
