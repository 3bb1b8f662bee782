package conform_test

import (
	"bytes"
	"encoding/binary"
	"net"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/conform"
	"example.org/panecal/protocol/simunit"
)

// mutant stands between a run and a good unit and makes it a bad one. It
// hears requests before the unit and answers before the run.
type mutant struct {
	unit *simunit.Unit
	near net.Conn // to the run
	far  net.Conn // to the unit

	turn     chan struct{}               // held by whoever acts; a mutex would stop virtual time
	queue    chan []byte                 // to the run
	requests map[uint32]protocol.Request // by id
	session  uint32                      // last opened
	notes    map[string]int              // a defect's own memory
	last     []byte
	own      uint32 // ids of the mutant's own requests count down from here
}

// defect is one way to be wrong. request gets a payload that came whole and
// readable, answer one from the unit; both return what goes on instead.
type defect struct {
	name    string
	clause  string // that has to catch it
	by      string // tried too: a clause that makes the unit show it
	model   func(*simunit.Model)
	o       simunit.Options
	group   func(m *mutant, stuffed []byte) [][]byte // of the run, instead of all below
	request func(m *mutant, r protocol.Request, payload []byte) [][]byte
	answer  func(m *mutant, a protocol.Answer, payload []byte) [][]byte
	raw     func(m *mutant, packet []byte) [][]byte // last, bytes of an answer as they go out
	text    func(m *mutant, text []byte) []byte     // typed at a unit with a console
	bench   func(bench) conform.Bench
}

// forward sends a payload to the unit.
func (m *mutant) forward(payload []byte) { _, _ = m.far.Write(conform.PacketOf(payload)) }

// ask sends a request of the mutant's own, whose answer nobody sees.
func (m *mutant) ask(session uint32, body protocol.RequestBody) {
	m.own--
	payload, err := protocol.AppendRequest(nil, protocol.Request{ID: m.own, Session: session, Body: body})
	if err != nil {
		panic(err)
	}
	m.forward(payload)
}

func encode(a protocol.Answer) []byte {
	payload, err := protocol.AppendAnswer(nil, a)
	if err != nil {
		panic(err)
	}
	return payload
}

// reply answers a request in the unit's place.
func (m *mutant) reply(r protocol.Request, code protocol.Code, body protocol.AnswerBody) {
	session := m.session
	m.out(encode(protocol.Answer{ID: r.ID, Session: session, Op: r.Body.Op(), Code: code, BusyMS: 40, Body: body}))
}

func (m *mutant) out(payload []byte) { m.outRaw(conform.PacketOf(payload)) }

func (m *mutant) outRaw(b []byte) {
	select {
	case m.queue <- bytes.Clone(b):
	default: // nobody reads any more
	}
}

const ownIDs = 0xF0000000

// between puts the defect on the line and returns the run's end of it.
func (d defect) between(far net.Conn, u *simunit.Unit) net.Conn {
	run, near := net.Pipe()
	m := &mutant{turn: make(chan struct{}, 1), queue: make(chan []byte, 4096), unit: u, near: near, far: far, requests: map[uint32]protocol.Request{}, notes: map[string]int{}, own: 0xFFFFFF00}
	gone := make(chan struct{})
	go func() {
		for {
			select {
			case b := <-m.queue:
				if _, err := near.Write(b); err != nil {
					return
				}
			case <-gone:
				return
			}
		}
	}()
	go func() { // from the run to the unit
		defer close(gone)
		defer near.Close()
		groups(near, func(b []byte, text bool) {
			if !text {
				m.hear(d, b)
				return
			}
			if d.text != nil {
				b = d.text(m, b)
			}
			_, _ = far.Write(b)
			_, _ = far.Write([]byte{0}) // it ended at one, if it was among packets
		})
	}()
	go func() { // from the unit to the run
		groups(far, func(b []byte, text bool) {
			if text {
				m.outRaw(b)
				return
			}
			m.say(d, b)
		})
		near.Close()
	}()
	return run
}

// groups reads a stream and hands on what stands between delimiters; console
// text that ends with a prompt or a carriage return goes on at once.
func groups(from net.Conn, group func(b []byte, text bool)) {
	var buf [4096]byte
	var held []byte
	for {
		n, err := from.Read(buf[:])
		for _, b := range buf[:n] {
			if b != 0 {
				held = append(held, b)
			} else if len(held) > 0 {
				group(held, isText(held))
				held = nil
			}
		}
		if isText(held) && (bytes.HasSuffix(held, []byte("> ")) || bytes.HasSuffix(held, []byte("\r")) || bytes.HasSuffix(held, []byte("\n"))) {
			group(held, true)
			held = nil
		}
		if err != nil {
			return
		}
	}
}

func isText(b []byte) bool {
	for _, c := range b {
		if (c < ' ' || c > '~') && c != '\r' && c != '\n' {
			return false
		}
	}
	return len(b) > 0
}

func (m *mutant) hear(d defect, stuffed []byte) {
	m.turn <- struct{}{}
	defer func() { <-m.turn }()
	if d.group != nil {
		for _, b := range d.group(m, stuffed) {
			_, _ = m.far.Write(b)
		}
		return
	}
	whole, ok := conform.Unstuff(stuffed)
	if ok && len(whole) > 4 && conform.Checksum(whole[:len(whole)-4]) == binary.LittleEndian.Uint32(whole[len(whole)-4:]) {
		payload := whole[:len(whole)-4]
		if r, err := protocol.DecodeRequest(payload); err == nil {
			m.requests[r.ID] = r
			if _, who := r.Body.(*protocol.WhoAreYou); who {
				m.session = r.Session
			}
			if d.request != nil {
				for _, p := range d.request(m, r, payload) {
					m.forward(p)
				}
				return
			}
		}
	}
	_, _ = m.far.Write(conform.Framed(stuffed))
}

func (m *mutant) say(d defect, stuffed []byte) {
	m.turn <- struct{}{}
	defer func() { <-m.turn }()
	whole, ok := conform.Unstuff(stuffed)
	if !ok || len(whole) < 5 {
		m.outRaw(stuffed) // console text
		return
	}
	payload := whole[:len(whole)-4]
	a, err := protocol.DecodeAnswer(payload)
	if err == nil && a.ID >= ownIDs && a.ID != 1<<32-1 {
		return
	}
	all := [][]byte{payload}
	if d.answer != nil && err == nil {
		all = d.answer(m, a, payload)
	}
	for _, p := range all {
		packets := [][]byte{conform.PacketOf(p)}
		if d.raw != nil {
			packets = d.raw(m, packets[0])
		}
		for _, b := range packets {
			m.outRaw(b)
		}
	}
}

// tryDefect runs what tries the defect's clause against the defect.
func tryDefect(t *testing.T, d defect) conform.Result {
	model := small()
	if d.model != nil {
		d.model(&model)
	}
	b := func(u *simunit.Unit) conform.Bench { return bench{u} }
	if d.bench != nil {
		b = func(u *simunit.Unit) conform.Bench { return d.bench(bench{u}) }
	}
	report := tryWith(t, model, d.o, b, d.between, d.clause, d.by)
	return report.Of(d.clause)
}

// TestDefectsAreCaught: each defect is caught by the clause that names it,
// and a stand-in without a defect is not.
func TestDefectsAreCaught(t *testing.T) {
	seen := map[string]bool{}
	sound := map[string]*conform.Report{}
	for _, c := range []simunit.Console{{}, console} {
		synctest.Test(t, func(t *testing.T) {
			sound[c.Open] = tryWith(t, small(), simunit.Options{Console: c}, func(u *simunit.Unit) conform.Bench { return bench{u} }, defect{}.between)
		})
	}
	for _, d := range defects() {
		seen[d.clause] = true
		t.Run(d.clause+" "+d.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				if got := tryDefect(t, d); got.Outcome != conform.Failed {
					t.Errorf("clause %s: %s (%s)", d.clause, got.Outcome, got.Why)
				} else {
					t.Log(got.Why)
				}
			})
			if got := sound[d.o.Console.Open].Of(d.clause); got.Outcome != conform.Passed {
				t.Errorf("without the defect, clause %s: %s (%s)", d.clause, got.Outcome, got.Why)
			}
		})
	}
	var bare []string
	for clause := range conform.Covered() {
		if !seen[clause] {
			bare = append(bare, clause)
		}
	}
	slices.Sort(bare)
	t.Logf("%d defects; clauses without one: %v", len(defects()), bare)
}

// later lets something happen after a time, unless the unit is gone by then.
func (m *mutant) later(d time.Duration, do func()) {
	time.AfterFunc(d, func() {
		m.turn <- struct{}{}
		defer func() { <-m.turn }()
		do()
	})
}
