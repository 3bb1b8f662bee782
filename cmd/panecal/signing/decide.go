package signing

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/desk"
	"example.org/panecal/cmd/panecal/files"
	"example.org/panecal/limits/release"
	"example.org/panecal/station/decision"
	"example.org/panecal/station/inbox"
	"example.org/panecal/store"
)

// NewDecisions makes the sub-commands hold, unhold, scrap and reworked; open
// opens the log whose units they choose.
func NewDecisions(open func() (*store.Follower, error)) []*cobra.Command {
	about := map[decision.Verb][2]string{
		decision.Hold: {"Put a unit, or all that filters choose, on hold", `A unit on hold is refused by the station, and what it passes meanwhile does not
release it. Without --key a hold needs --by, and is on record as unsigned.`},
		decision.Unhold: {"Take a unit, or all that filters choose, off hold", `A unit is released where its last attempt in production passed, its constants
were written, and its mark is not in doubt; else it must pass again. Who put it
on hold does not matter. --concession names the document that lets a unit go on
which did not pass. A unit that two decisions hold is named by its serial.`},
		decision.Scrap:    {"Scrap a unit, or all that filters choose", `Scrap is final: the station refuses the unit for ever.`},
		decision.Reworked: {"Say that a unit, or all that filters choose, was reworked", `The unit was mended, and may be tried again. One on hold is taken off hold first.`},
	}
	var all []*cobra.Command
	for _, v := range decision.Verbs() {
		all = append(all, newDecision(v, about[v][0], about[v][1], open))
	}
	return all
}

// decided is what the commands print with --json.
type decided struct {
	Schema  string        `json:"schema"`
	File    string        `json:"file"`
	Verb    decision.Verb `json:"verb"`
	By      string        `json:"by"`
	Signed  bool          `json:"signed"`
	Station string        `json:"station"` // "" for any
	Units   int           `json:"units"`   // chosen as the log stands
}

func newDecision(v decision.Verb, short, long string, open func() (*store.Follower, error)) *cobra.Command {
	var choice desk.Choice
	var keyFile, passFile, out, reason, by, concession string
	var asJSON bool
	c := &cobra.Command{
		Use:   string(v) + " [SERIAL] --reason TEXT --key FILE --out INBOX",
		Short: short,
		Long: long + `

Writes a file into INBOX, the folder inbox beside a station's store. The station
takes it up at its start and between units, chooses the units by its own log,
puts the decision and a change for each unit on record, and counts them. A
person decides who is lead or engineer in its roster. What a station does not
take is in inbox/refused, with the reason. SERIAL is a serial or a label;
without it the filters choose units by their attempts in production.

` + desk.ChoiceHelp,
		Example: fmt.Sprintf("  panecal %[1]s H54-00001-O --reason \"scratch on the window\" --key p2.key --out /srv/cal-1/inbox\n  panecal %[1]s --lot W-12 --since 2026-11-24 --reason \"cloudy windows\" --key p2.key --out /srv/cal-1/inbox", v),
		Args:    cli.Args(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			usage := func(text string) error {
				return cli.UsageError(fmt.Errorf("%s; see %s --help", text, c.CommandPath()))
			}
			f, err := choice.Filter()
			if err != nil {
				return err
			}
			o := decision.Order{Verb: v, Reason: reason, Document: concession, Station: f.Station, By: by}
			f.Station = ""
			chosen := decision.ChosenBy(f)
			switch {
			case strings.TrimSpace(reason) == "" || out == "":
				return usage("--reason and --out are needed")
			case f.Purpose != "":
				return usage("--purpose chooses no units: decisions are about what was produced")
			case len(args) == 1 && chosen.String() != "":
				return usage("give a serial or filters, not both")
			case len(args) == 1:
				o.Serial = args[0]
			case chosen.String() == "":
				return usage("give a serial, or filters")
			default:
				o.Chosen = chosen
			}
			switch {
			case keyFile == "" && v != decision.Hold:
				return usage(fmt.Sprintf("--key is needed: %s counts only signed", v))
			case keyFile == "" && by == "":
				return usage("--key is needed, or --by for a hold that nobody signs")
			case keyFile != "" && by != "":
				return usage("--key says who decides: leave --by out")
			}
			units, err := chooses(&o, open)
			if err != nil {
				return err
			}
			var key release.Key
			if keyFile != "" {
				if key, err = openKeyFile(c, keyFile, passFile); err != nil {
					return err
				}
				o.By = key.Person
			}
			if o, err = decision.New(o, time.Now()); err != nil {
				return cli.UsageError(fmt.Errorf("%s: %w", v, err))
			}
			file := o.Plain()
			if keyFile != "" {
				file = o.Sign(key)
			}
			name := filepath.Join(out, fmt.Sprintf("%s-%s-%s%s", o.Time.Format("20060102T150405.000000000Z"), v, plainName(o.By), decision.Ending))
			if err := files.WriteNew(name+inbox.Unfinished, file); err != nil {
				return err
			}
			if err := os.Rename(name+inbox.Unfinished, name); err != nil {
				return fmt.Errorf("writing a decision: %w", err)
			}
			fmt.Fprintf(c.ErrOrStderr(), "panecal: %s: %d units as the log stands; the station chooses and counts when it takes the file up\n", v, units)
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), decided{"panecal.decided/1", name, v, o.By, keyFile != "", o.Station, units})
			}
			_, err = fmt.Fprintln(c.OutOrStdout(), name)
			return err
		},
	}
	c.Flags().StringVar(&reason, "reason", "", "why; it goes on record")
	c.Flags().StringVar(&keyFile, "key", "", "key of who decides; see panecal key new")
	c.Flags().StringVar(&out, "out", "", "a station's inbox; it must exist")
	passphraseFlag(c, &passFile)
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	if v == decision.Hold {
		c.Flags().StringVar(&by, "by", "", "who decides, where nobody signs")
	}
	if v == decision.Unhold {
		c.Flags().StringVar(&concession, "concession", "", "number of the document that releases units which did not pass")
	}
	choice.AddTo(c)
	return c
}

// chooses names the station whose log is read, and says how many units of it the
// order chooses. Without a log there have to be a serial, and the station's name
// for what is signed.
func chooses(o *decision.Order, open func() (*store.Follower, error)) (int, error) {
	log, err := open()
	if err != nil {
		switch {
		case o.Chosen != nil:
			return 0, fmt.Errorf("filters need the log: %w", err)
		case o.Station == "" && o.Verb != decision.Hold:
			return 0, fmt.Errorf("name the station with --station, or its log with --data: %w", err)
		}
		return 1, nil
	}
	defer log.Close()
	head, err := log.Head()
	if err != nil {
		return 0, err
	}
	if o.Station == "" {
		o.Station = head.Station
	}
	if o.Chosen == nil {
		return 1, nil
	}
	serials, err := decision.Serials(log, o.Chosen)
	if err == nil && len(serials) == 0 {
		err = fmt.Errorf("no unit of this log is chosen by: %s", o.Chosen)
	}
	return len(serials), err
}

// plainName is a person as a part of a file's name.
func plainName(person string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_' {
			return r
		}
		return '_'
	}, person)
}
