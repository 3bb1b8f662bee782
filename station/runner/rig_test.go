package runner_test

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/label"
	"example.org/panecal/station/product"
	"example.org/panecal/station/runner"
	"example.org/panecal/store/record"
)

// A whole station in a bubble of virtual time: a Runner, simulated units on
// net.Pipe, a log in memory. A nest's socket serves one unit after another.

type rig struct {
	t       testing.TB
	runner  *runner.Runner
	log     *memory
	sockets []*socket
	cancel  context.CancelCauseFunc
	done    chan error
	over    bool
	chance  bool // see rigging

	mu       sync.Mutex
	verdicts []station.Verdict
}

// rigging is what a test may change before the rig runs.
type rigging struct {
	product string
	nests   int
	group   string
	config  func(*station.Config)
	options func(*runner.Options)
	log     *memory // nil for a new one
	chance  bool    // how it ends differs from run to run
}

// samples are the files that a new station is given.
func samples(t testing.TB, name string, nests int, group string) *station.Files {
	t.Helper()
	read := func(file string) []byte {
		data, err := os.ReadFile("../../cmd/panecal/sample/" + file)
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	p, err := product.Read(name, read(name+".product.toml"))
	if err != nil {
		t.Fatal(err)
	}
	l, err := limits.Read(name, read(name+".limits.toml"))
	if err != nil {
		t.Fatal(err)
	}
	s := &product.Sheet{Station: "cal-1"}
	for i := range nests {
		s.Nests = append(s.Nests, product.Nest{Name: fmt.Sprintf("nest-%d", i+1), Port: fmt.Sprint(i), LightGroup: group, Fixture: "F1",
			DistanceMM: 300, DistanceUMM: 0.15, Reflectance: 0.5, Certificate: "C1", EndStop: true, Driver: product.DriverTCP})
	}
	f, err := station.NewFiles(p, l, s)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// start runs a station. It must be called in a bubble, and so must finish.
func start(t testing.TB, r rigging) *rig {
	t.Helper()
	if r.product == "" {
		r.product = "hopper-54"
	}
	r.nests = max(r.nests, 1)
	b := &rig{t: t, log: r.log, chance: r.chance, done: make(chan error, 1)}
	if b.log == nil {
		b.log = &memory{}
	}
	for range r.nests {
		b.sockets = append(b.sockets, &socket{})
	}
	c := station.Config{Station: "cal-1", Purpose: station.Production, Files: samples(t, r.product, r.nests, r.group), Operator: "op-1",
		HandsTime: 30 * time.Second}
	if r.config != nil {
		r.config(&c)
	}
	o := runner.Options{Dial: b, Log: b.log, Past: b.log, OnVerdict: func(v station.Verdict) {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.verdicts = append(b.verdicts, v)
	}}
	if r.options != nil {
		r.options(&o)
	}
	runner, err := runner.New(c, o)
	if err != nil {
		t.Fatal(err)
	}
	b.runner = runner
	ctx, cancel := context.WithCancelCause(context.Background())
	b.cancel = cancel
	go func() { b.done <- runner.Run(ctx) }()
	t.Cleanup(func() { // of a test that gave up early
		if !b.over {
			b.finish()
		}
	})
	return b
}

// Dial opens a nest's line.
func (b *rig) Dial(_ context.Context, n product.Nest) (station.Line, error) {
	var i int
	if _, err := fmt.Sscan(n.Port, &i); err != nil {
		return nil, err
	}
	near, far := net.Pipe()
	b.sockets[i].connect(far)
	return &pipeLine{protocol.NewClient(near, protocol.Options{}), near}, nil
}

type pipeLine struct {
	*protocol.Client
	port net.Conn
}

func (p *pipeLine) Close() error { return p.port.Close() }

// socket is the unit's end of a nest's line. Without a unit it hears and says
// nothing.
type socket struct {
	mu   sync.Mutex
	conn net.Conn
	unit *specimen
	stop context.CancelFunc
	idle chan struct{} // closed when the present server has ended
}

func (s *socket) connect(conn net.Conn) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.end()
	s.conn = conn
	s.serve()
}

// put makes a unit the one that is served.
func (s *socket) put(u *specimen) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.end()
	s.unit = u
	s.serve()
}

func (s *socket) end() {
	if s.stop != nil {
		s.stop()
		<-s.idle
		s.stop = nil
	}
}

func (s *socket) serve() {
	if s.conn == nil {
		return
	}
	ctx, cancel := context.WithCancel(context.Background())
	s.stop, s.idle = cancel, make(chan struct{})
	conn, unit, idle := s.conn, s.unit, s.idle
	go func() {
		defer close(idle)
		if unit != nil {
			_ = unit.Serve(ctx, conn) // ends with the line or the context
			return
		}
		conn.SetReadDeadline(time.Time{})
		woken := make(chan struct{})
		stop := context.AfterFunc(ctx, func() { conn.SetReadDeadline(time.Now()); close(woken) })
		defer func() {
			if !stop() {
				<-woken // or it would end the next server's first read
			}
		}()
		buf := make([]byte, 256)
		for ctx.Err() == nil {
			if _, err := conn.Read(buf); err != nil {
				return
			}
		}
	}()
}

func (s *socket) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.end()
	if s.conn != nil {
		s.conn.Close()
	}
}

// serial is the n-th demonstration serial.
func serial(t testing.TB, model simunit.Model, n int) string {
	t.Helper()
	payload := fmt.Sprintf("%s-%05d-", map[string]string{"hopper-54": "H54", "hopper-1": "H1"}[model.Product], n)
	check, err := label.Mod37_36.Compute(payload)
	if err != nil {
		t.Fatal(err)
	}
	return payload + check
}

// unit makes the n-th unit of a model, lying beside the nest.
func makeUnit(t testing.TB, m simunit.Model, n int, o simunit.Options) *specimen {
	t.Helper()
	if o.Serial == "" {
		o.Serial = serial(t, m, n)
	}
	if o.Hands == nil {
		o.Hands = simunit.UsualHands(time.Second, 300, 0.5)
	}
	o.Out = true
	return newSpecimen(t, m, uint64(n), o)
}

// calibrate scans and seats a unit and waits for its verdict.
func (b *rig) calibrate(nest int, u *specimen, text string) (station.Verdict, bool) {
	b.t.Helper()
	had := len(b.seen())
	b.runner.Scan(nest, text)
	b.sockets[nest].put(u)
	u.Seat(simunit.Seating{})
	for range 1200 {
		time.Sleep(100 * time.Millisecond)
		synctest.Wait()
		if v := b.seen(); len(v) > had {
			return v[len(v)-1], true
		}
	}
	return station.Verdict{}, false
}

// clear takes the unit out and waits until the nest is free again.
func (b *rig) clear(nest int) {
	b.t.Helper()
	if u := b.sockets[nest].unit; u != nil {
		u.TakeOut()
	}
	for range 100 {
		time.Sleep(100 * time.Millisecond)
		synctest.Wait()
		if b.runner.Snapshot().Nests[nest].Step == station.Vacant {
			return
		}
	}
	b.t.Errorf("nest %d is not free: %v", nest, b.runner.Snapshot().Nests[nest].Step)
}

func (b *rig) seen() []station.Verdict {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]station.Verdict(nil), b.verdicts...)
}

// finish ends the station and holds what must be true at every end.
func (b *rig) finish() error {
	b.t.Helper()
	b.over = true
	began := time.Now()
	b.cancel(errors.New("test over"))
	err := <-b.done
	if took := time.Since(began); took > 2*time.Second {
		b.t.Errorf("leaving took %v", took)
	}
	for _, s := range b.sockets {
		if s.unit != nil && s.unit.EmitterOn() {
			b.t.Error("the emitter is on after the end")
		}
		s.close()
	}
	if !b.chance {
		agree(b.t, b.seen(), b.log.attempts())
	}
	last := map[string]station.Verdict{}
	for _, v := range b.seen() {
		last[v.Serial] = v
	}
	for _, v := range last {
		b.log.confirm(b.t, v, b.sockets)
	}
	return err
}

// memory is a log that lasts as long as the test.
type memory struct {
	mu       sync.Mutex
	entries  []record.Entry
	captures int
	refuse   int                     // so many captures from now on
	order    []string                // of what became durable, captures by "capture: " and name
	fail     func(record.Body) error // before anything is kept, nil for none
}

func (l *memory) Append(b record.Body) (record.Ref, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.fail != nil {
		if err := l.fail(b); err != nil {
			return record.Ref{}, err
		}
	}
	e := record.Entry{Ref: record.Ref{Station: "cal-1", Generation: 1, Sequence: uint64(len(l.entries) + 1)}, Time: time.Now(), Body: b}
	raw, ref, err := record.Encode(e)
	if err != nil {
		return record.Ref{}, err
	}
	back, err := record.Decode(raw)
	if err != nil {
		return record.Ref{}, err
	}
	l.entries = append(l.entries, back)
	l.order = append(l.order, b.Kind().String())
	return ref, nil
}

func (l *memory) AppendCapture(c record.Capture) (record.CaptureRef, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	raw, err := c.Encode()
	if err != nil {
		return record.CaptureRef{}, err
	}
	if l.refuse > 0 {
		l.refuse--
		return record.CaptureRef{}, errors.New("the disk is slow")
	}
	l.captures++
	l.order = append(l.order, "capture: "+c.Name)
	return record.CaptureRef{Name: c.Name, Hash: record.HashOf(raw), Segment: 1, Offset: int64(l.captures), Length: int64(len(raw))}, nil
}

func (l *memory) pick(is func(record.Subject) bool) (list []record.Entry, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, e := range l.entries {
		if is(e.Body.Subject()) {
			list = append(list, e)
		}
	}
	return list, nil
}

func (l *memory) BySerial(s string) ([]record.Entry, error) {
	return l.pick(func(x record.Subject) bool { return x.Serial == s })
}

func (l *memory) ByUnitID(id string) ([]record.Entry, error) {
	return l.pick(func(x record.Subject) bool { return x.UnitID == id })
}

func (l *memory) all() []record.Entry {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]record.Entry(nil), l.entries...)
}

// attempts lists the results on record.
func (l *memory) attempts() (list []*record.Attempt) {
	for _, e := range l.all() {
		if a, ok := e.Body.(*record.Attempt); ok {
			list = append(list, a)
		}
	}
	return list
}

// confirm holds a verdict against its record, and a released unit against the
// constants on record.
func (l *memory) confirm(t testing.TB, v station.Verdict, sockets []*socket) {
	t.Helper()
	all := l.all()
	if v.Sequence < 1 || v.Sequence > uint64(len(all)) {
		t.Errorf("verdict %+v without a record", v)
		return
	}
	a, ok := all[v.Sequence-1].Body.(*record.Attempt)
	if !ok || a.Outcome != v.Outcome || a.Run.Serial != v.Serial {
		t.Errorf("verdict %+v, record %+v", v, a)
		return
	}
	if !v.Released() || v.Purpose != station.Production {
		return
	}
	for _, s := range sockets {
		if s.unit == nil || s.unit.Serial() != v.Serial {
			continue
		}
		b, err := protocol.ParseBlock(s.unit.Stored())
		if err != nil || b.State != protocol.Released {
			t.Errorf("released unit %s holds %v, %v", v.Serial, b, err)
			continue
		}
		b.State = protocol.Written
		if raw, _ := b.Marshal(); string(raw) != string(a.Constants.Written) {
			t.Errorf("released unit %s holds other constants than the record", v.Serial)
		}
	}
}

// problems lists the codes of an attempt.
func problems(a *record.Attempt) string {
	var list []string
	for _, p := range a.Problems {
		list = append(list, p.Code)
	}
	return strings.Join(list, " ")
}
