package station

import (
	"bytes"

	"example.org/panecal/protocol"
	"example.org/panecal/store/record"
)

// history is what the log holds about a label and a unit, as far as it
// decides what may happen now.
type history struct {
	judged     int           // attempts of this serial and purpose that were passed or failed
	since      int           // of those after its last rework
	reworks    int           // reworks on record
	mended     bool          // one of them came after last
	last       *record.Entry // newest production attempt of this serial that was begun
	held       string        // code of the change that put last on another disposition, "" for none
	at         Disposition   // of last, changes included
	unfinished bool          // an attempt was begun and has no result
	changes    []*record.DispositionChange
	decided    *record.DispositionChange // that keeps the unit from running, nil for none
	conflicts  []record.Entry            // newest attempt of each other unit or label, oldest first
}

// newHistory reads what the log holds, oldest first in each list.
func newHistory(r Recalled, serial, unitID string, p Purpose) history {
	var h history
	var stands record.Standing
	results := map[record.Ref]bool{}
	begun := []record.Ref{}
	for i := range r.BySerial {
		e := &r.BySerial[i]
		switch b := e.Body.(type) {
		case *record.AttemptIntent:
			begun = append(begun, e.Ref)
		case *record.Attempt:
			if b.Intent == nil {
				continue // nothing was done to the unit
			}
			results[*b.Intent] = true
			if b.Run.Purpose == p && (b.Outcome == Passed || b.Outcome == Failed) {
				h.judged++
				h.since++
			}
			if b.Run.Purpose == Production {
				h.last, h.at, h.held, h.mended = e, b.Judgement.Disposition, "", false
			}
			if stands.Verdict(b.Run.Purpose, b.Judgement.Disposition); stands.Firm {
				h.at = stands.At
			}
		case *record.ReworkDone:
			h.since, h.mended = 0, true
			h.reworks++
		case *record.DispositionChange:
			h.changes = append(h.changes, b)
			was := stands.Firm
			stands.Change(b.To, b.Firm)
			if h.last != nil && (!was || b.Firm) {
				h.at, h.held = stands.At, b.Code
			}
			if !stands.Firm {
				h.decided = nil
			} else if b.Firm {
				h.decided = b
			}
		}
	}
	for _, ref := range begun {
		h.unfinished = h.unfinished || !results[ref]
	}
	h.conflict(r.BySerial, func(run *record.Run) bool { return unitID != "" && run.UnitID != "" && run.UnitID != unitID })
	before := earlier(r.ByUnitID, serial)
	h.conflict(r.ByUnitID, func(run *record.Run) bool { return unitID != "" && run.Serial != serial && !before[run.Serial] })
	return h
}

// conflict adds the newest attempt, begun in earnest, that speaks against
// label and unit belonging together.
func (h *history) conflict(list []record.Entry, against func(*record.Run) bool) {
	for i := len(list) - 1; i >= 0; i-- {
		if a, ok := list[i].Body.(*record.Attempt); ok && a.Intent != nil && against(&a.Run) {
			h.conflicts = append(h.conflicts, list[i])
			return
		}
	}
}

// dispositionOf is what a result has come to since it was recorded.
func (h *history) dispositionOf(e record.Entry) Disposition {
	at := e.Body.(*record.Attempt).Judgement.Disposition
	for _, c := range h.changes {
		if c.Attempt != nil && *c.Attempt == e.Ref {
			at = c.To
		}
	}
	return at
}

// lastAttempt returns the result of last.
func (h *history) lastAttempt() *record.Attempt {
	if h.last == nil {
		return nil
	}
	return h.last.Body.(*record.Attempt)
}

// released reports whether the unit passed, nothing has been said against it
// since, and the block found in it says so too: an attempt that began later
// and was cut off has voided it.
func (h *history) released(found []byte) bool {
	a := h.lastAttempt()
	return a != nil && a.Outcome == Passed && h.at == Release && bears(found, a)
}

// bears reports whether a block is the one that was written in an attempt,
// with the released mark.
func bears(found []byte, a *record.Attempt) bool {
	if a.Constants == nil {
		return false
	}
	want, err := releasedForm(a.Constants.Written)
	return err == nil && bytes.Equal(found, want)
}

// resolvable reports whether the unit passed, holds the very block that is on
// record, and lacks nothing but the released mark.
func (h *history) resolvable(found []byte) bool {
	a := h.lastAttempt()
	if a == nil || a.Outcome != Passed || a.Constants == nil {
		return false
	}
	if h.at != Release && h.held != string(BrokenMark) {
		return false
	}
	b, err := protocol.ParseBlock(found)
	return err == nil && b.State == protocol.Written && bytes.Equal(found, a.Constants.Written)
}
