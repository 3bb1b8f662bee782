package station_test

import (
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/product"
)

// scenario is one way through the station. The first nest is the one that is
// looked at; together the scenarios visit every step.
type scenario struct {
	name string
	set  func(*settings)
	play func(*world)
}

// calibrate takes one unit from its label to its end, with hands that do as
// they are told.
func (w *world) calibrate(nest int, text string, u *unit) {
	w.t.Helper()
	w.tell(nest, 0, station.Scanned{Text: text})
	w.seat(nest, u)
	w.attend(nest)
	u.target = false
	delete(w.units, nest)
	w.pass(2 * time.Second)
}

func (w *world) seat(nest int, u *unit) { w.units[nest] = u }

// attend brings and takes the target as the nest asks for it, until the
// attempt has ended.
func (w *world) attend(nest int) {
	w.t.Helper()
	for range 400 {
		switch u := w.units[nest]; w.step(nest) {
		case station.Targeting:
			u.target = true
		case station.Clearing:
			u.target = false
		case station.Showing, station.Turned, station.Stopped, station.Ended, station.Rejecting, station.Confirming:
			return
		}
		w.pass(100 * time.Millisecond)
	}
}

func scenarios() []scenario {
	pass := func(w *world) { w.calibrate(0, "A1", newUnit("u1", "A1")) }
	return []scenario{
		{"pass", nil, pass},
		{"restarted", func(s *settings) { s.restart = 1 }, pass},
		{"fixture and gate", func(s *settings) { s.fixture, s.gate = true, true }, pass},
		{"gate silent at first", func(s *settings) { s.gate = true }, func(w *world) {
			w.fails["ask"] = []station.Failure{silent}
			w.calibrate(0, "A1", newUnit("u1", "A1"))
		}},
		{"lid open, unit warming", func(s *settings) { s.fixture, s.warm = true, true }, func(w *world) {
			w.fails["move"] = []station.Failure{{Trouble: station.Denied, Why: "the lid is open"}}
			w.tell(0, 0, station.Scanned{Text: "A1"})
			w.seat(0, newUnit("u1", "A1"))
			for range 60 {
				w.pass(time.Second)
			}
			w.tell(0, 0, station.Go{})
			w.attend(0)
		}},
		{"the unit's own range", func(s *settings) { s.unit = true }, pass},
		{"summaries only", func(s *settings) { s.summary = true }, pass},
		{"target left in", nil, func(w *world) {
			w.faults["empty"] = []estimate.FaultCode{estimate.FaultStray}
			u := newUnit("u1", "A1")
			u.target = true
			w.calibrate(0, "A1", u)
		}},
		{"label contradicts unit", nil, func(w *world) { w.calibrate(0, "A2", newUnit("u1", "A1")) }},
		{"wrong product", nil, func(w *world) {
			u := newUnit("u1", "A1")
			u.id.Product = "feeder-9"
			w.calibrate(0, "A1", u)
		}},
		{"run again after a pass", nil, func(w *world) {
			u := newUnit("u1", "A1")
			w.calibrate(0, "A1", u)
			w.tell(0, 0, station.Scanned{Text: "A1"})
			w.seat(0, u)
			w.attend(0)
			w.tell(0, 0, station.Go{})
			w.attend(0)
		}},
		{"mark confirmed late", nil, func(w *world) {
			u := newUnit("u1", "A1")
			u.unmarks = true
			w.calibrate(0, "A1", u)
			u.unmarks = false
			w.calibrate(0, "A1", u)
		}},
		{"skipped", nil, func(w *world) {
			w.tell(0, 0, station.Scanned{Text: "A1"})
			w.seat(0, newUnit("u1", "A1"))
			w.pass(time.Second)
			w.tell(0, 0, station.Skip{})
			w.pass(time.Second)
		}},
		{"seated first", nil, func(w *world) {
			w.seat(0, newUnit("u1", "A1"))
			w.pass(time.Second)
		}},
		{"no answer, three in a row", nil, func(w *world) {
			for _, l := range []string{"A1", "A2", "A3"} {
				w.tell(0, 0, station.Scanned{Text: l})
				w.pass(15 * time.Second)
				w.tell(0, 0, station.Go{})
				w.pass(time.Second)
			}
		}},
		{"reject box", func(s *settings) { s.reject = true }, func(w *world) {
			w.values[quantity.LeakageMax] = 0.3
			w.calibrate(0, "A1", newUnit("u1", "A1"))
		}},
		{"audit", func(s *settings) { s.purpose = station.Audit }, func(w *world) {
			u := newUnit("u1", "A1")
			u.block = released(w.t)
			w.calibrate(0, "A1", u)
		}},
		{"closed", nil, func(w *world) { w.tell(station.NoNest, 0, station.Shutdown{Why: "test"}); w.run() }},
	}
}

// released is a block as an earlier attempt left it.
func released(t testing.TB) []byte {
	t.Helper()
	b := &protocol.Block{Serial: "A1", Rows: 1, Cols: 2, State: protocol.Released}
	if err := b.SetLeakage([]float64{0.01, 0.02}, 0, nil); err != nil {
		t.Fatal(err)
	}
	if err := b.SetOffsets([]float64{1}); err != nil {
		t.Fatal(err)
	}
	raw, err := b.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	return raw
}

func (s scenario) settings() settings {
	set := usual()
	set.tie = product.TieUnit
	if s.set != nil {
		s.set(&set)
	}
	return set
}

// begin makes the world of a scenario, prepared as the caller likes, and
// plays it; it stops early where prepare's hooks panic with enough.
func (s scenario) begin(t testing.TB, prepare func(*world)) (w *world) {
	t.Helper()
	w = newWorld(t, s.settings())
	prepare(w)
	defer func() {
		if p := recover(); p != nil && p != any(enough) {
			panic(p)
		}
	}()
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	s.play(w)
	return w
}

type stopped string

const enough stopped = "enough"
