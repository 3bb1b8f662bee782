package query

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"example.org/panecal/limits/visible"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// HoldsSchema names the JSON form of Holds.
const HoldsSchema = "panecal.holds/1"

// Holds are the units on hold at one time, those that wait longest first.
type Holds struct {
	Schema string    `json:"schema"`
	Time   time.Time `json:"time"` // of the question, UTC
	Units  []Hold    `json:"units"`
}

// Hold is one unit on hold.
type Hold struct {
	Serial  string    `json:"serial"`
	Since   time.Time `json:"since"` // UTC
	AgeS    int64     `json:"age_s"`
	By      string    `json:"by"`   // person, or "station"
	Code    string    `json:"code"` // of the newest record that holds it
	Why     string    `json:"why"`
	Decided bool      `json:"decided"`            // only a decision lifts it, and the station refuses the unit until then
	Also    []string  `json:"also,omitempty"`     // why it is held besides, by other decisions
	Nest    string    `json:"nest,omitempty"`     // of its last attempt
	HardBin int       `json:"hard_bin,omitempty"` // of its last attempt
	Box     string    `json:"box,omitempty"`      // number of the box in which it lies, as far as is known
	Record  Ref       `json:"record"`             // the newest that holds it
}

// HoldSource is what is asked about units on hold: a store or a follower.
type HoldSource interface {
	Source
	Holds() ([]store.Held, error)
}

// OnHold says which units are on hold, since when and why. It is the one answer
// to that question: commands and screens show it.
func OnHold(src HoldSource, now time.Time) (*Holds, error) {
	units, err := src.Holds()
	if err != nil {
		return nil, fmt.Errorf("reading what is on hold: %w", err)
	}
	h := &Holds{Schema: HoldsSchema, Time: now.UTC(), Units: []Hold{}}
	for _, u := range units {
		serial := u.Serial
		list, err := src.BySerial(serial)
		if err != nil {
			return nil, fmt.Errorf("reading the history of %q: %w", serial, err)
		}
		if one, ok := holdOf(serial, list); ok {
			one.AgeS = int64(max(0, now.Sub(one.Since)).Seconds())
			h.Units = append(h.Units, one)
		}
	}
	slices.SortStableFunc(h.Units, func(a, b Hold) int { return a.Since.Compare(b.Since) })
	return h, nil
}

// holdOf finds in a unit's records, oldest first, since when it is on hold.
func holdOf(serial string, list []record.Entry) (Hold, bool) {
	var s record.Standing
	var h Hold
	note := func(e record.Entry, was record.Disposition, by, code, why string) {
		if was != record.Hold {
			h = Hold{Serial: serial, Since: e.Time, Nest: h.Nest, HardBin: h.HardBin, Box: h.Box}
		}
		if s.Firm && h.Decided && why != h.Why {
			h.Also = append(h.Also, h.Why)
		}
		h.By, h.Code, h.Why, h.Decided, h.Record = by, code, why, s.Firm, ref(e.Ref)
	}
	for _, e := range list {
		was := s.At
		switch b := e.Body.(type) {
		case *record.Attempt:
			if b.Intent != nil {
				h.Nest, h.HardBin, h.Box = b.Run.Nest, b.Judgement.HardBin, b.Box
			}
			firm := s.Firm
			s.Verdict(b.Run.Purpose, b.Judgement.Disposition)
			if s.At == record.Hold && !firm && b.Judgement.Disposition == record.Hold {
				code, why := "", b.Judgement.SoftName
				if n := len(b.Problems); n > 0 {
					code, why = b.Problems[n-1].Code, b.Problems[n-1].Chain
				}
				note(e, was, "station", code, cmp.Or(why, code))
			}
		case *record.Boxed:
			h.Box = b.Box
		case *record.DispositionChange:
			firm := s.Firm
			s.Change(b.To, b.Firm)
			if s.At == record.Hold && (b.Firm || !firm) {
				note(e, was, b.By, b.Code, b.Why)
			}
		}
	}
	return h, s.At == record.Hold
}

// WriteText writes the list for people.
func (h *Holds) WriteText(w io.Writer) error {
	if len(h.Units) == 0 {
		_, err := fmt.Fprintln(w, "no unit is on hold")
		return err
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "SERIAL\tSINCE\tAGE\tBOX\tBY\tWHY")
	for _, u := range h.Units {
		why := u.Why
		if u.Decided {
			why = "decided: " + why
		}
		if len(u.Also) > 0 {
			why += "; also: " + strings.Join(u.Also, "; ")
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", visible.Text(u.Serial), u.Since.Format("2006-01-02 15:04"), age(u.AgeS), visible.Text(orDash(u.Box)), visible.Text(u.By), visible.Text(why))
	}
	fmt.Fprintf(t, "%d on hold\n", len(h.Units))
	return t.Flush()
}

// age is a time in the two units that say most.
func age(s int64) string {
	const minute, hour, day = 60, 3600, 86400
	switch {
	case s >= day:
		return fmt.Sprintf("%d d %d h", s/day, s%day/hour)
	case s >= hour:
		return fmt.Sprintf("%d h %d min", s/hour, s%hour/minute)
	}
	return fmt.Sprintf("%d min", s/minute)
}
