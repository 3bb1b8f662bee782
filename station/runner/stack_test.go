package runner_test

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/product"
	"example.org/panecal/station/runner"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// The whole stack on a simulated day: Runner, protocol client, a line whose
// bytes go wrong, simulated units, estimation, and the real store in a
// folder. It has goroutines, so a seed gives the same turns and nearly, not
// exactly, the same day.

// stack is a station of real parts.
type stack struct {
	t       *testing.T
	seed    uint64
	dir     string
	store   *store.Store
	runner  *runner.Runner
	cancel  context.CancelCauseFunc
	done    chan error
	sockets [stackNests]*socket
	wires   [stackNests]*wire
	units   map[int]*specimen
	ahead   time.Duration // of the clock

	mu       sync.Mutex
	acked    []record.Ref
	broken   []string
	verdicts []station.Verdict
	released int
	lines    []*wire
	dead     bool // the program was killed: nobody hears it any more
}

func (s *stack) broke(text string, args ...any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.broken = append(s.broken, fmt.Sprintf(text, args...))
}

func (s *stack) failures() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.broken)
}

func (s *stack) now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return time.Now().Add(s.ahead)
}

// Append notes what was acknowledged.
func (s *stack) Append(b record.Body) (record.Ref, error) {
	if s.killed() {
		return record.Ref{}, errors.New("killed")
	}
	ref, err := s.store.Append(b)
	if err == nil {
		s.mu.Lock()
		s.acked = append(s.acked, ref)
		s.mu.Unlock()
	}
	return ref, err
}

func (s *stack) AppendCapture(c record.Capture) (record.CaptureRef, error) {
	if s.killed() {
		return record.CaptureRef{}, errors.New("killed")
	}
	return s.store.AppendCapture(c)
}

func (s *stack) killed() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.dead
}

// Dial opens a nest's line, with what will go wrong on it.
func (s *stack) Dial(_ context.Context, n product.Nest) (station.Line, error) {
	i, err := strconv.Atoi(n.Port)
	if err != nil {
		return nil, err
	}
	near, far := net.Pipe()
	s.sockets[i].connect(far)
	w := &wire{Conn: near}
	s.mu.Lock()
	s.wires[i] = w
	s.lines = append(s.lines, w)
	s.mu.Unlock()
	session := uint32(s.seed) << 8
	c := protocol.NewClient(w, protocol.Options{NewSession: func() uint32 { session++; return session | 1<<30 }})
	return &pipeLine{c, w}, nil
}

// verdict is told in the goroutine of Run, when it is shown.
func (s *stack) verdict(v station.Verdict) {
	if s.killed() {
		return
	}
	s.mu.Lock()
	s.verdicts = append(s.verdicts, v)
	s.mu.Unlock()
	list, err := s.store.BySerial(v.Serial)
	i := slices.IndexFunc(list, func(e record.Entry) bool { return e.Ref.Sequence == v.Sequence })
	if err != nil || i < 0 {
		s.broke("S: verdict %s without a record: %v", v.Serial, err)
		return
	}
	a, ok := list[i].Body.(*record.Attempt)
	if !ok || a.Outcome != v.Outcome || a.Run.UnitID != v.UnitID {
		s.broke("S: %s %s is shown, on record is %+v", v.Serial, v.Outcome, list[i].Body)
		return
	}
	nest := int(v.Nest[len(v.Nest)-1] - '1')
	if !strings.Contains(problems(a), string(station.BrokenEmitter)) {
		if u := s.sockets[nest].served(); u != nil && u.EmitterOn() {
			s.broke("E: %s emits when its verdict is shown", v.Serial)
		}
	}
	if !v.Released() {
		return
	}
	s.mu.Lock()
	s.released++
	all := slices.Collect(maps.Values(s.units))
	s.mu.Unlock()
	for _, u := range all {
		if u.Serial() != v.Serial {
			continue
		}
		b, err := protocol.ParseBlock(u.Stored())
		if err != nil || b.State != protocol.Released {
			s.broke("S: released unit %s holds %v, %v", v.Serial, b, err)
			return
		}
		b.State = protocol.Written
		if raw, _ := b.Marshal(); a.Constants == nil || string(raw) != string(a.Constants.Written) || string(raw) != string(a.Constants.ReadBack) {
			s.broke("S: released unit %s holds other constants than the record", v.Serial)
		}
	}
}

// served is the unit at the other end of the line.
func (s *socket) served() *specimen {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.unit
}

// begin opens the store and starts a program on it.
func (s *stack) begin() bool {
	var err error
	if s.store, err = store.Open(s.dir, store.Options{Now: s.now}); err != nil {
		s.broke("N: the store does not open: %v", err)
		return false
	}
	var recent []record.Entry
	err = s.store.Between(time.Time{}, time.Now().AddDate(10, 0, 0), func(e record.Entry) error {
		recent = append(recent, e)
		return nil
	})
	s.survived(recent, err)
	s.mu.Lock()
	s.dead = false
	s.mu.Unlock()
	if _, err := s.Append(&record.SignOn{Person: "op-1", Role: "operator", Method: "test"}); err != nil {
		s.broke("N: nothing can be appended: %v", err)
	}
	files := samples(s.t, "hopper-1", stackNests, "bench")
	files.Product.Retest.AfterPass = true
	s.runner, err = runner.New(station.Config{Station: "cal-1", Purpose: station.Production, Files: files, Operator: "op-1", Recent: recent,
		HandsTime: 20 * time.Second}, runner.Options{Dial: s, Log: s, Past: s.store, OnVerdict: s.verdict, Now: s.now})
	if err != nil {
		s.broke("M: the station does not start: %v", err)
		return false
	}
	ctx, cancel := context.WithCancelCause(context.Background())
	s.cancel, s.done = cancel, make(chan error, 1)
	go func() { s.done <- s.runner.Run(ctx) }()
	return true
}

// survived: everything that was acknowledged is there.
func (s *stack) survived(all []record.Entry, err error) {
	there := map[record.Ref]bool{}
	for _, e := range all {
		there[e.Ref] = true
	}
	for _, ref := range s.acked {
		if !there[ref] {
			s.broke("N: record %v was acknowledged and is gone: %v", ref, err)
			return
		}
	}
}

// end ends the program, as a signal or as kill -9 does.
func (s *stack) end(kill bool) {
	s.mu.Lock()
	s.dead = kill
	s.mu.Unlock()
	began := time.Now()
	s.cancel(errors.New("ended"))
	err := <-s.done
	if took := time.Since(began); took > 2*time.Second || err != nil && !kill {
		s.broke("M: leaving took %v: %v", took, err)
	}
	time.Sleep(time.Second)
	for i, k := range s.sockets {
		if u := k.served(); u != nil && u.EmitterOn() {
			s.broke("E: the unit in nest %d emits a second after the end", i+1)
		}
	}
	if err := s.store.Close(); err != nil {
		s.broke("N: closing the store: %v", err)
	}
}

// play takes one unit through.
func (s *stack) play(x turn) {
	model := simunit.Hopper1()
	u := s.units[x.n]
	if u == nil {
		u = s.make(x.n)
	}
	if u.Seated() {
		return
	}
	if x.fault.Kind != "" {
		u.Break(x.fault)
	}
	k := s.sockets[x.nest]
	if old := k.served(); old != nil {
		old.TakeOut()
	}
	for i := range 40 { // until the nest is free
		if i == 20 { // a unit that never answered is not seen leaving
			s.runner.Go(x.nest)
		}
		switch s.runner.Snapshot().Nests[x.nest].Step {
		case station.Vacant:
		case station.Stopped:
			s.runner.Lift(x.nest, "lead-1", "test")
			fallthrough
		default:
			time.Sleep(100 * time.Millisecond)
			synctest.Wait()
			continue
		}
		break
	}
	s.mu.Lock()
	if w := s.wires[x.nest]; w != nil && len(x.hurt) > 0 {
		w.mu.Lock()
		side := &w.out
		if x.inward {
			side = &w.in
		}
		for _, h := range x.hurt {
			h.at += side.at
			side.hurt = append(side.hurt, h)
		}
		w.mu.Unlock()
	}
	s.mu.Unlock()
	text := u.Serial()
	if x.wrong {
		text = serial(s.t, model, 900+x.n)
	}
	had := len(s.seen())
	s.runner.Scan(x.nest, text)
	k.put(u)
	u.Seat(simunit.Seating{})
	if x.people != "" || strings.Contains(x.after, "middle") {
		time.Sleep(x.at)
		synctest.Wait()
		s.meddle(x, u)
	}
	if strings.Contains(x.after, "middle") {
		s.end(x.after == "killed in the middle")
		if !s.begin() {
			return
		}
	}
	for range 900 {
		time.Sleep(100 * time.Millisecond)
		synctest.Wait()
		view := s.runner.Snapshot().Nests[x.nest]
		if len(s.seen()) > had || slices.Contains([]station.Step{station.Stopped, station.Turned, station.Unlabelled}, view.Step) ||
			view.Step == station.Vacant && x.people+x.after != "" {
			break
		}
		if view.Step == station.Confirming {
			s.runner.Go(x.nest)
		}
	}
	if view := s.runner.Snapshot().Nests[x.nest]; len(s.seen()) == had &&
		!slices.Contains([]station.Step{station.Stopped, station.Turned, station.Unlabelled, station.Vacant, station.Opening}, view.Step) {
		s.broke("M: no verdict after 90 s: %v in %v", x, view.Step)
	}
	if x.after == "terminated" {
		s.end(false)
		s.begin()
	}
}

func (s *stack) make(n int) *specimen {
	u := makeUnit(s.t, simunit.Hopper1(), n, simunit.Options{Hands: stackHands()})
	s.mu.Lock()
	s.units[n] = u
	s.mu.Unlock()
	return u
}

// stackHands are hands for a unit that may run more than once.
func stackHands() (list []simunit.Move) {
	for range 40 {
		list = append(list, simunit.Move{On: simunit.Emptied, After: 300 * time.Millisecond, Do: simunit.PlaceTarget},
			simunit.Move{On: simunit.Lifted, Do: simunit.ClearField})
	}
	return list
}

func (s *stack) meddle(x turn, u *specimen) {
	k := s.sockets[x.nest]
	switch x.people {
	case "taken out":
		u.TakeOut()
	case "replaced":
		other := s.make(500 + x.n)
		u.TakeOut()
		k.put(other)
		other.Seat(simunit.Seating{})
	case "reseated":
		u.TakeOut()
		time.Sleep(50 * time.Millisecond)
		u.Seat(simunit.Seating{})
	case "skip":
		s.runner.Skip(x.nest)
	case "go":
		s.runner.Go(x.nest)
	case "scan another":
		s.runner.Scan(station.NoNest, serial(s.t, simunit.Hopper1(), 700+x.n))
	case "cable":
		s.mu.Lock()
		if w := s.wires[x.nest]; w != nil {
			w.Conn.Close()
		}
		s.mu.Unlock()
	case "reset":
		u.Reset()
	case "computer sleeps":
		s.mu.Lock()
		s.ahead += time.Minute
		s.mu.Unlock()
	}
}

func (s *stack) seen() []station.Verdict {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.verdicts)
}
