package simunit

import "time"

// Trigger is what the hands wait for before a move.
type Trigger string

// Triggers.
const (
	Powered  Trigger = "powered"  // the unit lies in the nest
	Asked    Trigger = "asked"    // somebody speaks to the unit
	Captured Trigger = "captured" // a long capture was fetched to its last value
	Emptied  Trigger = "emptied"  // likewise, and nothing stood in the field meanwhile
	Released Trigger = "released" // the unit carries the released mark, and it was read back
	Quiet    Trigger = "quiet"    // nothing but looks for as long as the move's time
	Done     Trigger = "done"     // released, or quiet for quietLimit after the last measurement
	Lifted   Trigger = "lifted"   // the unit lies beside the nest
)

// Action is what the hands do.
type Action string

// Actions.
const (
	PlaceTarget Action = "place target"
	ClearField  Action = "clear field"
	TakeOut     Action = "take out"
	PutBack     Action = "put back"
	HandIn      Action = "hand in the field"
	HandOut     Action = "hand out of the field"
	Touch       Action = "touch the window"
	Wipe        Action = "wipe the window"
)

// Move is one step of the hands: once the trigger has come, and After later,
// they act. Moves happen in order; a trigger that came before its move was
// next does not count, but for Powered, Asked and Lifted, which are states.
type Move struct {
	On       Trigger
	After    time.Duration
	Do       Action
	TargetMM float64 // PlaceTarget: stated distance; 0 = 300
	Reflect  float64 // PlaceTarget: reflectance; 0 = 0.5
	SmearRho float64 // Touch: diffuse back reflectance added to the outer face; 0 = 0.12
	Seating  Seating // PutBack
	HandAtMM float64 // HandIn: distance; 0 = 140
}

// UsualHands put the target into place once the empty field has been
// captured, and take the unit out when it is done, each after a hand's time.
func UsualHands(after time.Duration, targetMM, reflectance float64) []Move {
	return []Move{
		{On: Emptied, After: after, Do: PlaceTarget, TargetMM: targetMM, Reflect: reflectance},
		{On: Done, After: after, Do: TakeOut},
	}
}

// TargetLeftIn is UsualHands by somebody who forgot the target of the unit
// before and removes it when the station has had time to say so.
func TargetLeftIn(after, notice time.Duration, targetMM, reflectance float64) []Move {
	return append([]Move{
		{On: Powered, Do: PlaceTarget, TargetMM: targetMM, Reflect: reflectance},
		{On: Asked, After: notice, Do: ClearField},
	}, UsualHands(after, targetMM, reflectance)...)
}

// quietLimit is how long a station that has nothing more to measure must be
// quiet before the hands take the unit out without a released mark.
const quietLimit = 3 * time.Second

// hands carry out moves.
type hands struct {
	moves []Move
	at    int
	armed bool
	when  time.Time // the present move is due, if armed
	since time.Time // the present move became next
	work  time.Time // the station last did more than look
	asked bool
	in    bool
}

// due returns whether and when the next move happens.
func (h *hands) due() (bool, time.Time) {
	if h.at >= len(h.moves) {
		return false, time.Time{}
	}
	m := h.moves[h.at]
	if !h.armed && !h.work.IsZero() && h.work.After(h.since) {
		switch m.On {
		case Quiet:
			return true, h.work.Add(m.After)
		case Done:
			return true, h.work.Add(quietLimit + m.After)
		}
	}
	return h.armed, h.when
}

// take ends the present move and makes the next one the present.
func (h *hands) take() Move {
	m := h.moves[h.at]
	h.at++
	h.armed = false
	return m
}

// begin is called when the present move became next.
func (h *hands) begin(now time.Time) {
	h.since = now
	if h.at >= len(h.moves) {
		return
	}
	switch on := h.moves[h.at].On; {
	case on == Powered && h.in, on == Asked && h.asked, on == Lifted && !h.in:
		h.arm(now)
	}
}

func (h *hands) arm(now time.Time) {
	h.armed, h.when = true, now.Add(h.moves[h.at].After)
}

// happened tells the hands of an event.
func (h *hands) happened(t Trigger, now time.Time) {
	switch t {
	case Powered:
		h.in, h.asked = true, false
	case Lifted:
		h.in = false
	case Asked:
		h.asked = true
	}
	if h.at >= len(h.moves) || h.armed {
		return
	}
	if on := h.moves[h.at].On; on == t || on == Done && t == Released || on == Captured && t == Emptied {
		h.arm(now)
	}
}

// worked notes that the station does more than look.
func (h *hands) worked(now time.Time) { h.work = now }

// fetched tells of a long capture fetched to its end.
func (h *hands) fetched(empty bool, now time.Time) {
	if empty {
		h.happened(Emptied, now)
	} else {
		h.happened(Captured, now)
	}
}

// do carries out a move.
func (u *Unit) do(m Move, now time.Time) {
	s := u.scene
	switch m.Do {
	case PlaceTarget:
		s.TargetMM, s.Reflectance = or(m.TargetMM, 300), or(m.Reflect, 0.5)
	case ClearField:
		s.TargetMM = 0
	case HandIn:
		s.HandMM = or(m.HandAtMM, 140)
	case HandOut:
		s.HandMM = 0
	case Touch:
		s.Smear = or(m.SmearRho, 0.12)
	case Wipe:
		s.Smear = 0
	case TakeOut:
		u.cut()
		s.TargetMM, s.HandMM = 0, 0 // the next unit finds an empty field
		u.hands.happened(Lifted, now)
	case PutBack:
		u.putIn(m.Seating, now)
	}
	if s != u.scene {
		u.setScene(s)
	}
	u.hands.begin(now)
}

func or(v, usual float64) float64 {
	if v == 0 {
		return usual
	}
	return v
}
