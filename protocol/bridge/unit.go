package main

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"sync"
	"time"

	"example.org/panecal/protocol"
)

// unit speaks the protocol in a console's place.
type unit struct {
	mu      sync.Mutex // a request, or the watchdog
	console *console
	id      *protocol.Identity
	session uint32

	capture *protocol.CaptureRequest // running or held
	end     protocol.EndReason
	fired   int64
	counts  []uint32 // once it has ended
	dog     *time.Timer

	block  []byte // in force, as the console told last
	staged []byte
	held   int
}

const deadMan = time.Second // SPEC.md 7.2

func newUnit(c *console) *unit { return &unit{console: c} }

// serve answers a station until its line ends.
func (u *unit) serve(line io.ReadWriter) error {
	scanner := protocol.NewScanner(line, 1024)
	for {
		payload, err := scanner.Next()
		if errors.Is(err, protocol.ErrDamaged) {
			continue
		}
		if err != nil {
			return err
		}
		q, err := protocol.DecodeRequest(payload)
		if err != nil {
			continue
		}
		packet, err := u.answer(q)
		if err != nil {
			return err
		}
		if _, err := line.Write(packet); err != nil {
			return fmt.Errorf("answering the station: %w", err)
		}
	}
}

// answer carries a request out. An error means that the bridge itself is
// broken; what the console cannot do is told as a fault.
func (u *unit) answer(q protocol.Request) ([]byte, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	a := protocol.Answer{ID: q.ID, Op: q.Body.Op()}
	_, who := q.Body.(*protocol.WhoAreYou)
	_, stop := q.Body.(*protocol.Stop)
	if who && q.Session != 0 && q.Session != u.session {
		u.finish(protocol.Stopped)
		u.session, u.capture, u.staged, u.held = q.Session, nil, nil, 0
	}
	a.Session = u.session
	switch {
	case stop:
		u.finish(protocol.Stopped)
	case q.Session != u.session || u.session == 0:
		a.Code = protocol.CodeNoSession
	default:
		if u.running() {
			u.dog.Reset(deadMan)
			u.look()
		}
		var err error
		if a.Body, a.Code, err = u.carryOut(q.Body); err != nil {
			a.Body, a.Code = nil, protocol.CodeFault
		}
	}
	payload, err := protocol.AppendAnswer(nil, a)
	if err != nil {
		return nil, fmt.Errorf("answering %v: %w", a.Op, err)
	}
	return protocol.AppendPacket(nil, payload), nil
}

func (u *unit) carryOut(body protocol.RequestBody) (protocol.AnswerBody, protocol.Code, error) {
	if refused, ok := body.(*protocol.Refused); ok {
		return nil, refused.Code, nil
	}
	if u.id == nil {
		id, err := u.console.who()
		if err != nil {
			return nil, 0, err
		}
		u.id = id
	}
	switch q := body.(type) {
	case *protocol.WhoAreYou:
		return u.id, protocol.CodeOK, nil
	case *protocol.AskStatus:
		return u.status()
	case *protocol.CaptureRequest:
		return u.start(q)
	case *protocol.AskProgress:
		if u.capture == nil || u.capture.ID != q.Capture {
			return nil, protocol.CodeNoCapture, nil
		}
		return u.progress()
	case *protocol.Fetch:
		return u.fetch(q)
	case *protocol.ReadConstants:
		err := u.load()
		return q.Answer(u.block, u.id.MaxOut), protocol.CodeOK, err
	case *protocol.Stage:
		if q.Offset == 0 {
			u.staged, u.held = make([]byte, q.Length), 0
		}
		if q.Length == len(u.staged) && q.Offset <= u.held {
			copy(u.staged[q.Offset:], q.Data)
			u.held = max(u.held, q.Offset+len(q.Data))
		}
		return &protocol.Staged{Held: u.held}, protocol.CodeOK, nil
	case *protocol.Commit:
		return u.commit(q)
	case *protocol.Void:
		if err := u.load(); err != nil || len(u.block) == 0 && len(q.Witness) == 0 {
			return nil, protocol.CodeOK, err
		}
		return nil, protocol.CodeOK, u.store(protocol.VoidBlock(q.Witness))
	case *protocol.Restart:
		u.finish(protocol.Stopped)
		u.session, u.capture, u.staged, u.held, u.id = 0, nil, nil, 0, nil
		_, err := u.console.ask("ok", "reset")
		return nil, protocol.CodeOK, err
	}
	return nil, protocol.CodeUnknownRequest, nil
}

func (u *unit) temperature() (int32, error) {
	n, err := u.console.numbers("temp", "temp")
	if err == nil && len(n) != 1 {
		err = errNo
	}
	if err != nil {
		return 0, err
	}
	return int32(n[0]), nil
}

func (u *unit) status() (protocol.AnswerBody, protocol.Code, error) {
	t, err := u.temperature()
	s := &protocol.Status{TempMilliCel: t, EmitterOn: u.running()}
	if u.capture != nil {
		s.Capture = u.capture.ID
	}
	if err := u.load(); err != nil {
		return nil, 0, err
	}
	if _, bad := protocol.ParseBlock(u.block); bad != nil && len(u.block) > 0 {
		s.Faults |= protocol.FaultConstants
	}
	return s, protocol.CodeOK, err
}

func (u *unit) running() bool { return u.capture != nil && u.end == protocol.Running }

func (u *unit) start(q *protocol.CaptureRequest) (protocol.AnswerBody, protocol.Code, error) {
	switch {
	case q.Frames > u.id.MaxFrames:
		return nil, protocol.CodeBadArgument, nil
	case u.capture != nil && u.capture.ID == q.ID:
		return u.progress()
	case u.running():
		return nil, protocol.CodeCapturing, nil
	case !u.id.Kinds.Has(q.Kind):
		return nil, protocol.CodeUnsupported, nil
	}
	if _, err := u.console.ask("ok", "fire %d", q.Shots); err != nil {
		return nil, 0, err
	}
	u.capture, u.end, u.fired, u.counts = q, protocol.Running, 0, nil
	u.dog = time.AfterFunc(deadMan, func() {
		u.mu.Lock()
		defer u.mu.Unlock()
		u.finish(protocol.Watchdog)
	})
	return u.progress()
}

// look asks how far the console is.
func (u *unit) look() {
	words, err := u.console.ask("fired", "fired")
	var n int64
	if err == nil && len(words) == 2 {
		_, err = fmt.Sscan(words[0], &n)
	}
	switch {
	case err != nil || len(words) != 2:
		u.finish(protocol.UnitFault)
	case words[1] == "off":
		u.fired = n
		u.finish(protocol.Complete)
	default:
		u.fired = n
	}
}

func (u *unit) progress() (protocol.AnswerBody, protocol.Code, error) {
	t, err := u.temperature()
	p := &protocol.Progress{Capture: u.capture.ID, End: u.end, ShotsFired: u.fired, FramesDone: int(u.fired / u.capture.Shots), TempMilliCel: t}
	if u.running() {
		p.RemainingMS = max(1, min(math.MaxUint32, (u.capture.Shots-u.fired)*u.id.PulsePeriodNS/1_000_000))
	}
	return p, protocol.CodeOK, err
}

// finish ends a capture: dark first, then the counts are fetched, so that they
// cannot change any more.
func (u *unit) finish(why protocol.EndReason) {
	if !u.running() {
		return
	}
	u.dog.Stop()
	u.end = why
	if _, err := u.console.ask("ok", "dark"); err != nil {
		u.end = protocol.UnitFault
		return
	}
	if words, err := u.console.ask("fired", "fired"); err == nil && len(words) == 2 {
		if _, err := fmt.Sscan(words[0], &u.fired); err != nil {
			u.end = protocol.UnitFault
		}
	}
	u.counts = nil
	for z := range u.id.Zones() {
		n, err := u.console.numbers("counts", "counts %d", z)
		if err != nil || len(n) != u.id.Bins {
			u.end = protocol.UnitFault
			return
		}
		for _, c := range n {
			u.counts = append(u.counts, uint32(min(max(0, c), math.MaxUint32)))
		}
	}
}

// goDark is for every way out.
func (u *unit) goDark() {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.finish(protocol.Stopped)
}

func (u *unit) fetch(q *protocol.Fetch) (protocol.AnswerBody, protocol.Code, error) {
	if u.capture == nil || u.capture.ID != q.Capture {
		return nil, protocol.CodeNoCapture, nil
	}
	if q.Table == protocol.RangeTable || q.Table == protocol.BinTable && u.capture.Kind != protocol.Histograms {
		return nil, protocol.CodeBadArgument, nil
	}
	if u.running() {
		return nil, protocol.CodeNoCapture, nil
	}
	if len(u.counts) < u.id.Zones()*u.id.Bins {
		return nil, protocol.CodeFault, nil
	}
	total := func(z, _ int) uint32 {
		var sum uint64
		for _, c := range u.counts[z*u.id.Bins : (z+1)*u.id.Bins] {
			sum += uint64(c)
		}
		return uint32(min(sum, math.MaxUint32))
	}
	var v *protocol.Values
	switch {
	case q.Table == protocol.BinTable && u.capture.Kind == protocol.Histograms:
		v = q.Answer(u.id.Zones(), u.id.Bins, u.id.MaxOut, func(z, b int) uint32 { return u.counts[z*u.id.Bins+b] })
	case q.Table == protocol.TotalTable || q.Table == protocol.FrameTable: // one frame: the same
		v = q.Answer(u.id.Zones(), 1, u.id.MaxOut, total)
	}
	if v == nil {
		return nil, protocol.CodeBadArgument, nil
	}
	return v, protocol.CodeOK, nil
}

// load asks for the constants in force.
func (u *unit) load() error {
	words, err := u.console.ask("block", "load")
	if err != nil || len(words) != 1 {
		return errors.Join(err, errNo)
	}
	if words[0] == "-" {
		u.block = nil
		return nil
	}
	u.block, err = hex.DecodeString(words[0])
	return err
}

func (u *unit) store(block []byte) error {
	_, err := u.console.ask("ok", "store %x", block)
	return err
}

func (u *unit) commit(q *protocol.Commit) (protocol.AnswerBody, protocol.Code, error) {
	named := func(b []byte) bool {
		return len(b) >= 4 && len(b) == q.Length && binary.LittleEndian.Uint32(b[len(b)-4:]) == q.CRC
	}
	if err := u.load(); err != nil {
		return nil, 0, err
	}
	if _, err := protocol.ParseBlock(u.block); err == nil && named(u.block) {
		return nil, protocol.CodeOK, nil
	}
	if u.held != len(u.staged) || !named(u.staged) {
		return nil, protocol.CodeNotStaged, nil
	}
	b, err := protocol.ParseBlock(u.staged)
	switch {
	case err != nil || b.State == protocol.Voided:
		return nil, protocol.CodeNotStaged, nil
	case b.Rows != u.id.Rows || b.Cols != u.id.Cols || u.id.Serial != "" && b.Serial != u.id.Serial:
		return nil, protocol.CodeWrongUnit, nil
	}
	return nil, protocol.CodeOK, u.store(bytes.Clone(u.staged))
}
