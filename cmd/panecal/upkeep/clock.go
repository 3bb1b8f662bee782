package upkeep

import (
	"slices"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// MayLag is how far the clock may be behind the last record.
const MayLag = 5 * time.Minute

// LongestPause is how long a station may have rested, unless the configuration
// says otherwise.
const LongestPause = 720 * time.Hour

// Clock is what the log says of the time. Where a computer's clock does not fit
// it, somebody has to look before another unit is made: records and certificates
// go by it.
type Clock struct {
	Last   time.Time     // of the last record that was made by a clock that fitted
	After  uint64        // its sequence
	Pause  time.Duration // the longest that is believed
	Leads  []string      // whose statements count
	Name   string        // of the station, about which a statement is
	stop   *record.Ref   // that is on record and not lifted
	log    Log
	reader *store.Reader
}

// NewClock reads, in the newest part of the log, when it ended. What was recorded
// while the clock was known to be wrong says nothing.
func NewClock(recent []record.Entry) *Clock {
	c := &Clock{Pause: LongestPause}
	var before Clock // as it was when the run of the station began
	for _, e := range recent {
		switch b := e.Body.(type) {
		case *record.Start:
			if c.stop == nil {
				before = *c
			}
		case *record.Stop:
			if b.Code == string(station.StopClock) && c.stop == nil {
				c.Last, c.After, c.stop = before.Last, before.After, &e.Ref
			}
		case *record.StopLifted:
			if c.stop != nil && b.Stop == *c.stop {
				c.stop = nil
			}
		}
		if c.stop == nil {
			c.Last, c.After = e.Time, e.Ref.Sequence
		}
	}
	return c
}

// Fits says whether a time can be that of the next record.
func (c *Clock) Fits(now time.Time) bool {
	return c.Last.IsZero() || !now.Before(c.Last.Add(-MayLag)) && (c.Pause <= 0 || !now.After(c.Last.Add(c.Pause)))
}

// stated says who explained the clock in a statement since, "" for nobody.
func (c *Clock) stated() (by string, err error) {
	err = c.reader.Records(store.Serial, c.Name, func(e record.Entry) error {
		if n, ok := e.Body.(*record.Note); ok && e.Ref.Sequence > c.After && station.IsStatement(n) && slices.Contains(c.Leads, n.By) {
			by = n.By
		}
		return nil
	})
	return by, err
}

// look holds the clock against the log and returns what the station is to be
// told: that the clock is wrong, that it fits again, or nothing.
func (c *Clock) look(now time.Time) (r station.Remark, err error) {
	method, by := "clock", "station"
	if !c.Fits(now) {
		person, err := c.stated()
		if err != nil {
			return r, err
		}
		if person == "" {
			r = station.Remark{Clock: now.UTC().Format(time.RFC3339), LogEnds: c.Last.UTC().Format(time.RFC3339)}
			if c.stop != nil {
				return r, nil
			}
			a := station.Args{Detail: station.Verbatim(r.Clock), Other: station.Verbatim(r.LogEnds)}
			ref, err := c.log.Append(&record.Stop{Code: string(station.StopClock), Why: station.StopClock.Say(a), Detail: r.Clock, Other: r.LogEnds,
				LiftBy: string(station.StopClock.Meaning().Lift)})
			if err == nil {
				c.stop = &ref
			}
			return r, err
		}
		method, by = "statement", person
	}
	if c.stop != nil {
		why := "the clock fits the log"
		if method == "statement" {
			why = "a signed statement is on record"
		}
		if _, err := c.log.Append(&record.StopLifted{Stop: *c.stop, Code: string(station.StopClock), By: by, Method: method, Why: why}); err != nil {
			return r, err
		}
		c.stop, r.ClockFits = nil, true
	}
	c.Last = time.Time{} // looked at for good: what comes now is the machine's
	return r, nil
}
