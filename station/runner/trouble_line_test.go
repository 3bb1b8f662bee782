package runner_test

import (
	"bytes"
	"context"
	"net"
	"slices"
	"sync"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
)

// trouble is what goes wrong between the kit's unit and the station: the
// faults that a simulated unit makes by itself, and the line's slowness.
type trouble struct {
	unit *specimen
	line simunit.Line

	mu      sync.Mutex // never held while anybody waits
	faults  *simunit.Faults
	hit     map[uint32][]simunit.Fault // by the id of a request whose answer is to come
	silent  time.Time                  // nothing is heard until then
	session uint32
}

// troubled is a line with its trouble, during one Serve. What no fault strikes
// passes as it is, byte by byte.
type troubled struct {
	net.Conn
	*trouble
	ctx  context.Context
	turn chan struct{} // one writes at a time; who waits for a mutex would stop a bubble's time

	in, out           bytes.Buffer
	requests, answers *protocol.Scanner // of in, of out
	ahead             []byte            // for the unit, not yet read
	heard             time.Time
	free              time.Time // the line has carried what was written
}

func (x *trouble) on(ctx context.Context, line net.Conn) *troubled {
	l := &troubled{Conn: line, trouble: x, ctx: ctx, turn: make(chan struct{}, 1)}
	l.requests = protocol.NewScanner(&l.in, protocol.MaxPayload)
	l.answers = protocol.NewScanner(&l.out, protocol.MaxPayload)
	return l
}

// packets calls do with what has become whole.
func packets(s *protocol.Scanner, do func(payload []byte)) {
	for {
		payload, err := s.Next()
		switch err {
		case nil:
			do(payload)
		case protocol.ErrDamaged:
		default:
			return // the rest is still to come
		}
	}
}

// Read gives the unit what it hears of the station.
func (l *troubled) Read(p []byte) (int, error) {
	for len(l.ahead) == 0 {
		raw := make([]byte, 1024)
		n, err := l.Conn.Read(raw)
		if err != nil {
			return 0, err
		}
		var happens []func()
		l.ahead, happens = l.hears(raw[:n])
		for _, it := range happens {
			it()
		}
	}
	n := copy(p, l.ahead)
	l.ahead = l.ahead[n:]
	return n, nil
}

func (l *troubled) hears(raw []byte) (pass []byte, happens []func()) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.heard = time.Now()
	if l.heard.Before(l.silent) || !l.unit.Seated() {
		return nil, nil
	}
	struck := false
	l.in.Write(raw)
	packets(l.requests, func(payload []byte) {
		q, err := protocol.DecodeRequest(payload)
		if err != nil {
			return
		}
		op := q.Body.Op()
		for _, f := range l.faults.Strike(op) {
			struck = true
			switch f.Kind {
			case simunit.FaultSilence:
				l.silent = l.heard.Add(f.Time)
				return
			case simunit.FaultDeaf:
				return
			case simunit.FaultReset:
				happens = append(happens, l.unit.Reset)
				return
			case simunit.FaultBusy:
				happens = append(happens, func() { l.busy(q.ID, op, f.Time) })
				return
			case simunit.FaultTornCommit:
				if op == protocol.OpCommit || op == protocol.OpVoid {
					happens = append(happens, func() { l.unit.command("cut 1") })
				}
			default:
				l.hit[q.ID] = append(l.hit[q.ID], f)
			}
		}
		if op == protocol.OpWhoAreYou && q.Session != 0 {
			l.session = q.Session
		}
		pass = protocol.AppendPacket(pass, payload)
	})
	if !struck {
		pass = slices.Clone(raw)
	}
	return pass, happens
}

func (l *troubled) busy(id uint32, op protocol.Op, d time.Duration) {
	payload, err := protocol.AppendAnswer(nil, protocol.Answer{ID: id, Session: l.session, Op: op, Code: protocol.CodeBusy, BusyMS: int(d / time.Millisecond)})
	if err != nil {
		l.unit.t.Error(err)
		return
	}
	l.later(protocol.AppendPacket(nil, payload), 0)
}

// Write gives the station what the unit says.
func (l *troubled) Write(raw []byte) (int, error) {
	l.mu.Lock()
	struck := len(l.hit) > 0
	var pass []byte
	l.out.Write(raw)
	packets(l.answers, func(payload []byte) {
		packet := protocol.AppendPacket(nil, payload)
		a, err := protocol.DecodeAnswer(payload)
		hit := l.hit[a.ID]
		if err != nil || len(hit) == 0 {
			pass = append(pass, packet...)
			return
		}
		delete(l.hit, a.ID)
		now := packet
		for _, f := range hit {
			switch f.Kind {
			case simunit.FaultLose:
				now = nil
			case simunit.FaultFlip:
				now = l.faults.Flip(packet)
			case simunit.FaultRepeat:
				now = append(slices.Clone(now), packet...)
			case simunit.FaultLate:
				now = nil
				l.later(packet, f.Time)
			case simunit.FaultNoise:
				now = append([]byte(simunit.Noise), now...)
			}
		}
		pass = append(pass, now...)
	})
	if !struck {
		pass = raw
	}
	ready := l.heard.Add(l.line.Turnaround)
	l.mu.Unlock()
	if l.line.Baud > 0 && len(pass) > 0 {
		if l.free.Before(ready) {
			l.free = ready
		}
		l.free = l.free.Add(time.Duration(len(pass)) * 10 * time.Second / time.Duration(l.line.Baud))
		time.Sleep(time.Until(l.free))
	}
	if err := l.put(pass); err != nil {
		return 0, err
	}
	return len(raw), nil
}

func (l *troubled) put(packet []byte) error {
	if len(packet) == 0 {
		return nil
	}
	l.turn <- struct{}{}
	defer func() { <-l.turn }()
	_, err := l.Conn.Write(packet)
	return err
}

func (l *troubled) later(packet []byte, d time.Duration) {
	time.AfterFunc(d, func() {
		if l.ctx.Err() == nil {
			_ = l.put(packet) // a line that is gone is seen by others
		}
	})
}
