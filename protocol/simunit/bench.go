package simunit

import (
	"bytes"
	"time"

	"example.org/panecal/protocol"
)

// What a test bench can do to a unit from outside its line.

// writesOfCommit is how many writes to the memory of the constants a commit
// takes: the erasure, the two halves of the block, and the mark that brings
// it into force.
const writesOfCommit = 4

// CutAt lets the power dip in the middle of the n-th write to the memory of
// the constants, counted from now; 0 takes that back. It returns whether the
// dip that was ordered before has happened.
func (u *Unit) CutAt(n int) (happened bool) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.advance(u.o.Now())
	happened, u.cutHappened, u.cutAt = u.cutHappened, false, n
	return happened
}

// tear prepares a commit for the dip that was ordered: it ends early, with
// the spare place in the memory half written.
func (u *Unit) tear(now time.Time) {
	if u.cutAt < 1 {
		return
	}
	if u.cutAt > writesOfCommit {
		u.cutAt -= writesOfCommit
		return
	}
	u.work.torn = true
	u.work.done = now.Add(commitTime * time.Duration(2*u.cutAt-1) / (2 * writesOfCommit))
	u.work.block = bytes.Repeat([]byte{0xff}, len(u.work.block)*u.cutAt/writesOfCommit)
	u.cutAt = 0
}

// Malfunction gives the unit's hardware faults, bits of protocol.Status;
// 0 heals it. Without a sound emitter, driver or detector no capture goes on.
func (u *Unit) Malfunction(faults uint32) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.advance(u.o.Now())
	u.malfunction = faults
	if u.unfit() {
		u.finish(protocol.UnitFault)
	}
}

func (u *Unit) unfit() bool {
	return u.malfunction&(protocol.FaultEmitter|protocol.FaultDetector|protocol.FaultMemory) != 0
}

// Damage flips a bit of the constants block in force.
func (u *Unit) Damage() {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.advance(u.o.Now())
	if block := bytes.Clone(u.slots[u.live]); len(block) > 0 {
		block[len(block)/2] ^= 0x20
		u.slots[u.live] = block
	}
}

// faultBits is what status says: the hardware's faults, and whether the
// constants in force are damaged.
func (u *Unit) faultBits() uint32 {
	bits := u.malfunction
	if block := u.slots[u.live]; len(block) > 0 {
		if _, err := protocol.ParseBlock(block); err != nil {
			bits |= protocol.FaultConstants
		}
	}
	return bits
}

// Expose takes a whole capture at once, without its line and without its time:
// of whatever lies before the unit now.
func (u *Unit) Expose(q protocol.CaptureRequest) *protocol.Capture {
	u.mu.Lock()
	defer u.mu.Unlock()
	now := u.o.Now()
	u.advance(now)
	u.startCapture(q, now)
	c := u.cap
	c.due = c.total()
	u.finish(protocol.Complete)
	m := u.body.model
	return &protocol.Capture{ID: q.ID, Kind: q.Kind, Shots: c.fired, Frames: q.Frames, Counts: c.counts, Totals: c.totals,
		FrameTotals: c.frames, Ranges: c.ranges, TempMilliCel: c.temp, End: c.end, CountMax: uint32(uint64(1)<<m.CountBits - 1)}
}
