package simunit

import (
	"slices"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/station/window"
)

// Truth is what really is, for tests only: no station may look.
type Truth struct {
	Session uint32 // 0 = none open

	ZeroMM    []float64 // zero error of the electronics in each zone: leakage and target share it
	OffsetMM  []float64 // measured − true radial distance of a target: zero and what the window adds
	RadialMM  []float64 // to the present target, signal-weighted mean over each zone; 0 without one
	Leakage   []float64 // counts per shot, at laser power 1
	LeakageMM []float64 // where the leakage appears
	Signal    []float64 // of the present target, counts per shot
	Ambient   []float64 // counts per shot and bin, of bins of nominal width

	EdgesPS []float64 // where the bins begin and the last one ends, but for each zone's own widths

	PulseWidth      float64 // over the product's
	DistanceErrorMM float64 // true minus stated target distance
	TempCel         float64
	TempCoeffMM     float64 // of the offset, per K
	SlopeX, SlopeY  float64 // of the target plane as seated, tangents
	Window          window.Window
	EmitterOn       bool
	Compensated     bool    // valid constants are in force
	CapturePower    float64 // laser power of the capture that runs or is held; 1 = nominal
	ShotsFired      int64   // of that capture
	Dead, Hot       []bool  // zones
}

// Truth tells everything.
func (u *Unit) Truth() Truth {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.advance(u.o.Now())
	b := u.body
	l := u.light()
	t := Truth{
		Session: u.session, RadialMM: slices.Clone(l.radial), Leakage: slices.Clone(l.leakage),
		LeakageMM: slices.Clone(l.near), Signal: slices.Clone(l.signal),
		Ambient: slices.Clone(b.ambient), EdgesPS: slices.Clone(b.edges), PulseWidth: b.width, DistanceErrorMM: b.farMM,
		TempCel: b.tempCel, TempCoeffMM: b.tempMM, SlopeX: u.seat.slopeX, SlopeY: u.seat.slopeY,
		Window: b.window, EmitterOn: u.emitting(), Compensated: u.constants() != nil,
		Dead: slices.Clone(b.dead), Hot: slices.Clone(b.hot),
	}
	if u.cap != nil {
		t.CapturePower, t.ShotsFired = u.cap.power, u.cap.due
	}
	for z := range b.zeroMM {
		t.ZeroMM = append(t.ZeroMM, b.zero(z))
		t.OffsetMM = append(t.OffsetMM, b.zero(z)+b.added[z])
	}
	return t
}

// EmitterOn says whether the laser fires at this moment.
func (u *Unit) EmitterOn() bool {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.advance(u.o.Now())
	return u.emitting()
}

// OnDark lets seen know, each time the emitter has gone dark, from when to when
// it fired, by the unit's own clock. It is called from within the unit and must
// not call it.
func (u *Unit) OnDark(seen func(from, to time.Time)) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.onDark = seen
}

// tellLight tells of the light that ends now.
func (u *Unit) tellLight() {
	if u.onDark == nil || !u.emitting() {
		return
	}
	c := u.cap
	fired := float64(c.due) * float64(u.body.model.PulseRepetitionNS) / u.o.Speed
	u.onDark(c.start, c.start.Add(time.Duration(fired)))
}

func (u *Unit) emitting() bool {
	return u.cap != nil && u.cap.end == protocol.Running && u.cap.request.Kind != protocol.EvenLight
}

// nominalNear is where the product's own window throws its light, mm from the
// electronics' zero.
func (b *body) nominalNear() float64 {
	_, mm := window.Total(b.model.Window.Leakage())
	return mm
}
