package query

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"text/tabwriter"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/visible"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// ChecksSchema names the JSON form of Checks.
const ChecksSchema = "panecal.checks/1"

// Checks say for each nest how it stands with its check units.
type Checks struct {
	Schema string      `json:"schema"`
	Nests  []NestCheck `json:"nests"` // by name
}

// NestCheck is one nest since its last good check.
type NestCheck struct {
	Nest string `json:"nest"`
	// Good is the last check unit that passed, null where none ever did.
	Good *CheckRun `json:"good"`
	// Bad are the runs of check units since that did not pass, oldest first. One
	// that was ended by people says nothing and is not among them.
	Bad []CheckRun `json:"bad"`
	// Units are those whose newest attempt in production was made in this nest
	// since, in that order.
	Units []CheckedUnit `json:"units"`
}

// CheckRun is one run of a check unit.
type CheckRun struct {
	Serial     string         `json:"serial"`
	Time       time.Time      `json:"time"` // UTC
	Outcome    record.Outcome `json:"outcome"`
	Generation uint32         `json:"generation"`
	Sequence   uint64         `json:"sequence"`
}

// CheckedUnit is a unit that no good check followed.
type CheckedUnit struct {
	Serial   string         `json:"serial"`
	Time     time.Time      `json:"time"` // of its newest attempt, UTC
	Outcome  record.Outcome `json:"outcome"`
	HardBin  int            `json:"hard_bin"`
	Released bool           `json:"released"`
}

// CheckSource is what is asked for attempts: a store or a follower.
type CheckSource interface {
	Attempts(store.Filter, []quantity.Name, func(*store.Row) error) error
}

// SinceCheck says which units were made since the last good check of each nest.
// It goes once through all attempts.
func SinceCheck(src CheckSource) (*Checks, error) {
	type unit struct {
		nest string
		at   int
		CheckedUnit
	}
	nests := map[string]*NestCheck{}
	units := map[string]unit{}
	n := 0
	err := src.Attempts(store.Filter{}, nil, func(r *store.Row) error {
		n++
		of := nests[r.Nest]
		if of == nil {
			of = &NestCheck{Nest: r.Nest, Bad: []CheckRun{}, Units: []CheckedUnit{}}
			nests[r.Nest] = of
		}
		run := CheckRun{r.Serial, r.Time.UTC(), r.Outcome, r.Generation, r.Sequence}
		switch {
		case r.Purpose == record.CheckUnit && r.Outcome == record.Passed:
			of.Good, of.Bad = &run, []CheckRun{}
			for serial, u := range units {
				if u.nest == r.Nest {
					delete(units, serial)
				}
			}
		case r.Purpose == record.CheckUnit && (r.Outcome == record.Failed || r.Outcome == record.Error):
			of.Bad = append(of.Bad, run)
		case r.Purpose.Decides() && r.Serial != "":
			units[r.Serial] = unit{r.Nest, n, CheckedUnit{r.Serial, r.Time.UTC(), r.Outcome, r.HardBin, r.Released}}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("reading what was made since the last good check: %w", err)
	}
	list := make([]unit, 0, len(units))
	for _, u := range units {
		list = append(list, u)
	}
	slices.SortFunc(list, func(a, b unit) int { return cmp.Compare(a.at, b.at) })
	for _, u := range list {
		nests[u.nest].Units = append(nests[u.nest].Units, u.CheckedUnit)
	}
	c := &Checks{Schema: ChecksSchema, Nests: []NestCheck{}}
	for _, of := range nests {
		c.Nests = append(c.Nests, *of)
	}
	slices.SortFunc(c.Nests, func(a, b NestCheck) int { return cmp.Compare(a.Nest, b.Nest) })
	return c, nil
}

// WriteText writes the answer for people.
func (c *Checks) WriteText(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	when := func(at time.Time) string { return at.Format("2006-01-02 15:04") }
	for _, n := range c.Nests {
		good := "no check unit ever passed"
		if n.Good != nil {
			good = fmt.Sprintf("check unit %s passed at %s", visible.Text(n.Good.Serial), when(n.Good.Time))
		}
		fmt.Fprintf(t, "nest %s: %s, %d did not pass since, %d units since\n", visible.Text(n.Nest), good, len(n.Bad), len(n.Units))
		for _, b := range n.Bad {
			fmt.Fprintf(t, "  check unit %s\t%s\t%s\n", visible.Text(b.Serial), when(b.Time), b.Outcome)
		}
		for _, u := range n.Units {
			now := ""
			if u.Released {
				now = "released"
			}
			fmt.Fprintf(t, "  %s\t%s\t%s\tbin %d\t%s\n", visible.Text(u.Serial), when(u.Time), u.Outcome, u.HardBin, now)
		}
	}
	return t.Flush()
}
