package decision

import (
	"fmt"
	"slices"
	"time"

	"example.org/panecal/store/query"
	"example.org/panecal/store/record"
)

// checksFailed is how many runs of check units in a row, the second after a wipe,
// say that a nest is not to be trusted.
const checksFailed = 2

// HoldUnproven puts on hold what was made in a nest since its last good check,
// where check units did not pass twice in a row since: the station's own decision,
// on record as any other. What is on hold for that already, or was decided about
// since, is left. It can be called at any time.
func (d *Desk) HoldUnproven() (done Done, refused, err error) {
	d.turn.Lock()
	defer d.turn.Unlock()
	c, err := query.SinceCheck(d.Log)
	if err != nil {
		return Done{}, nil, err
	}
	for _, n := range c.Nests {
		if len(n.Bad) < checksFailed || len(n.Units) == 0 {
			continue
		}
		var serials []string
		for _, u := range n.Units {
			serials = append(serials, u.Serial)
		}
		chosen, why := &Chosen{Nest: n.Nest}, fmt.Sprintf("nest %s: no check unit ever passed, and %d in a row did not", n.Nest, len(n.Bad))
		if n.Good != nil {
			since := n.Good.Time
			chosen.Since = &since
			why = fmt.Sprintf("nest %s: made since check unit %s passed at %s, and then %d did not pass", n.Nest, n.Good.Serial, since.Format(time.RFC3339), len(n.Bad))
		}
		o := Order{Schema: schema, Verb: Hold, Chosen: chosen, Reason: why, By: station, Time: n.Bad[len(n.Bad)-1].Time}
		one, _, err := d.carry(o, serials, nil, false)
		done.Units += one.Units
		done.Left = append(done.Left, one.Left...)
		done.Changes = append(done.Changes, one.Changes...)
		if err != nil {
			return done, nil, err
		}
	}
	done.Told = fmt.Sprintf("%d units on hold that no good check followed", done.Units)
	return done, nil, nil
}

// ChecksFailed says whether among some records a check unit did not pass: then
// there may be units to hold still.
func ChecksFailed(some []record.Entry) bool {
	return slices.ContainsFunc(some, func(e record.Entry) bool {
		a, is := e.Body.(*record.Attempt)
		return is && a.Run.Purpose == record.CheckUnit && (a.Outcome == record.Failed || a.Outcome == record.Error)
	})
}
