package plantwide

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"slices"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/visible"
	"example.org/panecal/store"
	"example.org/panecal/store/central"
	"example.org/panecal/store/record"
)

// staleAfter is how old a station's last record may be before what is told of it counts
// as stale.
const staleAfter = 30 * time.Minute

// Station is a row of `panecal stations`.
type Station struct {
	Station string     `json:"station"`
	Last    time.Time  `json:"last"`  // UTC, of its newest record
	Stale   bool       `json:"stale"` // that is long ago: the station may be off, or its log not carried
	Stops   []OpenStop `json:"stops"` // that hold it or a nest up; null where they are not known
	Units   int        `json:"units_today"`
	Passed  int        `json:"passed_today"` // at their first attempt
	Checked *time.Time `json:"checked"`      // UTC, when a check unit passed last, within a week; null for none
	Holds   int        `json:"holds"`        // units on hold
	Lag     *uint64    `json:"lag_records"`  // that the history does not have; null where it is not known
}

// OpenStop is a stop that nobody lifted.
type OpenStop struct {
	Nest  string    `json:"nest"` // "" for the whole station
	Code  string    `json:"code"`
	Since time.Time `json:"since"` // UTC
}

// source is what a row is made of: a station's log, or its part of a history.
type source interface {
	Attempts(store.Filter, []quantity.Name, func(*store.Row) error) error
	Records(store.Topic, string, func(record.Entry) error) error
}

// NewStations makes `panecal stations`; follow opens the log of a folder.
func NewStations(follow func(folder string) (*store.Follower, string, error)) *cobra.Command {
	asJSON := false
	c := &cobra.Command{
		Use:   "stations URL|FOLDER...",
		Short: "Show how each station stands, a row a station",
		Long: `Shows of each station when it recorded last, the stops that nobody lifted and since
when, how many units it tried today and how many passed at their first attempt, when a
check unit passed last, how many units are on hold, and how many records the history
does not have yet. The stations are those of a history, or those whose folders are
named. Today begins with midnight on this computer's clock. A station that recorded
nothing for half an hour is STALE: it may be off, or its log not carried.

` + urlHelp,
		Example: `  panecal stations postgres://quality@db.plant.example/panecal
  panecal stations /mnt/s1 /mnt/s2 --json`,
		Args: cli.Args(cobra.MinimumNArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			now := time.Now()
			var list []Station
			for _, arg := range args {
				some, err := stationsOf(c, arg, follow, now)
				if err != nil {
					return err
				}
				list = append(list, some...)
			}
			slices.SortStableFunc(list, func(a, b Station) int { return cmp.Compare(a.Station, b.Station) })
			if asJSON {
				return cli.PrintJSON(c.OutOrStdout(), struct {
					Schema   string    `json:"schema"`
					Stations []Station `json:"stations"`
				}{"panecal.stations/1", append([]Station{}, list...)})
			}
			return writeStations(c.OutOrStdout(), list, now)
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

func stationsOf(c *cobra.Command, arg string, follow func(string) (*store.Follower, string, error), now time.Time) (list []Station, err error) {
	if central.IsURL(arg) {
		r, err := Sources{Data: arg}.history()
		if err != nil {
			return nil, err
		}
		defer func() { err = errors.Join(err, r.Close()) }()
		names, err := r.Stations()
		if err != nil {
			return nil, failure("reading the history", err)
		}
		for _, name := range names {
			if err := c.Context().Err(); err != nil {
				return nil, err
			}
			r.Only(name)
			s := Station{Station: name}
			if s.Last, err = r.Newest(name); err == nil {
				s.Holds, err = r.Held(name)
			}
			if err == nil {
				err = s.fill(r, r.Persons(), now)
			}
			if err != nil {
				return nil, failure("reading the history", err)
			}
			list = append(list, s)
		}
		return list, nil
	}
	f, folder, err := follow(arg)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	head, _, err := f.Ends()
	if err != nil {
		return nil, err
	}
	s := Station{Station: head.Station}
	if head.Sequence > 0 {
		e, err := f.Get(head)
		if err != nil {
			return nil, err
		}
		s.Last = e.Time.UTC()
	}
	held, err := f.Holds()
	if err != nil {
		return nil, err
	}
	s.Holds = len(held)
	if said, found, err := ReadForwarded(folder); err == nil && found && head.Sequence >= said.Sequence {
		lag := head.Sequence - said.Sequence
		s.Lag = &lag
	}
	return []Station{s}, s.fillInto(&list, f, now)
}

// fillInto fills the row and makes it the only one of a list.
func (s *Station) fillInto(list *[]Station, from source, now time.Time) error {
	err := s.fill(from, true, now)
	*list = []Station{*s}
	return err
}

// fill tells what both sources are asked alike; whole says that records may be read.
func (s *Station) fill(from source, whole bool, now time.Time) error {
	s.Stale = now.Sub(s.Last) > staleAfter
	local := now.Local()
	midnight := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, local.Location())
	err := from.Attempts(store.Filter{Station: s.Station, Since: now.AddDate(0, 0, -7)}, nil, func(r *store.Row) error {
		switch {
		case r.Purpose == record.CheckUnit && r.Outcome == record.Passed:
			at := r.Time.UTC()
			s.Checked = &at
		case r.Purpose == record.Production && r.AttemptNo <= 1 && !r.Time.Before(midnight):
			s.Units++
			if r.Outcome == record.Passed {
				s.Passed++
			}
		}
		return nil
	})
	if err != nil || !whole {
		return err
	}
	s.Stops = []OpenStop{}
	lifted := map[record.Ref]bool{}
	err = from.Records(store.Kind, record.KindStopLifted.String(), func(e record.Entry) error {
		if b, ok := e.Body.(*record.StopLifted); ok {
			lifted[b.Stop] = true
		}
		return nil
	})
	if err != nil {
		return err
	}
	return from.Records(store.Kind, record.KindStop.String(), func(e record.Entry) error {
		if b, ok := e.Body.(*record.Stop); ok && !lifted[e.Ref] {
			s.Stops = append(s.Stops, OpenStop{b.Nest, b.Code, e.Time.UTC()})
		}
		return nil
	})
}

func writeStations(w io.Writer, list []Station, now time.Time) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "station\tstate\tlast\ttoday\tfirst pass\tchecked\ton hold\tlag")
	for _, s := range list {
		state := "runs"
		switch {
		case s.Stops == nil:
			state = "?"
		case len(s.Stops) > 0:
			last := s.Stops[len(s.Stops)-1]
			where := "station"
			if last.Nest != "" {
				where = "nest " + last.Nest
			}
			state = fmt.Sprintf("stopped %s: %s, %s", last.Since.Local().Format("02 15:04"), where, last.Code)
		}
		if s.Stale {
			state = "STALE, " + state
		}
		checked, lag := "-", "-"
		if s.Checked != nil {
			checked = now.Sub(*s.Checked).Truncate(time.Minute).String()
		}
		if s.Lag != nil {
			lag = fmt.Sprint(*s.Lag)
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%d\t%d\t%s\t%d\t%s\n", visible.Text(s.Station), visible.Text(state), s.Last.Local().Format("01-02 15:04"), s.Units, s.Passed, checked, s.Holds, lag)
	}
	return t.Flush()
}
