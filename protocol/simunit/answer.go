package simunit

import (
	"bytes"
	"encoding/binary"
	"time"

	"example.org/panecal/protocol"
)

// What the unit says of itself on the wire.
const (
	maxIn   = 1024
	maxOut  = 1024
	maxHeld = 8
)

func (u *Unit) identity() *protocol.Identity {
	m := u.body.model
	id := &protocol.Identity{
		UnitID: u.o.UnitID, Product: m.Product, Firmware: m.Firmware, ProtoLow: 1, ProtoHigh: 1,
		Rows: m.Rows, Cols: m.Cols, Bins: m.Bins, BinFS: m.BinPS * 1000, FirstBinFS: m.FirstBinPS * 1000,
		PulsePeriodNS: m.PulseRepetitionNS, CountBits: m.CountBits,
		MaxIn: maxIn, MaxOut: maxOut, MaxHeld: maxHeld, CommitMS: int(2 * commitTime / time.Millisecond),
		Kinds:           protocol.KindsOf(protocol.Totals, protocol.Ranges),
		CompensationOff: m.CompensationSwitch, MaxFrames: 64,
	}
	if m.HoldsSerial {
		id.Serial = u.o.Serial
	}
	if m.FirstPhoton {
		id.PileUp = protocol.FirstPhoton
	}
	if m.Histograms {
		id.Kinds = protocol.KindsOf(protocol.Histograms, protocol.Totals, protocol.Ranges, protocol.EvenLight)
	} else {
		id.Bins, id.BinFS, id.FirstBinFS = 0, 0, 0
	}
	return id
}

// answer carries out a request at a time and returns the answer. restart says
// that the unit starts anew once the answer is out.
func (u *Unit) answer(q protocol.Request, now time.Time) (a protocol.Answer, restart bool) {
	u.stats.Requests++
	a = protocol.Answer{ID: q.ID, Op: q.Body.Op()}
	if _, ok := q.Body.(*protocol.WhoAreYou); ok && q.Session != 0 {
		u.open(q.Session)
	}
	a.Session = u.session
	// Anybody may switch the emitter off.
	if _, stop := q.Body.(*protocol.Stop); stop {
		u.finish(protocol.Stopped)
		return a, false
	}
	if q.Session != u.session || u.session == 0 {
		a.Code = protocol.CodeNoSession
		return a, false
	}
	u.lastValid = now
	if !u.work.done.IsZero() {
		a.Code = protocol.CodeBusy
		a.BusyMS = max(1, int((u.work.done.Sub(now)+time.Millisecond-1)/time.Millisecond))
		return a, false
	}
	a.Body, a.Code = u.carryOut(q.Body, now)
	if !u.work.done.IsZero() {
		a.Body, a.Code = nil, protocol.CodeBusy
		a.BusyMS = int(commitTime / time.Millisecond)
	}
	_, restart = q.Body.(*protocol.Restart)
	return a, restart
}

// open opens a session. A capture of the one before is ended and forgotten:
// its id may come again and must not bring old counts.
func (u *Unit) open(session uint32) {
	if session == u.session {
		return
	}
	u.finish(protocol.Stopped)
	u.session, u.cap, u.staged, u.held = session, nil, nil, 0
}

func (u *Unit) carryOut(body protocol.RequestBody, now time.Time) (protocol.AnswerBody, protocol.Code) {
	switch q := body.(type) {
	case *protocol.WhoAreYou:
		return u.identity(), protocol.CodeOK
	case *protocol.AskStatus:
		s := &protocol.Status{TempMilliCel: u.temperature(), EmitterOn: u.emitting(), Faults: u.faultBits()}
		if u.cap != nil {
			s.Capture = u.cap.request.ID
		}
		return s, protocol.CodeOK
	case *protocol.CaptureRequest:
		return u.capture(*q, now)
	case *protocol.AskProgress:
		if u.cap == nil || u.cap.request.ID != q.Capture {
			return nil, protocol.CodeNoCapture
		}
		return u.progress(), protocol.CodeOK
	case *protocol.Fetch:
		return u.fetch(q, now)
	case *protocol.ReadConstants:
		part := q.Answer(u.slots[u.live], maxOut)
		if u.marked && part.Offset+len(part.Data) == part.Length {
			u.marked = false
			u.hands.happened(Released, now)
		}
		return part, protocol.CodeOK
	case *protocol.Stage:
		return u.stage(q, now)
	case *protocol.Commit:
		return nil, u.commit(q, now)
	case *protocol.Void:
		void, block := protocol.VoidBlock(q.Witness), u.slots[u.live]
		if !bytes.Equal(block, void) && !(block == nil && q.Witness == nil) {
			u.hands.worked(now)
			u.begin(void, now)
		}
		return nil, protocol.CodeOK
	case *protocol.Restart:
		return nil, protocol.CodeOK
	case *protocol.Refused:
		return nil, q.Code
	}
	return nil, protocol.CodeUnknownRequest
}

func (u *Unit) capture(q protocol.CaptureRequest, now time.Time) (protocol.AnswerBody, protocol.Code) {
	m := u.body.model
	switch {
	case q.Frames > u.identity().MaxFrames:
		return nil, protocol.CodeBadArgument
	case u.cap != nil && u.cap.request.ID == q.ID:
		return u.progress(), protocol.CodeOK
	case u.cap != nil && u.cap.end == protocol.Running:
		return nil, protocol.CodeCapturing
	case !u.identity().Kinds.Has(q.Kind):
		return nil, protocol.CodeUnsupported
	case q.Kind == protocol.Ranges && !q.Compensated && !m.CompensationSwitch:
		return nil, protocol.CodeUnsupported
	case u.unfit():
		return nil, protocol.CodeFault
	}
	if q.Shots*int64(q.Frames) >= u.o.LongShots {
		u.hands.worked(now)
	}
	u.startCapture(q, now)
	return u.progress(), protocol.CodeOK
}

func (u *Unit) fetch(q *protocol.Fetch, now time.Time) (protocol.AnswerBody, protocol.Code) {
	c, m := u.cap, u.body.model
	if c == nil || c.request.ID != q.Capture {
		return nil, protocol.CodeNoCapture
	}
	kind := c.request.Kind
	if c.end == protocol.Running {
		if (q.Table == protocol.RangeTable) != (kind == protocol.Ranges) || q.Table == protocol.BinTable && !kind.HasBins() {
			return nil, protocol.CodeBadArgument // no such table, whenever it is asked for
		}
		return nil, protocol.CodeNoCapture
	}
	var v *protocol.Values
	main := false // the table that the capture was made for
	switch {
	case q.Table == protocol.BinTable && kind.HasBins():
		main = kind == protocol.Histograms
		v = q.Answer(m.Zones(), m.Bins, maxOut, func(z, i int) uint32 { return c.counts[z*m.Bins+i] })
	case q.Table == protocol.TotalTable && kind != protocol.Ranges:
		main = kind == protocol.Totals
		v = q.Answer(m.Zones(), 1, maxOut, func(z, _ int) uint32 { return c.totals[z] })
	case q.Table == protocol.FrameTable && kind != protocol.Ranges:
		v = q.Answer(m.Zones(), c.request.Frames, maxOut, func(z, f int) uint32 {
			if f >= len(c.frames) {
				return 0
			}
			return c.frames[f][z]
		})
	case q.Table == protocol.RangeTable && kind == protocol.Ranges:
		main = true
		v = q.AnswerRanges(c.ranges, maxOut)
	}
	if v == nil {
		return nil, protocol.CodeBadArgument
	}
	if main && c.total() >= u.o.LongShots {
		u.hands.worked(now)
		if u.reachesEnd(v) && !c.taken && c.end == protocol.Complete {
			c.taken = true
			u.hands.fetched(c.empty, now)
		}
	}
	return v, protocol.CodeOK
}

// reachesEnd says whether the last value of the last zone is among v.
func (u *Unit) reachesEnd(v *protocol.Values) bool {
	m := u.body.model
	if v.Table == protocol.RangeTable {
		return v.Zone+len(v.Ranges) == m.Zones()
	}
	columns := 1
	if v.Table == protocol.BinTable {
		columns = m.Bins
	}
	return v.Zone*columns+v.First+v.Len() == m.Zones()*columns
}

func (u *Unit) stage(q *protocol.Stage, now time.Time) (protocol.AnswerBody, protocol.Code) {
	u.hands.worked(now)
	if q.Offset == 0 {
		u.staged, u.held = make([]byte, q.Length), 0
	}
	if len(u.staged) != q.Length || q.Offset > u.held {
		// A gap: say how far it goes, and the station goes on from there.
		return &protocol.Staged{Held: u.held}, protocol.CodeOK
	}
	copy(u.staged[q.Offset:], q.Data)
	u.held = max(u.held, q.Offset+len(q.Data))
	return &protocol.Staged{Held: u.held}, protocol.CodeOK
}

// commit begins to bring the staged block into force: into the slot that is
// not in force, which becomes so when it is whole.
func (u *Unit) commit(q *protocol.Commit, now time.Time) protocol.Code {
	if named(u.slots[u.live], q) && u.faultBits()&protocol.FaultConstants == 0 || named(u.claimed, q) {
		return protocol.CodeOK
	}
	if u.held != len(u.staged) || !named(u.staged, q) {
		return protocol.CodeNotStaged
	}
	b, err := protocol.ParseBlock(u.staged)
	switch {
	case err != nil || b.State == protocol.Voided:
		return protocol.CodeNotStaged
	case b.Rows != u.body.model.Rows || b.Cols != u.body.model.Cols,
		u.body.model.HoldsSerial && b.Serial != u.o.Serial:
		return protocol.CodeWrongUnit
	}
	u.hands.worked(now)
	u.begin(bytes.Clone(u.staged), now)
	return protocol.CodeOK
}

// named says whether a block has the length and the last four bytes that a
// commit names.
func named(block []byte, q *protocol.Commit) bool {
	n := len(block)
	return n >= 4 && n == q.Length && binary.LittleEndian.Uint32(block[n-4:]) == q.CRC
}
