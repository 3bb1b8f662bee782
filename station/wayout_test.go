package station_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/panecal/station"
)

// bare hands and a scanner at a station of two nests. hand is the unit held,
// whose label is on it.
type operator struct {
	*world
	hand *unit
	log  []string
}

func (o *operator) did(format string, args ...any) {
	o.log = append(o.log, fmt.Sprintf(format, args...))
}

func (o *operator) scan(u *unit) {
	o.did("scan %s", u.id.Serial)
	o.tell(station.NoNest, 0, station.Scanned{Text: u.id.Serial})
	o.pass(500 * time.Millisecond)
}

func (o *operator) put(nest int, u *unit) {
	o.did("put %s into %d", u.id.Serial, nest)
	o.units[nest] = u
	if u == o.hand {
		o.hand = nil
	}
	o.pass(time.Second)
}

func (o *operator) takeOut(nest int) *unit {
	u := o.units[nest]
	o.did("take out of %d", nest)
	delete(o.units, nest)
	o.pass(2500 * time.Millisecond)
	return u
}

// obey does what the big letters say, once.
func (o *operator) obey() {
	h := o.machine.Snapshot().Hands
	switch h.Code {
	case station.HandsScan:
		if o.hand != nil {
			o.scan(o.hand)
		}
	case station.HandsSeat:
		i := slices.IndexFunc(o.machine.Snapshot().Nests, func(n station.NestView) bool {
			return n.Name == strings.Split(h.Args.Nest, ", ")[0]
		})
		if o.hand != nil && h.Args.Label != o.hand.id.Serial {
			o.scan(o.hand) // the label that is open is not that of the unit in the hand
			return
		}
		if o.hand != nil {
			o.put(i, o.hand)
		}
	case station.HandsSeatHere, station.HandsReseat:
		if o.hand != nil {
			o.put(h.Nest, o.hand)
		}
	case station.HandsTakeOut: // take out, scan, put back
		u := o.takeOut(h.Nest)
		if u == nil {
			return
		}
		o.scan(u)
		o.put(h.Nest, u)
	case station.HandsPassed, station.HandsFailed, station.HandsHeld, station.HandsTurned, station.HandsConfirm:
		o.takeOut(h.Nest)
	case station.HandsTarget, station.HandsTargetIn:
		o.units[h.Nest].target = true
	case station.HandsEmitter:
		o.tell(h.Nest, 0, station.Unpowered{})
	case station.HandsClear:
		o.units[h.Nest].target = false
	}
	o.pass(300 * time.Millisecond)
}

// What may lie in a nest before the operator comes with the next unit.
var lies = []struct {
	name string
	lay  func(o *operator, nest int)
}{
	{"nothing", func(*operator, int) {}},
	{"a unit without a label", func(o *operator, nest int) { o.put(nest, newUnit(fmt.Sprintf("uB%d", nest), fmt.Sprintf("B%d", nest))) }},
	{"a unit that has passed", func(o *operator, nest int) { o.finish(nest, fmt.Sprintf("C%d", nest), "feeder-2") }},
	{"a unit that was refused", func(o *operator, nest int) { o.finish(nest, fmt.Sprintf("D%d", nest), "other") }},
	{"a unit that is measured", func(o *operator, nest int) {
		u := newUnit(fmt.Sprintf("uE%d", nest), fmt.Sprintf("E%d", nest))
		o.tell(nest, 0, station.Scanned{Text: u.id.Serial})
		o.put(nest, u)
	}},
}

func (o *operator) finish(nest int, serial, product string) {
	u := newUnit("u"+serial, serial)
	u.id.Product = product
	o.tell(nest, 0, station.Scanned{Text: serial})
	o.seat(nest, u)
	o.attend(nest)
	u.target = false
}

// TestEveryPairHasAWayOut: whatever lies in two nests, whatever label is open,
// and wherever the next unit was put first, hands that do what the big letters
// say bring that unit to its result.
func TestEveryPairHasAWayOut(t *testing.T) {
	starts := []struct {
		name string
		do   func(o *operator)
	}{
		{"obeys", func(*operator) {}},
		{"has scanned its label", func(o *operator) { o.scan(o.hand) }},
		{"has scanned another label", func(o *operator) { o.scan(newUnit("uF", "F1")) }},
		{"has scanned, then swaps it into nest 0", func(o *operator) { o.scan(o.hand); o.swap(0) }},
		{"has scanned, then swaps it into nest 1", func(o *operator) { o.scan(o.hand); o.swap(1) }},
		{"puts it into nest 0 without a scan", func(o *operator) { o.swap(0) }},
		{"puts it into nest 0, then scans", func(o *operator) { u := o.hand; o.swap(0); o.scan(u) }},
	}
	tried := 0
	for _, first := range lies {
		for _, second := range lies {
			for _, start := range starts {
				tried++
				s := usual()
				s.nests, s.max = 2, 9
				o := &operator{world: newWorld(t, s), hand: newUnit("uA", "A1")}
				o.tell(station.NoNest, 0, station.Started{})
				o.pass(time.Second)
				first.lay(o, 0)
				second.lay(o, 1)
				start.do(o)
				for step := 0; !o.done("A1"); step++ {
					if step == 120 {
						t.Errorf("%s and %s; the operator %s: no way out of %q\n%s", first.name, second.name, start.name,
							o.machine.Snapshot().Hands.Code, strings.Join(o.log, "; "))
						break
					}
					o.obey()
				}
				o.leave("way out")
			}
		}
	}
	t.Logf("%d states", tried)
}

// swap takes out what lies in the nest, unless it is being measured, and puts
// the unit in the hand there.
func (o *operator) swap(nest int) {
	if o.machine.Snapshot().Nests[nest].Attempt > 0 && o.machine.Snapshot().Nests[nest].Verdict == nil {
		return
	}
	if o.units[nest] != nil {
		o.takeOut(nest)
	}
	o.put(nest, o.hand)
}

// done: the unit has its result.
func (o *operator) done(serial string) bool {
	for _, a := range o.attempts() {
		if a.Run.Serial == serial && a.Outcome == station.Passed {
			return true
		}
	}
	return false
}
