package decision

import (
	"fmt"
	"time"

	"example.org/panecal/store/record"
)

// unit is what the log holds about one unit, as far as it decides what may
// become of it.
type unit struct {
	record.Standing
	attempt *record.Entry // newest that was begun, in production or by an engineer
	held    time.Time     // of the newest record that put it on hold
	open    int           // decisions that hold it, each of another choice
	voided  bool          // a later attempt was begun, and has no result
	doubt   bool          // the mark of attempt is not confirmed
	newest  *record.Decision
	ref     *record.Ref // of newest
	choices map[string]bool
}

// weigh reads a unit's records, oldest first; decided finds a decision.
func weigh(list []record.Entry, decided func(record.Ref) (*record.Decision, error)) (unit, error) {
	u := unit{choices: map[string]bool{}}
	for i := range list {
		e := &list[i]
		switch b := e.Body.(type) {
		case *record.AttemptIntent:
			u.voided = u.voided || b.Run.Purpose.Decides()
		case *record.Attempt:
			if u.Verdict(b.Run.Purpose, b.Judgement.Disposition) && u.At == record.Hold {
				u.held = e.Time
			}
			if b.Intent != nil && b.Run.Purpose.Decides() {
				u.attempt, u.voided, u.doubt = e, false, false
			}
		case *record.DispositionChange:
			u.Change(b.To, b.Firm)
			if b.To == record.Hold {
				u.held = e.Time
			}
			if !b.Firm {
				u.doubt = b.To == record.Hold
			}
			if err := u.decide(b, decided); err != nil {
				return u, err
			}
		case *record.ReworkDone:
			if b.Decision != nil {
				d, err := decided(*b.Decision)
				if err != nil {
					return u, err
				}
				u.newest, u.ref = d, b.Decision
			}
		}
	}
	return u, nil
}

func (u *unit) decide(b *record.DispositionChange, decided func(record.Ref) (*record.Decision, error)) error {
	switch {
	case !b.Firm:
		return nil
	case b.To != record.Hold:
		u.open = 0
		clear(u.choices)
	case b.Decision == nil:
		u.open++
	}
	if b.Decision == nil {
		return nil
	}
	d, err := decided(*b.Decision)
	if err != nil {
		return err
	}
	u.newest, u.ref = d, b.Decision
	if b.To == record.Hold {
		u.open++
		u.choices[d.Chosen] = true
	}
	return nil
}

// passed says whether the unit may go on: its last attempt was one of
// production, passed and released it, and what was written is in it still.
func (u *unit) passed() bool {
	if u.attempt == nil || u.voided || u.doubt {
		return false
	}
	a := u.attempt.Body.(*record.Attempt)
	return a.Run.Purpose == record.Production && a.Outcome == record.Passed && a.Judgement.Disposition == record.Release &&
		a.Constants != nil && len(a.Constants.Written) > 0 && string(a.Constants.Written) == string(a.Constants.ReadBack)
}

// outdated says why an order comes too late for the unit, "" where it does not.
func (o Order) outdated(u *unit) string {
	if u.newest != nil && !o.Time.After(u.newest.Decided) {
		return fmt.Sprintf("%s decided %s later, or at the same time", u.newest.By, u.newest.Verb)
	}
	if o.Verb == Unhold && u.newest == nil && !u.held.IsZero() && o.Time.Before(u.held) {
		return "it was put on hold after this was decided"
	}
	return ""
}

// body is the record that carries an order out for a unit, or why it is left as
// it is.
func (o Order) body(u *unit, serial string, ref *record.Ref) (record.Body, string) {
	if u.At == record.Scrap && u.Firm {
		return nil, "it was scrapped, which is final"
	}
	if why := o.outdated(u); why != "" {
		return nil, why
	}
	c := &record.DispositionChange{Serial: serial, From: u.At, Code: string(o.Verb), Why: o.Reason, By: o.By, Firm: true, Decision: ref}
	if u.attempt != nil {
		c.Attempt, c.UnitID = &u.attempt.Ref, u.attempt.Body.(*record.Attempt).Run.UnitID
	}
	switch o.Verb {
	case Hold:
		if u.At == record.Hold && u.Firm && o.Chosen != nil && u.choices[o.Chosen.String()] {
			return nil, "it is on hold by the same choice already"
		}
		c.To = record.Hold
	case Scrap:
		c.To = record.Scrap
	case Unhold:
		switch {
		case u.At != record.Hold:
			return nil, "it is not on hold"
		case o.Chosen != nil && u.open > 1:
			return nil, fmt.Sprintf("%d decisions hold it: name it by its serial", u.open)
		case o.Document != "":
			c.To, c.Document = record.Release, o.Document
		case u.passed():
			c.To = record.Release
		default:
			c.To, c.Why = record.Rework, o.Reason+" (it must pass again)"
		}
	case Reworked:
		switch {
		case u.At == record.Hold && u.Firm:
			return nil, "it is on hold: take it off hold first"
		case u.At == record.Release:
			return nil, "it is released: there is nothing to rework"
		case u.At == "":
			return nil, "the log has no verdict about it"
		}
		return &record.ReworkDone{Attempt: c.Attempt, Serial: serial, UnitID: c.UnitID, Action: o.Reason, By: o.By, Decision: ref}, ""
	}
	return c, ""
}
