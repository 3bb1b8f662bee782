package station

import (
	"maps"
	"slices"
	"time"

	"example.org/panecal/store/record"
)

// memory is what the log's newest part says, kept up as the station goes on.
type memory struct {
	unseen  map[string]record.Entry // by serial: results that nobody may have seen
	holds                           // units on hold
	checked time.Time               // when a check unit passed last
	cutOff  map[string]cutOff       // by serial: attempts from before the start that have no end
	today
	boxes
	strays
	made
}

// SignedOffByClosing is how a person was signed off whose shift the end of the
// program cut: where the same one signs on again, it goes on.
const SignedOffByClosing = "closing"

// remember finds, in the newest part of the log, stops that are in force and
// results that nobody may have seen: in the run of the program that made
// them, nothing came after them from their nest and nobody signed off, and
// their unit has not run since.
func (m *Machine) remember(recent []record.Entry) {
	last := map[string]record.Entry{} // by nest, of one run of the program
	var stops []record.Entry          // in force
	named := map[string]*nest{}
	for _, n := range m.nests {
		named[n.sheet.Name] = n
	}
	on := "" // who is signed on
	for _, e := range recent {
		m.noteCutOff(e)
		switch b := e.Body.(type) {
		case *record.Attempt:
			m.count(b, e.Time, on != "") // a shift goes on
			last[b.Run.Nest] = e
			delete(m.unseen, b.Run.Serial)
			if b.Run.Purpose.Decides() && b.Judgement.Disposition != "" {
				m.holds.stands(b.Judgement.Disposition, heldBy(e))
			}
			m.noteMade(b.Run.Purpose, b.Run.WorkOrder, b.Box, b.Run.Serial, m.holds.at(b.Run.Serial, b.Judgement.Disposition))
			m.noteCheck(b.Run.Purpose, b.Outcome, e.Time)
			if n := named[b.Run.Nest]; n != nil && b.Run.Purpose == Check && b.Outcome == Passed {
				n.proved(b.Run.Serial)
			}
		case *record.DispositionChange:
			m.holds.stands(b.To, heldBy(e))
			m.noteStray(b.Serial)
			at := m.holds.at(b.Serial, b.To)
			m.noteMade(Production, "", "", b.Serial, at)
			m.figures.stands(b.Serial, at, e.Time)
		case *record.BoxOpened:
			m.boxes.open = b.Number
		case *record.Boxed:
			m.boxedIn(b.Serial, b.Box)
		case *record.Pause:
			m.figures.rest(!b.Off, e.Time)
		case *record.AttemptIntent:
			delete(last, b.Run.Nest)
			maps.DeleteFunc(last, func(_ string, e record.Entry) bool { return e.Body.(*record.Attempt).Run.Serial == b.Run.Serial })
			delete(m.unseen, b.Run.Serial)
		case *record.Refusal:
			delete(last, b.Nest)
		case *record.SignOn:
			if !b.Off && b.Person != on {
				m.figures = newFigures(e.Time) // another shift
			}
			on = b.Person
			if b.Off && b.Method != SignedOffByClosing {
				on, m.figures = "", newFigures(e.Time)
			}
			if !b.Off {
				m.keepUnseen(last)
			}
			clear(last)
		case *record.Stop:
			if Code(b.Code) != StopClock { // who looks at the clock lifts it
				stops = append(stops, e)
			}
		case *record.StopLifted:
			ended := Lifted{Code(b.Code), Args{Nest: b.Nest}, e.Time, b.By, b.Method}
			if i := slices.IndexFunc(stops, func(e record.Entry) bool { return e.Ref == b.Stop }); i >= 0 {
				ended.Args = m.stopArgs(stops[i].Body.(*record.Stop))
			}
			m.lifted = append(m.lifted, ended)
			stops = slices.DeleteFunc(stops, func(e record.Entry) bool { return e.Ref == b.Stop })
			if n := named[b.Nest]; n != nil {
				m.wantChecks(n, Code(b.Code))
			}
		}
	}
	m.keepUnseen(last)
	for _, e := range m.cfg.Holds { // those from before it
		m.noteStray(e.Body.Subject().Serial)
		m.holds.stands(Hold, heldBy(e))
	}
	for _, e := range stops {
		of := func(n *nest) bool { return n.sheet.Name == e.Body.(*record.Stop).Nest }
		n := m.nests[max(0, slices.IndexFunc(m.nests, of))]
		n.lifts = append(n.lifts, e)
	}
}

func (m *Machine) keepUnseen(last map[string]record.Entry) {
	for _, e := range last {
		m.unseen[e.Body.(*record.Attempt).Run.Serial] = e
	}
}
