package station

import (
	"errors"
	"fmt"

	"example.org/panecal/store/record"
)

// Silence is what the site does with a unit that the gate did not answer for in
// time.
type Silence string

// The site's choices.
const (
	SilenceWaits  Silence = "wait"  // the unit waits, and the gate is asked again
	SilenceHolds  Silence = "hold"  // the unit is refused and goes on hold
	SilenceStarts Silence = "start" // the unit starts; its intent says that nobody allowed it
)

// Silences returns them all. The slice is the caller's.
func Silences() []Silence { return []Silence{SilenceWaits, SilenceHolds, SilenceStarts} }

func (c *Config) checkGate() error {
	switch c.Silence {
	case "":
		c.Silence = SilenceWaits
	case SilenceWaits, SilenceHolds, SilenceStarts:
	default:
		return fmt.Errorf("a gate that does not answer: %q is none of %q", c.Silence, Silences())
	}
	return nil
}

// ErrSilent is wrapped by the error of a [Gate] that did not answer in time.
var ErrSilent = errors.New("no answer in time")

// What a gate said, as on record.
const (
	gateAllowed = "may start"
	gateSilent  = "silent"
)

// gated reports whether a unit is the gate's business: what is made for
// somebody. Check units, studies and trials are the station's own.
func (m *Machine) gated(p Purpose) bool { return m.cfg.Gate && p == Production }

// admit lets the unit begin, if the gate agrees.
func (m *Machine) admit(n *nest) {
	if !m.gated(n.purpose) {
		m.intend(n)
		return
	}
	m.enter(n, Asking)
	m.ask(n, Ask{Nest: n.sheet.Name, Serial: n.serial, UnitID: n.unit.UnitID, Product: n.files.Product.Name,
		WorkOrder: n.att.crew.WorkOrder, Lot: n.att.crew.Lot, Attempt: n.att.number})
}

func (m *Machine) allowed(n *nest, f Fact) {
	n.trouble = nil
	n.att.gate = &record.Gate{Request: f.(Allowed).Request, Answer: gateAllowed}
	m.intend(n)
}

func (m *Machine) notAllowed(n *nest, f Failure) {
	if f.Trouble != Silent {
		m.refuse(n, RefusedGate, Args{Detail: Verbatim(f.Why)})
		return
	}
	a := Args{Nest: n.sheet.Name, Label: n.label}
	switch m.cfg.Silence {
	case SilenceHolds:
		m.refuse(n, RefusedSilent, Args{})
	case SilenceStarts:
		m.announce(n.index, NoticeUngated, a)
		n.att.gate = &record.Gate{Answer: gateSilent, Why: f.Why}
		m.intend(n)
	default:
		if n.trouble == nil {
			m.trouble(n, NoticeSilent, a)
		}
		m.enter(n, Delayed)
		m.sleep(n, probeEvery)
	}
}

// stillDelayed asks again for the unit that waits, if it is still this one.
func (m *Machine) stillDelayed(n *nest, f Fact) {
	n.quiet = 0
	if f.(Identified).Identity.UnitID != n.unit.UnitID {
		m.left(n)
		return
	}
	m.admit(n)
}
