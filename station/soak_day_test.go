package station_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/station/product"
	"example.org/panecal/store/record"
)

// day is a station with everything around it, in virtual time: nests, units,
// lines, a log, a computer that may lose its power, and people. It is nothing
// but its seed and its script: the same two give the same day.
type day struct {
	t      testing.TB
	seed   uint64
	set    settings
	files  *station.Files
	bug    plant
	now    time.Time
	happen []happening
	order  int

	machine *station.Machine // nil while the computer is off
	starts  int
	lost    bool // what was not synced, when the computer comes back
	ledger  *ledger
	places  []*place
	lot     []*piece
	hand    *piece
	next    int // piece to be calibrated next
	faults  []armed
	slow    map[int]int // by nest: how many times slower its line is; -1 the disk
	session uint32

	deeds map[string]func(*day, deed)
	trace func(string, ...any) // nil for none
	watch watch
}

// happening is something that will happen.
type happening struct {
	at      time.Time
	order   int
	station bool // happens in the computer: stops with it
	nest    int  // whose job it is the end of, -2 for none
	do      func()
}

// place is a nest as it really is.
type place struct {
	piece   *piece
	target  bool
	hand    bool // in the field
	cable   bool // is pulled
	greeted visit
	job     *running
}

// visit is one stay of a piece under power.
type visit struct {
	piece *piece
	power int
}

// piece is a unit as it really is.
type piece struct {
	n             int
	id            protocol.Identity
	serial        string // its own
	sticker       string // the label on it
	in            int    // nest, -1 for none
	power         int    // times it was powered up
	block         []byte
	leak          float64
	offset        float64
	deaf          time.Time // until then
	lit, alive    time.Time // emitter on since; last valid request
	torn          int       // the next commit stops at this byte, 0 for none
	half, lies    bool      // commits keep a mixture; are told and not done
	unmarks       bool
	stopless      int  // so many stops are not heard
	blamed        bool // people confused its label where nothing can tell
	flickered     bool // it fell silent since it was seated
	seated        time.Time
	box           string
	brokenProduct bool
}

// running is a job under way.
type running struct {
	effect  station.Effect
	began   visit
	fault   *armed
	cut     bool // the computer slept while it ran
	capture bool
}

// armed is a fault that waits for its job.
type armed struct {
	nest int
	job  int // counted from now
	how  string
	byte int
}

const lotSize = 40

func newDay(t testing.TB, seed uint64, bug plant) *day {
	rng := rand.New(rand.NewPCG(seed, 2))
	s := usual()
	s.nests = 1 + rng.IntN(3)
	s.tie = []string{product.TieUnit, product.TieList, product.TieFirst}[rng.IntN(3)]
	s.one = []string{"", "bench"}[rng.IntN(2)]
	s.reject, s.gate, s.fixture = rng.IntN(3) == 0, rng.IntN(4) == 0, rng.IntN(4) == 0
	s.afterPass, s.measure = rng.IntN(2) == 0, rng.IntN(2) == 0
	s.max = rng.IntN(4)
	s.hands = []time.Duration{0, 30 * time.Second}[rng.IntN(2)]
	d := &day{t: t, deeds: deedTable(), seed: seed, bug: bug, now: time.Date(2027, 3, 1, 6, 0, 0, 0, time.UTC), slow: map[int]int{},
		ledger: &ledger{bySerial: map[string][]record.Entry{}, byUnit: map[string][]record.Entry{}, forgetIt: bug == dropSync}}
	s.due = d.now.AddDate(0, 6, 0)
	s.pairs = map[string]string{}
	for i := range lotSize {
		p := &piece{n: i, in: -1, serial: fmt.Sprintf("A%d", i), leak: 0.01 + float64(i%500)*4e-5, offset: -5 + float64(i)*0.1}
		p.id = newUnit(fmt.Sprintf("u%d", i), p.serial).id
		p.sticker = p.serial
		switch rng.IntN(25) {
		case 0:
			p.leak += 0.3
		case 1:
			p.offset += 60
		}
		if rng.IntN(4) == 0 {
			p.block = adjustedBefore(t)
		}
		s.pairs[p.serial] = p.id.UnitID
		d.lot = append(d.lot, p)
	}
	if rng.IntN(8) == 0 {
		s.purpose = station.Audit
	}
	d.set, d.files = s, s.files(t)
	for range s.nests {
		d.places = append(d.places, &place{})
	}
	d.watch.begin(d)
	d.boot(false)
	return d
}

// adjustedBefore is a block from another station.
func adjustedBefore(t testing.TB) []byte {
	b := &protocol.Block{Serial: "A1", Rows: 1, Cols: 2, State: protocol.Released}
	if err := b.SetLeakage([]float64{0.02, 0.02}, 0, nil); err != nil {
		t.Fatal(err)
	}
	if err := b.SetOffsets([]float64{1, 1}); err != nil {
		t.Fatal(err)
	}
	raw, err := b.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	return raw
}

// boot starts the program, on what its log holds.
func (d *day) boot(powerCut bool) {
	l, err := d.ledger.restart(powerCut)
	if err != nil {
		d.watch.broke("N", "the log cannot be read after a restart: %v", err)
		return
	}
	d.ledger = l
	d.watch.restarted()
	c := d.set.config(d.t)
	c.Files, c.Recent = d.files, l.entries
	m, err := station.New(c)
	if err != nil {
		d.watch.broke("M", "the station does not start: %v", err)
		return
	}
	d.starts++
	if _, err := d.ledger.append(d.now, &record.SignOn{Person: "op-1", Role: "operator", Method: "test"}); err != nil {
		return // the program says so and ends
	}
	d.machine = m
	d.tell(station.NoNest, 0, station.Started{})
	d.later(time.Second, true, -2, d.tick)
}

// chance draws a number below n for a nest at this moment. It comes from the
// time of day, so that leaving out a deed does not change the luck of others.
func (d *day) chance(nest, n int) int {
	r := rand.NewPCG(d.seed, uint64(d.now.UnixNano())+uint64(nest))
	return int(r.Uint64() % uint64(n))
}

func (d *day) tick() {
	d.tell(station.NoNest, 0, station.Tick{})
	d.later(time.Second, true, -2, d.tick)
}

// die ends the program at once.
func (d *day) die() {
	d.watch.died()
	d.stopProgram()
}

// stopProgram: what the program had ordered ends with it, the units go on by
// themselves.
func (d *day) stopProgram() {
	d.machine = nil
	d.watch.forget()
	for i, p := range d.places {
		if p.job == nil {
			continue
		}
		d.feed(i)
		if e := p.job.effect; d.chance(i, 2) == 0 { // the last order had gone out already
			if _, capture := e.Job.(station.Capture); !capture {
				d.does(i, p.job)
			}
		}
		p.job = nil
	}
	kept := d.happen[:0]
	for _, h := range d.happen {
		if !h.station {
			kept = append(kept, h)
		}
	}
	d.happen = kept
}

func (d *day) later(after time.Duration, inStation bool, nest int, do func()) {
	d.order++
	d.happen = append(d.happen, happening{d.now.Add(after), d.order, inStation, nest, do})
}

// pass lets everything happen that is due.
func (d *day) pass(span time.Duration) {
	end := d.now.Add(span)
	for len(d.watch.broken) == 0 {
		best := -1
		for i, h := range d.happen {
			if h.at.After(end) {
				continue
			}
			if best < 0 || h.at.Before(d.happen[best].at) || h.at.Equal(d.happen[best].at) && h.order < d.happen[best].order {
				best = i
			}
		}
		if best < 0 {
			break
		}
		h := d.happen[best]
		d.happen[best] = d.happen[len(d.happen)-1]
		d.happen = d.happen[:len(d.happen)-1]
		if h.at.After(d.now) {
			d.now = h.at
		}
		h.do()
	}
	d.now = end
}

// tell steps the machine and carries out what follows.
func (d *day) tell(nest int, token station.Token, f station.Fact) {
	if d.machine == nil {
		return
	}
	e := station.Event{At: d.now, Nest: nest, Token: token, Fact: f}
	if d.bug == wrongNest {
		e = d.misroute(e)
	}
	m := d.machine
	if d.trace != nil && token == 0 {
		d.trace("%s  nest %d: %+.200v", d.now.Format("15:04:05.000"), nest+1, f)
	}
	for _, effect := range m.Step(e) {
		if _, timer := effect.Job.(station.SetTimer); d.trace != nil && !timer {
			d.trace("%s      %s", d.now.Format("15:04:05.000"), describe(effect))
		}
		d.carryOut(effect)
		if d.machine != m {
			return
		}
	}
	d.watch.look()
}

// run plays a script; it stops where a promise is broken.
func (d *day) run(list []deed) {
	for _, x := range list {
		if len(d.watch.broken) > 0 {
			return
		}
		d.pass(x.wait)
		if x.what == "" {
			continue
		}
		d.watch.doing = x
		if d.trace != nil {
			d.trace("%s  -- %v", d.now.Format("15:04:05.000"), x)
		}
		d.deeds[x.what](d, x)
	}
	if len(d.watch.broken) == 0 {
		d.goHome()
	}
}

// goHome heals everything, finishes what is in hand and closes.
func (d *day) goHome() {
	d.faults, d.ledger.failing, d.slow = nil, failing{}, map[int]int{}
	for _, p := range d.places {
		p.cable, p.hand = false, false
	}
	if d.machine == nil {
		d.boot(false)
	}
	for range 60 {
		d.pass(500 * time.Millisecond)
		d.deeds["follow"](d, deed{})
		if len(d.watch.broken) > 0 {
			return
		}
	}
	d.close()
	if len(d.watch.broken) == 0 {
		d.watch.over()
	}
}

// close ends the program as a terminate signal does.
func (d *day) close() {
	if d.machine == nil {
		return
	}
	slow := d.ledger.failing.times != 0 || len(d.slow) > 0 || d.storeBusy()
	d.tell(station.NoNest, 0, station.Shutdown{Why: "terminated"})
	for range 40 {
		if d.machine == nil || d.machine.Snapshot().Closed {
			break
		}
		d.pass(50 * time.Millisecond)
	}
	if d.machine == nil || len(d.watch.broken) > 0 {
		return
	}
	if s := d.machine.Snapshot(); !s.Closed {
		if !slow {
			d.watch.broke("M", "still not closed two seconds after the signal: %v", stepsOf(s))
		}
		d.die()
		return
	}
	d.watch.dark("at the end")
	if !d.storeStopped() { // else nobody can say that every result was seen
		_, _ = d.ledger.append(d.now, &record.SignOn{Person: "op-1", Role: "operator", Method: "test", Off: true})
	}
	d.stopProgram()
}

// storeBusy reports whether a slow disk still has something to write.
func (d *day) storeBusy() bool {
	return slices.ContainsFunc(d.happen, func(h happening) bool { return h.nest >= 0 && h.at.Sub(d.now) > time.Second })
}

func (d *day) storeStopped() bool {
	return slices.ContainsFunc(d.machine.Snapshot().Stops, func(s station.Stop) bool { return s.Code == station.StopStore })
}

func stepsOf(s station.Snapshot) (list []string) {
	for _, n := range s.Nests {
		list = append(list, fmt.Sprintf("%s %v", n.Name, n.Step))
	}
	return list
}
