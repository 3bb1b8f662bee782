package simunit

import (
	"math"
	"math/rand/v2"
	"time"

	"example.org/panecal/protocol"
)

// capture is one that runs or is held.
type capture struct {
	request protocol.CaptureRequest
	start   time.Time
	power   float64 // laser power of this capture
	temp    int32   // m°C as the unit tells it
	photons *rand.Rand

	due    int64 // shots fired so far
	fired  int64 // of those, shots whose photons are counted
	end    protocol.EndReason
	counts []uint32   // zone-major
	totals []uint32   // per zone
	frames [][]uint32 // [frame][zone]
	ranges []protocol.RangeZone
	empty  bool // nothing stood in the field all the time
	taken  bool // fetched to its last value
}

func (c *capture) total() int64 { return c.request.Shots * int64(c.request.Frames) }

func (u *Unit) startCapture(q protocol.CaptureRequest, now time.Time) {
	m := u.body.model
	s := shape{q.Kind, q.Shots, q.Frames}
	u.nth[s]++
	r := stream(u.seed, streamPhotons, u.nth[s]<<40^uint64(q.Shots)<<8^uint64(q.Frames)<<2^uint64(q.Kind))
	u.cap = &capture{request: q, start: now, photons: r, empty: true,
		power:  1 + m.Departures.PowerRel*r.NormFloat64(),
		temp:   u.temperature(),
		counts: make([]uint32, m.Zones()*m.Bins), totals: make([]uint32, m.Zones())}
	if q.Kind == protocol.EvenLight {
		u.cap.power = 0
	}
	u.stats.Captures++
}

func (u *Unit) temperature() int32 {
	return int32(math.Round((u.body.tempCel + u.body.sensorCel) * 1000))
}

// expose fires the shots that fit until a time; whole frames are counted at
// once, the rest when the scene changes or the capture ends. The unit's own
// watchdog ends a capture that nobody asks about.
func (u *Unit) expose(until time.Time) {
	c := u.cap
	if c == nil || c.end != protocol.Running {
		return
	}
	last := u.lastValid.Add(deadMan)
	stopped := until.After(last)
	if stopped {
		until = last
	}
	period := float64(u.body.model.PulseRepetitionNS) / u.o.Speed
	c.due = max(c.due, min(c.total(), int64(float64(until.Sub(c.start))/period)))
	switch {
	case c.due == c.total():
		u.finish(protocol.Complete)
	case stopped:
		u.finish(protocol.Watchdog)
	default:
		whole := c.due / c.request.Shots * c.request.Shots
		if whole > c.fired {
			u.count(whole)
		}
	}
}

// develop counts what has been fired so far.
func (u *Unit) develop() {
	if c := u.cap; c != nil && c.end == protocol.Running && c.due > c.fired {
		u.count(c.due)
	}
}

// count draws the photons of all shots up to the given one, frame by frame.
func (u *Unit) count(upTo int64) {
	c, m := u.cap, u.body.model
	l := u.light()
	if u.scene.TargetMM > 0 || u.scene.HandMM > 0 {
		c.empty = false
	}
	most := uint32(uint64(1)<<m.CountBits - 1)
	for c.fired < upTo {
		frame := c.fired / c.request.Shots
		n := min(upTo, (frame+1)*c.request.Shots) - c.fired
		for int64(len(c.frames)) <= frame {
			c.frames = append(c.frames, make([]uint32, m.Zones()))
		}
		if u.scene.Fades > 0 {
			l = u.light().between(u.faded(), (float64(frame)+0.5)/float64(c.request.Frames))
		}
		u.body.expose(l, c.power, n, most, c.counts, c.frames[frame], c.photons)
		c.fired += n
	}
}

// light is what the unit receives from the present scene, worked out once.
func (u *Unit) light() *light {
	if u.lit == nil {
		u.lit = u.body.shine(u.scene, u.seat)
	}
	return u.lit
}

// faded is what it receives when what fades has faded.
func (u *Unit) faded() *light {
	if u.litLast == nil {
		s := u.scene
		s.Smear, s.Film = s.Smear*(1-s.Fades), s.Film*(1-s.Fades)
		u.litLast = u.body.shine(s, u.seat)
	}
	return u.litLast
}

// finish ends the capture and with it the emitter's light.
func (u *Unit) finish(why protocol.EndReason) {
	c := u.cap
	if c == nil || c.end != protocol.Running {
		return
	}
	u.develop()
	u.tellLight()
	c.end = why
	for _, f := range c.frames {
		for z, n := range f {
			c.totals[z] = saturate(c.totals[z], int64(n), math.MaxUint32)
		}
	}
	if c.request.Kind == protocol.Ranges {
		var comp *constants
		if c.request.Compensated {
			comp = u.constants()
		}
		c.ranges = u.body.ranges(c.counts, c.fired, comp)
	}
}

func (u *Unit) progress() *protocol.Progress {
	c := u.cap
	p := &protocol.Progress{Capture: c.request.ID, End: c.end, ShotsFired: c.due,
		FramesDone: int(c.due / c.request.Shots), TempMilliCel: c.temp}
	if c.end == protocol.Running {
		left := float64(c.total()-c.due) * float64(u.body.model.PulseRepetitionNS) / u.o.Speed
		p.RemainingMS = max(1, int64(math.Ceil(left/1e6)))
	}
	return p
}

// constants returns what the unit compensates with, nil without valid ones.
func (u *Unit) constants() *constants {
	block, err := protocol.ParseBlock(u.slots[u.live])
	if err != nil || block.State == protocol.Voided {
		return nil
	}
	sign := 1.0
	if u.o.Flaw == FlawOffsetSign {
		sign = -1
	}
	c := &constants{offset: func(z int) float64 { return sign * block.OffsetMillimetres(z) }}
	if block.Bins > 0 {
		c.leakage = block.LeakageBin
		return c
	}
	// Totals only: the firmware knows its pulse, and that the window's light
	// appears near its own zero.
	b := u.body
	near := b.nominalNear() - b.model.Window.Plate.AddedMM(0)
	c.leakage = func(z, bin int) float64 {
		from := float64(b.model.FirstBinPS) + float64(bin)*float64(b.model.BinPS)
		delay := picoseconds(block.OffsetMillimetres(z) + near)
		if b.model.Ranging == RangeMean {
			delay -= b.pulse.mean // the offset is of a mean, the pulse's own included
		}
		return block.LeakageRate(z) * b.pulse.between(from, from+float64(b.model.BinPS), delay, 1)
	}
	return c
}
