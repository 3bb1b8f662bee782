package station

import (
	"errors"
	"fmt"
	"time"

	"example.org/panecal/store/record"
)

// Config is what a station is told at its start. Purpose, Station and Files
// are needed; a zero duration or number means its default.
type Config struct {
	Leads     []string // whose signed statements count
	Station   string
	Purpose   Purpose
	Files     *Files
	Operator  string // who is at the station
	Software  string // this program's version
	WorkOrder string
	Lot       string
	Bridge    string // program between station and units, "" for none

	Gate       bool    // a Gate is asked before each attempt in production and told its verdict
	Silence    Silence // what follows where it does not answer in time; SilenceWaits
	Fixture    bool    // there is a Fixture; it serves the nests whose sheet names a driver, the operator's hands the others
	RejectScan bool    // a failed unit's label is scanned at the reject box before its nest goes on

	Roster record.Revision // who may work here, zero for everybody

	// Staffed: people lift stops by badge and PIN. A start lifts none then but
	// what it ends by itself, and a nest that was mended takes no units before
	// a check unit has passed in it.
	Staffed bool

	// Recent is the newest part of the log, oldest first, reaching back to
	// the oldest stop not lifted and the last record of each nest: stops in
	// it are lifted, on record, unless Staffed; results that nobody may have seen are shown
	// again.
	Recent []record.Entry

	// Holds are the records that put the units on hold that are so now; units that
	// Recent puts there need not be among them.
	Holds []record.Entry

	AnswerTime time.Duration // for a seated unit to answer, and again after reseating; 5 s
	LabelTime  time.Duration // how long a label stays open; 60 s
	HandsTime  time.Duration // how long an attempt waits for the target; 0: for ever
	Tries      int           // captures that may be bad in one attempt, and the last ends it; 3
	InARow     int           // units in a row that stop a nest; 3
	SameInARow int           // units in a row that fail the same way and stop a nest; 0: never
	CheckEvery time.Duration // from one check unit that passed to the next; 0: no check units are asked for

	// Site is where days begin and end, and clocks are read; nil: as times come.
	Site *time.Location

	BoxSize int  // good units that a box takes, which has a number then; 0: boxes have none
	BoxScan bool // a good unit's label is scanned at its box before its nest goes on

	// CheckUnits are the serials of units that in production run with the
	// purpose Check: measured and judged, never written, never counted.
	CheckUnits []string
}

func (c Config) checked() (Config, error) {
	switch {
	case c.Files == nil:
		return c, errors.New("no released files")
	case c.Station == "":
		return c, errors.New("the station has no name")
	case len(c.Files.Sheet.Nests) == 0:
		return c, errors.New("the station sheet has no nest")
	}
	if err := validPurpose(c.Purpose); err != nil {
		return c, err
	}
	if err := c.checkGate(); err != nil {
		return c, err
	}
	names := map[string]bool{}
	for _, n := range c.Files.Sheet.Nests {
		if n.Name == "" || names[n.Name] {
			return c, fmt.Errorf("nest name %q is missing or used twice", n.Name)
		}
		names[n.Name] = true
	}
	for _, d := range []struct {
		v   *time.Duration
		def time.Duration
	}{{&c.AnswerTime, 5 * time.Second}, {&c.LabelTime, time.Minute}} {
		if *d.v == 0 {
			*d.v = d.def
		}
	}
	for _, d := range []*int{&c.Tries, &c.InARow} {
		if *d == 0 {
			*d = 3
		}
	}
	return c, nil
}
