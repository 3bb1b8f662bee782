package simunit

import (
	"time"

	"example.org/panecal/protocol"
)

// utterance is what comes of one packet.
type utterance struct {
	now     [][]byte // packets to write at once
	late    []byte   // a packet to write after wait
	wait    time.Duration
	restart bool // the unit starts anew afterwards
	banner  bool // it has, and its console says so
}

// hear takes the payload of one packet. What is no request, and everything
// while the unit has no power, gives silence.
func (u *Unit) hear(payload []byte) utterance {
	u.mu.Lock()
	defer u.mu.Unlock()
	now := u.o.Now()
	u.advance(now)
	if !u.powered || now.Before(u.silentUntil) {
		return utterance{}
	}
	q, err := protocol.DecodeRequest(payload)
	if err != nil {
		return utterance{}
	}
	u.hands.happened(Asked, now)
	hit := u.faults.Strike(q.Body.Op())
	for _, f := range hit {
		switch f.Kind {
		case FaultDeaf:
			return utterance{}
		case FaultSilence:
			u.silentUntil = now.Add(f.Time)
			return utterance{}
		case FaultReset:
			u.reset(now)
			return utterance{banner: true}
		case FaultBusy:
			packet := u.encode(protocol.Answer{ID: q.ID, Session: u.session, Op: q.Body.Op(),
				Code: protocol.CodeBusy, BusyMS: int(f.Time / time.Millisecond)})
			return utterance{now: [][]byte{packet}}
		}
	}
	a, restart := u.answer(q, now)
	packet := u.encode(a)
	if packet == nil {
		return utterance{}
	}
	say := utterance{now: [][]byte{packet}, restart: restart}
	for _, f := range hit {
		switch f.Kind {
		case FaultLose:
			say.now = nil
		case FaultFlip:
			say.now = [][]byte{u.faults.Flip(packet)}
		case FaultRepeat:
			say.now = append(say.now, packet)
		case FaultLate:
			say.now, say.late, say.wait = nil, packet, f.Time
		case FaultNoise:
			say.now = append([][]byte{[]byte(Noise)}, say.now...)
		case FaultTornCommit:
			if !u.work.done.IsZero() {
				u.reset(now)
				return utterance{banner: true}
			}
		}
	}
	return say
}

// encode makes the packet of an answer. An answer that cannot be encoded is a
// mistake of the simulation: it says nothing, as a hung unit would.
func (u *Unit) encode(a protocol.Answer) []byte {
	payload, err := protocol.AppendAnswer(nil, a)
	if err != nil {
		return nil
	}
	return protocol.AppendPacket(nil, payload)
}
