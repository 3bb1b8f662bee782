package station

import (
	"fmt"
	"time"

	"example.org/panecal/store/record"
)

// Machine decides what the station does. See the package comment.
type Machine struct {
	cfg   Config
	crew  Crew   // who works now, and on what
	files *Files // newest; a nest keeps the set its unit began with
	nests []*nest

	clock
	life
	issued
	memory
	figures           // until a shift begins
	recent  []Verdict // newest first

	open     openLabel
	lamps    map[string]*lamp // by light group
	pace     map[Step]time.Duration
	stop     *Stop // the station's own, nil while it may run
	messages []Message

	out []Effect
}

// clock is the time that events bring.
type clock struct {
	now  time.Time // never goes back
	told time.Time // of the last event
}

// life is where the station is between its start and its end.
type life struct {
	started  bool
	began    time.Time
	closing  bool
	closeWhy string
}

// issued are the last numbers given out.
type issued struct {
	lastToken Token
	captureID uint32
	written   int // blocks written into units
}

// New makes the machine of a station at rest. Its first event is Started.
func New(c Config) (*Machine, error) {
	c, err := c.checked()
	if err != nil {
		return nil, fmt.Errorf("setting up the station: %w", err)
	}
	m := &Machine{cfg: c, crew: Crew{Operator: c.Operator, WorkOrder: c.WorkOrder, Lot: c.Lot}, files: c.Files, lamps: map[string]*lamp{}, pace: map[Step]time.Duration{},
		memory: memory{unseen: map[string]record.Entry{}, holds: holds{}, cutOff: map[string]cutOff{},
			made: newMade()}, figures: newFigures(time.Time{})}
	for i, sheet := range c.Files.Sheet.Nests {
		m.nests = append(m.nests, &nest{index: i, sheet: sheet, files: c.Files, visit: visit{purpose: c.Purpose}})
	}
	m.remember(c.Recent)
	return m, nil
}

// Step takes one event and returns what follows from it, in order.
func (m *Machine) Step(e Event) []Effect {
	m.out = nil
	if e.At.After(m.now) {
		m.now = e.At
	}
	m.flow(e.At)
	switch f := e.Fact.(type) {
	case Started:
		m.start()
	case Tick:
		m.tick()
	case Scanned:
		m.scan(e.Nest, f.Text)
	case Crew:
		m.relieve(f)
	case Remark:
		m.remark(f)
	case TakeUp:
		m.takeUp(f)
	case Disposed:
		m.disposed(f)
	case Unreadable:
		m.unreadable()
	case OpenBox:
		m.openBox(f)
	case Rest:
		m.figures.rest(f.On, m.now)
	case Shutdown:
		m.shutdown(f.Why)
	default:
		if e.Nest < 0 || e.Nest >= len(m.nests) {
			m.ignore(NoNest, "there is no such nest")
			break
		}
		m.stepNest(m.nests[e.Nest], e)
	}
	return m.out
}

// stepNest looks the event up in the table of transitions.
func (m *Machine) stepNest(n *nest, e Event) {
	r := &table[n.step]
	switch f := e.Fact.(type) {
	case answer:
		m.answered(n, r, e.Token, f)
	case Expired:
		if e.Token == 0 || e.Token != n.timer {
			m.ignore(n.index, "timer that is no longer set")
			return
		}
		n.timer = 0
		r.expire(m, n)
	case Progressed:
		if e.Token == 0 || e.Token != n.awaits || r.answer != kCaptured {
			m.ignore(n.index, "progress of nothing that runs")
			return
		}
		n.shotsDone = f.Done
	case Go:
		m.operator(n, r.goOn)
	case Skip:
		m.operator(n, r.skip)
	case Unpowered:
		m.unpowered(n)
	case LiftStop:
		m.lift(n, f)
	case Crashed:
		m.crashed(n, r, f.Why)
	}
}

// answered goes on with what an effect has brought, if the nest still awaits it.
func (m *Machine) answered(n *nest, r *row, t Token, f answer) {
	switch {
	case t == 0 || t != n.awaits:
		m.ignore(n.index, "answer that is no longer awaited")
	case f.fact() != r.answer:
		m.ignore(n.index, fmt.Sprintf("%v where %v is awaited", f.fact(), r.answer))
	case f.failure().Trouble != 0:
		n.awaits = 0
		// A capture that failed may still emit: its light is given on when the
		// unit has been halted.
		if n.step != Halting && (r.answer != kCaptured || f.failure().Trouble == Short) {
			m.dim(n)
		}
		r.fail(m, n, f.failure())
	default:
		n.awaits = 0
		m.dim(n)
		r.done(m, n, f)
	}
}

// operator does what the operator asked for, or says that it cannot be done
// now.
func (m *Machine) operator(n *nest, do func(*Machine, *nest)) {
	if do == nil {
		m.announce(n.index, NoticeIgnored, Args{Nest: n.sheet.Name, Detail: n.step})
		return
	}
	do(m, n)
}

func (m *Machine) start() {
	if m.started {
		m.ignore(NoNest, "started before")
		return
	}
	m.started, m.began = true, m.now
	if m.figures.since.IsZero() {
		m.figures.since = m.now
	}
	m.warnDates()
	m.warnOfTie()
	for _, n := range m.nests {
		m.sift(n)
		m.goOnFromStops(n)
	}
}

// relieve lets another operator, order or lot hold from the next attempt on.
func (m *Machine) relieve(c Crew) {
	m.crew = c
	if c.Anew {
		m.figures = newFigures(m.now)
	}
}

func (m *Machine) remark(r Remark) {
	if r.Checkpoint != "" {
		m.announce(NoNest, NoticeCheckpoint, Args{Detail: Verbatim(r.Checkpoint)})
	}
	if r.Damage != "" {
		m.announce(NoNest, NoticeDamage, Args{Detail: Verbatim(r.Damage)})
	}
	switch ours := m.stop != nil && m.stop.Code == StopClock; {
	case r.Clock != "" && m.stop == nil:
		m.stop = &Stop{Nest: NoNest, Code: StopClock, Args: Args{Detail: Verbatim(r.Clock), Other: Verbatim(r.LogEnds)}, Since: m.now}
		m.open = openLabel{}
		m.announce(NoNest, StopClock, m.stop.Args)
	case r.ClockFits && ours:
		m.stop = nil
	}
}

// tick lets go of what has lasted too long.
func (m *Machine) tick() {
	if m.open.text != "" && m.now.Sub(m.open.at) >= m.cfg.LabelTime {
		m.announce(NoNest, NoticeLabelLeft, Args{Label: m.open.text})
		m.open = openLabel{}
	}
	m.warnDates()
}

// shutdown takes every nest its shortest safe way out.
func (m *Machine) shutdown(why string) {
	if m.closing {
		m.ignore(NoNest, "closing already")
		return
	}
	m.closing, m.closeWhy = true, why
	m.open = openLabel{}
	for _, n := range m.nests {
		if leave := table[n.step].leave; leave != nil {
			leave(m, n)
		}
	}
}

// end is the nest's last step.
func (m *Machine) end(n *nest) {
	m.rest(n)
	m.enter(n, Ended)
}

// enter moves the nest to a step and learns how long the last one took.
func (m *Machine) enter(n *nest, s Step) {
	m.learn(n)
	n.stay = stay{step: s, since: m.now}
}

// ask emits a job whose answer the nest awaits, instead of any other.
func (m *Machine) ask(n *nest, j Job) {
	n.awaits = m.token()
	m.emit(n.index, n.awaits, j)
}

// sleep sets the nest's timer, instead of any other.
func (m *Machine) sleep(n *nest, d time.Duration) {
	n.timer = m.token()
	m.emit(n.index, n.timer, SetTimer{After: d})
}

// rest takes back what the nest awaits; late answers will be ignored. A light
// that the nest holds stays its own until the unit has been halted.
func (m *Machine) rest(n *nest) {
	n.awaited = awaited{}
	if l := m.lamps[n.sheet.LightGroup]; l != nil && l.holder != n {
		m.dim(n)
	}
}

func (m *Machine) token() Token {
	m.lastToken++
	return m.lastToken
}

func (m *Machine) emit(nest int, t Token, j Job) {
	m.out = append(m.out, Effect{Nest: nest, Token: t, Job: j})
}

func (m *Machine) ignore(nest int, why string) { m.emit(nest, 0, Ignore{Why: why}) }
