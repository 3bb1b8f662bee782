package history

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"net"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/estimate"
	"example.org/panecal/store/record"
)

// bench measures simulated units over the protocol, with the station's
// estimator, as far as an attempt asks for it. The photons follow from the
// unit's number alone.
type bench struct {
	estimators map[string]*estimate.Estimator

	unit    *simunit.Unit
	line    *protocol.Client
	end     func()
	id      protocol.Identity
	offsets *estimate.Offsets
	leakage *estimate.Leakage
	ranges  *estimate.Summary
}

// patience is what a busy computer may take for an answer; units here answer at
// once.
const patience = 10 * time.Second

// measured is an attempt of a new unit that is simulated down to its photons.
func (l *line) measured(a *attempt) error {
	s := l.current()
	if l.left > 0 {
		l.left--
	}
	of, _ := s.lots()
	s.made++
	l.units++
	serial, err := s.population.serialOf(s.made)
	if err != nil {
		return err
	}
	model := simunit.Hopper54()
	if !s.population.histograms {
		model = simunit.Hopper1()
	}
	seed := stream(l.o.Seed, streamReal, l.units).Uint64()
	su, err := simunit.New(model, seed, simunit.Options{Serial: serial, Speed: 1e7})
	if err != nil {
		return err
	}
	a.files, a.real = s.files, l.bench
	a.u = &unit{of: s.population, index: l.units, serial: serial, lots: of, order: l.orderName(), judged: map[record.Purpose]int{}}
	a.scene = scene{dirt: 1, target: target(a.files, a.nest)}
	if err := l.bench.connect(su); err != nil {
		return err
	}
	defer l.bench.end()
	a.u.id = l.bench.id.UnitID
	_, _, err = l.carryOut(a)
	return err
}

// connect opens the line to a unit.
func (b *bench) connect(u *simunit.Unit) error {
	near, far := net.Pipe()
	ctx, cancel := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() { served <- u.Serve(ctx, far) }()
	b.unit = u
	b.end = func() {
		cancel()
		_ = near.Close() // of a pipe
		<-served
	}
	b.line = protocol.NewClient(near, protocol.Options{Grace: patience, NewSession: func() uint32 { return 1 }})
	var err error
	if b.id, err = b.line.Identify(ctx); err != nil {
		b.end()
	}
	return err
}

// capture takes one capture, keeps it raw, and gives it the estimator's form.
func (b *bench) capture(l *line, a *attempt, at time.Time, name string, kind protocol.CaptureKind, shots int64, frames int, m *measurement) (*estimate.Histogram, *estimate.Summary, error) {
	c, err := b.line.Capture(context.Background(), protocol.CaptureRequest{Kind: kind, Shots: shots, Frames: max(frames, 1), Compensated: name == "verify"}, nil)
	if err != nil {
		return nil, nil, err
	}
	ref, err := l.b.AppendCapture(at, *station.CaptureRecord(c, name, a.u.serial, b.id, name == "verify"))
	if err != nil {
		return nil, nil, err
	}
	m.captures = append(m.captures, ref)
	h, s := station.Inputs(c)
	return h, s, nil
}

// errBad: a capture that the estimator does not believe.
var errBad = errors.New("a simulated capture is bad")

// measure is everything before writing. A capture that is not believed is taken
// again, as a station does: of many good ones, chance makes a few look bad.
func (b *bench) measure(l *line, a *attempt, at time.Time) (m *measurement, err error) {
	for range 3 {
		if m, err = b.measureOnce(l, a, at); !errors.Is(err, errBad) {
			break
		}
	}
	return m, err
}

func (b *bench) measureOnce(l *line, a *attempt, at time.Time) (*measurement, error) {
	p, ref := a.files.Product, estimate.Reference{DistanceMM: a.scene.target.DistanceMM, DistanceUMM: a.scene.target.DistanceUMM, EndStop: a.scene.target.EndStop}
	e := b.estimators[p.Name]
	if e == nil {
		var err error
		if e, err = estimate.New(p.Setup); err != nil {
			return nil, err
		}
		if b.estimators == nil {
			b.estimators = map[string]*estimate.Estimator{}
		}
		b.estimators[p.Name] = e
	}
	kind := protocol.Ranges
	if a.u.of.histograms {
		kind = protocol.Histograms
	}
	m := &measurement{set: quantity.Set{}, truth: quantity.Set{}}
	b.unit.SetScene(simunit.Scene{})
	h, s, err := b.capture(l, a, at, "empty", kind, p.Capture.Empty.Shots, p.Capture.Empty.Frames, m)
	if err != nil {
		return nil, err
	}
	if h != nil {
		b.leakage, err = e.Empty(*h)
		m.tempCel = h.TempCel
	} else {
		b.leakage, err = e.EmptySummary(*s)
		m.tempCel = s.TempCel
	}
	if err != nil {
		return nil, err
	}
	b.unit.SetScene(simunit.Scene{TargetMM: ref.DistanceMM, Reflectance: a.scene.target.Reflectance})
	h, s, err = b.capture(l, a, at, "target", kind, p.Capture.Target.Shots, p.Capture.Target.Frames, m)
	if err != nil {
		return nil, err
	}
	b.ranges = s
	if h != nil {
		if _, b.ranges, err = b.capture(l, a, at, "target", protocol.Ranges, p.Capture.Target.Shots, p.Capture.Target.Frames, m); err != nil {
			return nil, err
		}
		b.offsets, err = e.Target(b.leakage, *h, ref, b.ranges)
	} else {
		b.offsets, err = e.TargetSummary(b.leakage, *s, ref)
	}
	if err != nil {
		return nil, err
	}
	if f := append(b.leakage.Faults, b.offsets.Faults...); len(f) > 0 {
		return nil, fmt.Errorf("%w: %s", errBad, f[0].Code)
	}
	maps.Copy(m.set, b.leakage.Quantities)
	maps.Copy(m.set, b.offsets.Quantities)
	m.zones = station.ZonesRecord(a.u.of.rows, a.u.of.cols, b.leakage, b.offsets, b.ranges, nil)
	m.constants = e.Constants(b.leakage, b.offsets)
	for _, line := range b.offsets.Budget {
		m.budget = append(m.budget, record.Budget{Line: line.Line, MM: line.MM})
	}
	for _, zones := range e.Project(m.constants, b.leakage, b.offsets, p.Setup.LeakageChangeStated, p.Setup.WorkingMM) {
		worst := math.NaN()
		for _, v := range zones {
			if !math.IsNaN(v) && !(math.Abs(v) <= math.Abs(worst)) {
				worst = v
			}
		}
		m.projection = append(m.projection, worst)
	}
	b.tell(m)
	return m, nil
}

// verify is what the unit says with its constants.
func (b *bench) verify(l *line, a *attempt, at time.Time, raw []byte, m *measurement) error {
	ctx := context.Background()
	if err := b.line.Stage(ctx, raw); err != nil {
		return err
	}
	if err := b.line.Commit(ctx, raw); err != nil {
		return err
	}
	p := a.files.Product
	_, s, err := b.capture(l, a, at, "verify", protocol.Ranges, p.Capture.Verify.Shots, p.Capture.Verify.Frames, m)
	if err != nil {
		return err
	}
	v, err := b.estimators[p.Name].Verify(m.constants, nil, s, b.offsets.Reference, b.offsets)
	if err != nil {
		return err
	}
	m.verify = v.Quantities[quantity.VerifyError]
	return nil
}

// tell adds what is true of the unit, as far as it is a quantity.
func (b *bench) tell(m *measurement) {
	t := b.unit.Truth()
	zones := func(of []float64) (out []quantity.Value) {
		for _, v := range of {
			out = append(out, quantity.Value{V: v})
		}
		return out
	}
	m.truth[quantity.LeakageMax] = quantity.Worst(zones(t.Leakage))
	m.truth[quantity.AmbientMax] = quantity.Worst(zones(t.Ambient))
	if len(t.Signal) > 0 {
		m.truth[quantity.SignalMin] = quantity.Least(zones(t.Signal))
	}
	total, offset := 0.0, 0.0
	for z := range t.Leakage {
		total += t.Leakage[z]
		offset += t.OffsetMM[z] / float64(len(t.OffsetMM))
	}
	m.truth[quantity.LeakageTotal] = quantity.Measured{Value: quantity.Value{V: total}}
	m.truth[quantity.OffsetMean] = quantity.Measured{Value: quantity.Value{V: offset}}
	m.truth[quantity.Temperature] = quantity.Measured{Value: quantity.Value{V: t.TempCel}}
}
