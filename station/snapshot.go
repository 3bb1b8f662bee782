package station

import (
	"slices"
	"time"
)

// Snapshot is everything a screen may show, at one moment. It shares nothing
// with the machine: any goroutine may read it, nobody may change it.
type Snapshot struct {
	At       time.Time
	Station  string
	Operator string
	Order    string // work order, "" for none
	Purpose  Purpose
	Product  string
	Signed   bool // every file in force was signed

	Hands    Hands      // the one thing the hands do now
	Label    string     // the open label, "" when none
	Nests    []NestView // in the order of the station sheet
	Counters Counters
	Box      Box       // that good units go into
	Unboxed  []Unboxed // released units that wait for the next box
	Lifted   []Lifted  // stops that ended in this shift, oldest first
	Holds    []OnHold  // units on hold, the longest first
	Recent   []Verdict // the newest results, newest first, at most MaxRecent
	Stops    []Stop
	Standing []Message // what is to be known until it no longer holds
	Messages []Message // newest last, at most MaxMessages
	Closing  bool      // the station is on its way out
	Closed   bool      // nothing is awaited any more
}

// NestView is one nest as a screen shows it.
type NestView struct {
	Name    string
	Step    Step
	Label   string // label as scanned, "" when the nest holds no labelled unit
	Serial  string
	Purpose Purpose
	UnitID  string // the unit's own identity, "" when it has not told
	Attempt int    // 0 before the attempt begins
	Try     int    // which try of the capture in hand, 1 for the first

	// Progress of the capture in hand, in shots; Total is 0 where nothing is
	// counted. Waiting: another nest of the light group captures.
	Done, Total int64
	Waiting     bool
	// Remaining is the time left until the hands are needed again, learned
	// from earlier units, measured from Snapshot.At; negative when not known.
	Remaining time.Duration

	Trouble *Message // what stands in the way now: a capture fault, a refusal
	Verdict *Verdict // until the unit has been taken out
	Last    *Result  // of the unit before, until the next one comes
}

// MaxRecent is how many results a snapshot keeps.
const MaxRecent = 10

// NoNest stands for the station where an index of a nest is wanted.
const NoNest = -1

// Snapshot is what may be shown now.
func (m *Machine) Snapshot() Snapshot {
	s := Snapshot{
		At: m.now, Station: m.cfg.Station, Operator: m.crew.Operator, Order: m.crew.WorkOrder, Purpose: m.cfg.Purpose,
		Product: m.files.Product.Name, Signed: m.files.Signed(),
		Hands: m.hands(), Label: m.open.text, Nests: make([]NestView, len(m.nests)), Counters: m.tellFigures(),
		Messages: slices.Clone(m.messages), Closing: m.closing, Closed: m.closing,
	}
	s.Box, s.Unboxed, s.Lifted, s.Holds = m.box(), slices.Clone(m.boxes.unboxed), slices.Clone(m.lifted), m.heldNow()
	s.Recent = slices.Clone(m.recent)
	s.Standing = m.standing()
	if m.stop != nil {
		s.Stops = append(s.Stops, *m.stop)
	}
	for i, n := range m.nests {
		s.Nests[i] = m.view(n)
		s.Closed = s.Closed && n.step == Ended
		if n.stop != nil {
			s.Stops = append(s.Stops, *n.stop)
		} else if n.step == Opening && n.trouble != nil {
			s.Stops = append(s.Stops, Stop{Nest: i, Code: n.trouble.Code, Args: n.trouble.Args, Since: n.trouble.At})
		}
	}
	return s
}

func (m *Machine) view(n *nest) NestView {
	v := NestView{
		Name: n.sheet.Name, Step: n.step, Label: n.label, Serial: n.serial, Purpose: n.purpose, UnitID: n.unit.UnitID, Attempt: n.att.number,
		Done: n.shotsDone, Total: n.shotsTotal, Waiting: m.waiting(n), Remaining: m.remaining(n),
	}
	if n.att.intent != nil {
		v.Try = n.att.tries + 1
	}
	if n.trouble != nil {
		t := *n.trouble
		v.Trouble = &t
	}
	if n.verdict != nil && (n.step == Showing || n.step == Rejecting || n.step == Halting) {
		d := *n.verdict
		v.Verdict = &d
	} else if n.last != nil {
		r := *n.last
		v.Last = &r
	}
	return v
}

// Message is something said once. Nest is NoNest when it concerns the
// station.
type Message struct {
	At   time.Time
	Nest int
	Code Code
	Args Args
}

// MaxMessages is how many messages a snapshot keeps.
const MaxMessages = 8

// announce says something once, and keeps it for the snapshot.
func (m *Machine) announce(nest int, c Code, a Args) {
	msg := Message{At: m.now, Nest: nest, Code: c, Args: a}
	m.messages = append(m.messages, msg)
	if len(m.messages) > MaxMessages {
		m.messages = slices.Clone(m.messages[len(m.messages)-MaxMessages:])
	}
	m.emit(nest, 0, Announce{Message: msg})
}

// trouble says what stands in the way of the nest now.
func (m *Machine) trouble(n *nest, c Code, a Args) {
	a.Nest = n.sheet.Name
	if a.Label == "" {
		a.Label = n.label
	}
	m.announce(n.index, c, a)
	n.trouble = &m.messages[len(m.messages)-1]
	t := *n.trouble
	n.trouble = &t
}
