package simunit

import (
	"bytes"
	"fmt"
	"sync"
	"time"

	"example.org/panecal/protocol"
)

// Options are what a unit is told at its making. The zero value is a unit
// without console, faults or hands, on a line as fast as its reader, with
// exposures that take their real time.
type Options struct {
	Serial  string           // "" = made from the seed; told on the wire only if the model holds it
	UnitID  string           // "" = made from the seed
	Now     func() time.Time // nil = time.Now
	Speed   float64          // exposures run so many times faster than life; 0 = 1
	Line    Line
	Console Console
	Flaw    Flaw
	Faults  []Fault
	Hands   []Move // what happens to the unit by itself, in order
	// A capture of so many shots, all frames together, is one of the station's
	// measurements and no look whether something has changed; 0 = 500,000.
	LongShots int64
	Out       bool    // made lying beside the nest, without power
	Seating   Seating // how it lies in the nest, if it does
	Constants []byte  // block in force from the beginning: a unit that was adjusted before
}

// Flaw is a fault of the unit that stays.
type Flaw string

// Flaws.
const (
	Sound          Flaw = ""
	FlawOffsetSign Flaw = "offset sign" // compensates with the wrong sign of its offset
	FlawZeroMoves  Flaw = "zero moves"  // its zero moves by 8 mm at each commit of written constants
	FlawCommit     Flaw = "commit"      // says that it committed and keeps the old block
	FlawForgets    Flaw = "forgets"     // loses its constants with its power
)

const flawZeroMM = 8

// Unit is one simulated unit. All methods may be called at any time from any
// goroutine; [Unit.Serve] once at a time.
//
// Nothing in it runs by itself: what happened since the last look is worked
// out at the next one, from the time that has passed.
type Unit struct {
	mu     sync.Mutex
	o      Options
	seed   uint64
	body   *body
	faults *Faults
	hands  hands

	powered bool
	seats   int
	seat    seat
	scene   Scene
	lit     *light // of the present scene, nil = not worked out yet
	litLast *light // likewise, of one that fades, when it has

	session     uint32 // 0 = none open
	lastValid   time.Time
	silentUntil time.Time
	starts      int
	cap         *capture
	nth         map[shape]uint64 // captures of each shape so far

	slots   [2][]byte // constants; the one in force is slots[live]
	live    int
	staged  []byte // as long as the block is to be
	held    int    // bytes of it, from its beginning
	work    commit
	marked  bool   // the released mark came into force and was not read back yet
	claimed []byte // by FlawCommit: said to be in force

	cutAt       int    // the power dips in this write to the constants' memory, 0 = never
	cutHappened bool   // it has
	malfunction uint32 // faults of the hardware

	stats  Stats
	onDark func(from, to time.Time)
}

// shape tells captures apart for their photons' sake, so that looks in
// between do not change what a measurement counts.
type shape struct {
	kind   protocol.CaptureKind
	shots  int64
	frames int
}

// commit is one in progress.
type commit struct {
	done  time.Time // zero = none
	block []byte
	torn  bool // the power dips then, and block is what the spare place holds
}

// Stats counts what a test may want to know.
type Stats struct {
	Requests, Captures, Commits, Resets int
}

// deadMan is how long the emitter stays on without a valid request.
const deadMan = time.Second

// New makes a unit of a model. The same seed makes the same unit, and the same
// photons for the same captures.
func New(m Model, seed uint64, o Options) (*Unit, error) {
	b, err := newBody(m, seed)
	if err != nil {
		return nil, fmt.Errorf("making a unit: %w", err)
	}
	id := stream(seed, streamIdentity, 0)
	if o.Serial == "" {
		o.Serial = fmt.Sprintf("FH%06d", 100000+id.IntN(900000))
	}
	if o.UnitID == "" {
		o.UnitID = fmt.Sprintf("%016x", id.Uint64())
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Speed <= 0 {
		o.Speed = 1
	}
	if o.LongShots <= 0 {
		o.LongShots = 500_000
	}
	u := &Unit{o: o, seed: seed, body: b, nth: map[shape]uint64{}, faults: NewFaults(seed, o.Faults)}
	u.hands.moves = o.Hands
	u.slots[0] = bytes.Clone(o.Constants)
	u.seat = b.newSeat(seed, 0, o.Seating.TiltXDeg, o.Seating.TiltYDeg, o.Seating.ShiftMM)
	if !o.Out {
		u.power(o.Now())
	}
	return u, nil
}

// Model returns the model that the unit was made of.
func (u *Unit) Model() Model { return u.body.model }

// Serial is the serial on the unit's label.
func (u *Unit) Serial() string { return u.o.Serial }

// Scene returns what lies in front of the unit.
func (u *Unit) Scene() Scene {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.advance(u.o.Now())
	return u.scene
}

// SetScene changes what lies in front of the unit, from now on.
func (u *Unit) SetScene(s Scene) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.advance(u.o.Now())
	u.setScene(s)
}

func (u *Unit) setScene(s Scene) {
	u.develop() // what was exposed so far saw the old scene
	u.scene, u.lit, u.litLast = s, nil, nil
}

// Seating says how the unit lies in the nest; the zero value is right.
type Seating struct {
	TiltXDeg, TiltYDeg float64 // of the target plane as the unit sees it
	ShiftMM            float64 // farther from the target by so much
}

// Seat puts the unit into the nest and so under power. A unit that lies there
// already is lifted first.
func (u *Unit) Seat(s Seating) {
	u.mu.Lock()
	defer u.mu.Unlock()
	now := u.o.Now()
	u.advance(now)
	u.putIn(s, now)
}

func (u *Unit) putIn(s Seating, now time.Time) {
	u.cut()
	u.seats++
	u.seat, u.lit = u.body.newSeat(u.seed, u.seats, s.TiltXDeg, s.TiltYDeg, s.ShiftMM), nil
	u.litLast = nil
	u.power(now)
}

// TakeOut lifts the unit: it is dark and silent.
func (u *Unit) TakeOut() {
	u.mu.Lock()
	defer u.mu.Unlock()
	now := u.o.Now()
	u.advance(now)
	u.cut()
	u.hands.happened(Lifted, now)
}

// Seated says whether the unit lies in the nest.
func (u *Unit) Seated() bool {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.advance(u.o.Now())
	return u.powered
}

// Reset makes the unit start anew, as after a dip of its supply.
func (u *Unit) Reset() {
	u.mu.Lock()
	defer u.mu.Unlock()
	now := u.o.Now()
	u.advance(now)
	u.reset(now)
}

func (u *Unit) reset(now time.Time) {
	u.cut()
	u.stats.Resets++
	u.power(now)
}

func (u *Unit) power(now time.Time) {
	u.powered, u.lastValid = true, now
	u.starts++
	u.hands.happened(Powered, now)
}

// cut takes the power away: what is not in the constants' memory is gone, and
// a commit on its way never happened.
func (u *Unit) cut() {
	u.tellLight()
	u.powered, u.session, u.cap, u.staged, u.held, u.work, u.marked = false, 0, nil, nil, 0, commit{}, false
	if u.o.Flaw == FlawForgets {
		u.slots[u.live] = nil
	}
}

// advance lets everything happen that was due by now, in its order.
func (u *Unit) advance(now time.Time) {
	for {
		step := now
		if !u.work.done.IsZero() && u.work.done.Before(step) {
			step = u.work.done
		}
		move, due := u.hands.due()
		if move && due.Before(step) {
			step = due
		}
		u.expose(step)
		u.settle(step)
		if move && !due.After(step) {
			u.do(u.hands.take(), step)
		} else if !step.Before(now) {
			return
		}
	}
}

// settle finishes a commit whose time has come.
func (u *Unit) settle(now time.Time) {
	if u.work.done.IsZero() || u.work.done.After(now) {
		return
	}
	block, at := u.work.block, u.work.done
	torn := u.work.torn
	u.work = commit{}
	if torn {
		u.slots[1-u.live], u.cutHappened = block, true
		u.reset(at)
		return
	}
	u.stats.Commits++
	b, err := protocol.ParseBlock(block)
	void := err == nil && b.State == protocol.Voided
	if u.o.Flaw == FlawCommit && !void {
		u.claimed = block
		return
	}
	u.slots[1-u.live] = block
	u.live = 1 - u.live
	if err != nil {
		return
	}
	switch b.State {
	case protocol.Written:
		if u.o.Flaw == FlawZeroMoves {
			u.develop()
			for z := range u.body.zeroMM {
				u.body.zeroMM[z] += flawZeroMM
			}
			u.lit, u.litLast = nil, nil
		}
	case protocol.Released:
		u.marked = true
	}
}

// begin starts a commit of a block, which takes its time.
func (u *Unit) begin(block []byte, now time.Time) {
	u.work = commit{done: now.Add(commitTime), block: block}
	u.tear(now)
}

const commitTime = 60 * time.Millisecond

// Stored returns the constants block in force, nil if the unit never had one.
func (u *Unit) Stored() []byte {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.advance(u.o.Now())
	return bytes.Clone(u.slots[u.live])
}

// Stats returns what has been counted so far.
func (u *Unit) Stats() Stats {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.stats
}
