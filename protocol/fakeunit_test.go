package protocol_test

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"net"
	"sync"
	"time"

	"example.org/panecal/protocol"
)

// fakeUnit is the smallest unit that keeps SPEC.md, with a hook to misbehave.
type fakeUnit struct {
	id         protocol.Identity
	counts     [][]uint32 // [zone][bin], of every capture
	ranges     []protocol.RangeZone
	captureFor time.Duration

	// tamper may change what is sent for the n-th request (from 1): each
	// element goes out as it is; nil sends the honest packet.
	tamper func(n int, r protocol.Request, honest []byte) [][]byte
	// answer may answer instead of the unit.
	answer func(n int, r protocol.Request) *protocol.Answer
	// pause is waited before each element that is sent.
	pause time.Duration

	mu       sync.Mutex
	n        int
	session  uint32
	block    []byte
	staged   []byte
	stagedOf int
	capture  protocol.CaptureRequest
	began    time.Time
	end      protocol.EndReason
	fed      time.Time // last valid request
	starts   int
	stops    int
	asked    []protocol.Op
	idle     time.Duration // longest time without a request while capturing
}

func newFakeUnit() *fakeUnit {
	u := &fakeUnit{id: identity, captureFor: time.Second}
	r := rand.New(rand.NewPCG(1, 2))
	for range u.id.Zones() {
		bins := make([]uint32, u.id.Bins)
		for b := range bins {
			bins[b] = uint32(r.ExpFloat64() * 3000)
		}
		u.counts = append(u.counts, bins)
		u.ranges = append(u.ranges, protocol.RangeZone{Signal: 5e7, SignalU: 3e5, Ambient: 1e5, AmbientU: 10, Ranged: true, Range: 200_000, RangeU: 150})
	}
	return u
}

// serve answers until the line ends. It reads all the time, as a unit with
// an interrupt on its receiver does.
func (u *fakeUnit) serve(line io.ReadWriter) {
	requests := make(chan protocol.Request, 64)
	go func() {
		defer close(requests)
		s := protocol.NewScanner(line, u.id.MaxIn)
		for {
			payload, err := s.Next()
			if errors.Is(err, protocol.ErrDamaged) {
				continue
			}
			if err != nil {
				return
			}
			if r, err := protocol.DecodeRequest(payload); err == nil {
				requests <- r
			}
		}
	}()
	for r := range requests {
		for _, packet := range u.reply(r) {
			time.Sleep(u.pause)
			if _, err := line.Write(packet); err != nil {
				return
			}
		}
	}
}

func (u *fakeUnit) reply(r protocol.Request) [][]byte {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.n++
	u.asked = append(u.asked, r.Body.Op())
	u.clock()
	var a *protocol.Answer
	if u.answer != nil {
		a = u.answer(u.n, r)
	}
	if a == nil {
		a = u.obey(r)
	}
	a.ID, a.Session, a.Op = r.ID, u.session, r.Body.Op()
	payload, err := protocol.AppendAnswer(nil, *a)
	if err != nil {
		panic(err)
	}
	packet := protocol.AppendPacket(nil, payload)
	if u.tamper != nil {
		if packets := u.tamper(u.n, r, packet); packets != nil {
			return packets
		}
	}
	return [][]byte{packet}
}

// clock lets the capture go on and feeds the watchdog.
func (u *fakeUnit) clock() {
	now := time.Now()
	if u.capture.ID != 0 && u.end == protocol.Running {
		u.idle = max(u.idle, min(now.Sub(u.fed), u.began.Add(u.captureFor).Sub(u.fed)))
		if now.Sub(u.fed) > time.Second {
			u.end = protocol.Watchdog
		} else if now.Sub(u.began) >= u.captureFor {
			u.end = protocol.Complete
		}
	}
	u.fed = now
}

func (u *fakeUnit) progress() *protocol.Progress {
	p := &protocol.Progress{Capture: u.capture.ID, End: u.end, TempMilliCel: 25_000}
	done := min(1, float64(time.Since(u.began))/float64(u.captureFor))
	p.ShotsFired = int64(done * float64(u.capture.Shots) * float64(u.capture.Frames))
	p.FramesDone = int(done * float64(u.capture.Frames))
	if u.end == protocol.Running {
		p.RemainingMS = (u.captureFor - time.Since(u.began)).Milliseconds()
	}
	return p
}

func refuse(c protocol.Code) *protocol.Answer        { return &protocol.Answer{Code: c} }
func tell(body protocol.AnswerBody) *protocol.Answer { return &protocol.Answer{Body: body} }

func (u *fakeUnit) obey(r protocol.Request) *protocol.Answer {
	switch r.Body.(type) {
	case *protocol.WhoAreYou:
		if u.session != r.Session && u.capture.ID != 0 && u.end == protocol.Running {
			u.end = protocol.Stopped
		}
		u.session = r.Session
		id := u.id
		return tell(&id)
	case *protocol.Stop:
		u.stops++
		if u.capture.ID != 0 && u.end == protocol.Running {
			u.end = protocol.Stopped
		}
		return refuse(protocol.CodeOK)
	}
	if r.Session != u.session || u.session == 0 {
		return refuse(protocol.CodeNoSession)
	}
	running := u.capture.ID != 0 && u.end == protocol.Running
	switch b := r.Body.(type) {
	case *protocol.Refused:
		return refuse(b.Code)
	case *protocol.AskStatus:
		return tell(&protocol.Status{TempMilliCel: 25_000, EmitterOn: running, Capture: u.capture.ID})
	case *protocol.CaptureRequest:
		if b.ID != u.capture.ID {
			if running {
				return refuse(protocol.CodeCapturing)
			}
			u.starts++
			u.capture, u.began, u.end = *b, time.Now(), protocol.Running
		}
		return tell(u.progress())
	case *protocol.AskProgress:
		if b.Capture != u.capture.ID {
			return refuse(protocol.CodeNoCapture)
		}
		return tell(u.progress())
	case *protocol.Fetch:
		if b.Capture != u.capture.ID || u.end != protocol.Complete {
			return refuse(protocol.CodeNoCapture)
		}
		return u.fetch(b)
	case *protocol.ReadConstants:
		return tell(b.Answer(u.block, u.id.MaxOut))
	case *protocol.Stage:
		if b.Offset == 0 {
			u.staged, u.stagedOf = nil, b.Length
		}
		if b.Offset <= len(u.staged) && b.Length == u.stagedOf {
			u.staged = append(u.staged[:b.Offset], b.Data...)
		}
		return tell(&protocol.Staged{Held: len(u.staged)})
	case *protocol.Commit:
		return refuse(u.commit(b))
	case *protocol.Void:
		u.block = protocol.VoidBlock(b.Witness)
	case *protocol.Restart:
		u.session, u.capture, u.staged = 0, protocol.CaptureRequest{}, nil
	}
	return refuse(protocol.CodeOK)
}

func (u *fakeUnit) commit(c *protocol.Commit) protocol.Code {
	named := func(b []byte) bool {
		n := len(b)
		return n == c.Length && n >= 4 &&
			uint32(b[n-4])|uint32(b[n-3])<<8|uint32(b[n-2])<<16|uint32(b[n-1])<<24 == c.CRC
	}
	if named(u.block) {
		return protocol.CodeOK
	}
	if !named(u.staged) {
		return protocol.CodeNotStaged
	}
	if _, err := protocol.ParseBlock(u.staged); err != nil {
		return protocol.CodeNotStaged
	}
	u.block = bytes.Clone(u.staged)
	return protocol.CodeOK
}

func (u *fakeUnit) fetch(q *protocol.Fetch) *protocol.Answer {
	if q.Table == protocol.RangeTable {
		return tell(q.AnswerRanges(u.ranges, u.id.MaxOut))
	}
	total := func(zone int) (n uint32) {
		for _, c := range u.counts[zone] {
			n += c
		}
		return n
	}
	columns, at := u.id.Bins, func(z, b int) uint32 { return u.counts[z][b] }
	switch q.Table {
	case protocol.TotalTable:
		columns, at = 1, func(z, _ int) uint32 { return total(z) }
	case protocol.FrameTable:
		columns = u.capture.Frames
		at = func(z, f int) uint32 {
			n := total(z) / uint32(columns)
			if f == 0 {
				n = total(z) - n*uint32(columns-1)
			}
			return n
		}
	}
	v := q.Answer(u.id.Zones(), columns, u.id.MaxOut, at)
	if v == nil {
		return refuse(protocol.CodeBadArgument)
	}
	return tell(v)
}

// line connects a client and the unit through an in-process pipe.
func (u *fakeUnit) line(opt protocol.Options) (*protocol.Client, func()) {
	here, there := net.Pipe()
	done := make(chan struct{})
	go func() {
		u.serve(there)
		close(done)
	}()
	if opt.NewSession == nil {
		opt.NewSession = func() uint32 { return 0x51e55104 }
	}
	return protocol.NewClient(here, opt), func() {
		here.Close()
		there.Close()
		<-done
	}
}
