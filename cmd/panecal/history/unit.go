package history

import (
	"fmt"
	"math/rand/v2"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/station/label"
	"example.org/panecal/store/record"
)

// Cause is what was planted in a unit, a lot, a nest or one attempt.
type Cause string

// The causes.
const (
	Fingerprint  Cause = "fingerprint"    // on the window, until it is wiped
	NotSeated    Cause = "not_seated"     // in the nest, this time
	WindowLot    Cause = "window_lot"     // a lot of windows that sit askew
	GasketLot    Cause = "gasket_lot"     // a lot of gaskets that let light through
	EmitterLot   Cause = "emitter_lot"    // a lot of weak, wide emitters
	WeakEmitter  Cause = "weak_emitter"   // one weak emitter
	DeadZones    Cause = "dead_zones"     // zones that count nothing
	HandInField  Cause = "hand_in_field"  // at every capture of the attempt
	NestStep     Cause = "nest_step"      // the nest's target moved, until it was mended
	NestDrift    Cause = "nest_drift"     // the nest's target creeps
	UnitSilent   Cause = "unit_silent"    // does not answer
	OperatorSkip Cause = "operator_skips" // ends the attempt
)

// Causes are all of them.
func Causes() []Cause {
	return []Cause{Fingerprint, NotSeated, WindowLot, GasketLot, EmitterLot, WeakEmitter, DeadZones, HandInField, NestStep, NestDrift, UnitSilent, OperatorSkip}
}

// lots are what a unit was made of.
type lots struct{ unit, window, gasket, emitter string }

// unit is one unit of the plant, with what it truly is.
type unit struct {
	of     *population
	index  int // of all units, for its random numbers
	serial string
	id     string
	lots   lots
	order  string
	causes []Cause
	truth  map[quantity.Name][]float64 // of each zone; what it is without dirt and well seated
	dead   []bool

	block    []byte // in force, as on record
	released bool
	judged   map[record.Purpose]int
	last     *record.Ref // newest attempt of production
	lastAt   record.Disposition
}

// stream is a source of random numbers of its own, told apart by kind and
// number.
func stream(seed uint64, kind uint32, n int) *rand.Rand {
	return rand.New(rand.NewPCG(seed, uint64(kind)<<40|uint64(n)))
}

// The streams.
const (
	streamSchedule = iota + 1
	streamUnit
	streamAttempt
	streamNest
	streamStore
	streamReal
)

// serialOf is the serial of the n-th unit of a product, from 1.
func (p *population) serialOf(n int) (string, error) {
	stem := fmt.Sprintf("%s%05d-", p.stem, n)
	check, err := label.Mod37_36.Compute(stem)
	return stem + check, err
}

// newUnit draws a unit.
func newUnit(seed uint64, p *population, index, number int, of lots, lotCauses []Cause) (*unit, error) {
	r := stream(seed, streamUnit, index)
	serial, err := p.serialOf(number)
	if err != nil {
		return nil, fmt.Errorf("making a label: %w", err)
	}
	u := &unit{of: p, index: index, serial: serial, id: fmt.Sprintf("%016x", r.Uint64()), lots: of,
		truth: make(map[quantity.Name][]float64, len(p.spreads)), judged: map[record.Purpose]int{}}
	for i := range p.spreads {
		s := &p.spreads[i]
		u.truth[s.name] = p.draw(s, r)
	}
	for _, c := range lotCauses {
		u.plant(c, r)
	}
	if r.Float64() < 0.004 {
		u.plant(WeakEmitter, r)
	}
	if p.zones() > 3 && r.Float64() < 0.002 {
		u.plant(DeadZones, r)
	}
	return u, nil
}

// plant makes a cause part of the unit.
func (u *unit) plant(c Cause, r *rand.Rand) {
	scale := func(n quantity.Name, by float64) {
		for z := range u.truth[n] {
			u.truth[n][z] *= by
		}
	}
	switch c {
	case WindowLot:
		cols := u.of.cols
		if cols == 1 {
			return
		}
		slope := 0.08 + 0.04*r.NormFloat64() // more light on one side
		for z := range u.truth[quantity.LeakageMax] {
			u.truth[quantity.LeakageMax][z] *= 1 + slope*(float64(z%cols)-float64(cols-1)/2)/4*2
		}
	case GasketLot:
		scale(quantity.LeakageMax, max(1, 1.7+0.3*r.NormFloat64()))
	case EmitterLot:
		scale(quantity.SignalMin, 0.8)
		if w := u.truth[quantity.PulseWidth]; w != nil {
			w[0] += 24
		}
	case WeakEmitter:
		if u.truth[quantity.SignalMin] == nil {
			return
		}
		scale(quantity.SignalMin, 0.2+0.2*r.Float64())
		u.truth[quantity.OffsetUncertainty][0] *= 1.6
	case DeadZones:
		u.dead = make([]bool, u.of.zones())
		for range 3 {
			u.dead[r.IntN(len(u.dead))] = true
		}
	default:
		return
	}
	u.causes = append(u.causes, c)
}

// adjusted says whether constants are in force in the unit.
func (u *unit) adjusted() bool {
	b, err := protocol.ParseBlock(u.block)
	return err == nil && b.State != protocol.Voided
}
