package recording

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"
	"time"

	"example.org/panecal/protocol"
)

// Player is the unit of a recording: it answers a station's requests as the
// recorded unit answered the same ones, after the same time, damaged, late or
// not at all if that is how it was. Ids and sessions are the station's own.
type Player struct {
	mu    sync.Mutex
	all   []*Exchange
	used  []bool
	next  int // the recording is likely to go on here
	asked []protocol.Request
}

// NewPlayer returns a player of a recording.
func NewPlayer(s *Session) *Player {
	all := s.Exchanges()
	return &Player{all: all, used: make([]bool, len(all))}
}

// Strangers returns the requests that the recording has no answer for; they
// got none.
func (p *Player) Strangers() []protocol.Request {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.asked)
}

// Serve answers on a line until the context ends or the line is gone, and
// returns why. The line stays the caller's; if it has deadlines, a waiting
// read ends with the context.
func (p *Player) Serve(ctx context.Context, line io.ReadWriter) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	if d, ok := line.(interface{ SetDeadline(time.Time) error }); ok {
		if err := d.SetDeadline(time.Time{}); err != nil {
			return fmt.Errorf("playing a unit: %w", err)
		}
		ended := make(chan struct{})
		stop := context.AfterFunc(ctx, func() { _ = d.SetDeadline(time.Unix(1, 0)); close(ended) })
		defer func() {
			if !stop() {
				<-ended // or it would end what is next on this line
			}
		}()
	}
	var writes sync.WaitGroup
	defer writes.Wait()
	defer cancel()
	turn := make(chan struct{}, 1) // one answer is written at a time
	var due queue
	scanner := protocol.NewScanner(line, protocol.MaxPayload)
	var session uint32
	for {
		payload, err := scanner.Next()
		if errors.Is(err, protocol.ErrDamaged) {
			continue
		}
		if err != nil {
			if ctx.Err() != nil {
				err = context.Cause(ctx)
			}
			return fmt.Errorf("playing a unit: %w", err)
		}
		q, err := protocol.DecodeRequest(payload)
		if err != nil {
			continue
		}
		if _, who := q.Body.(*protocol.WhoAreYou); who {
			session = q.Session
		}
		x := p.find(q)
		if x == nil {
			continue
		}
		for _, reply := range x.replies {
			after := max(0, reply.at-x.At)
			due.put(time.Now().Add(after), reply.as(q, session))
			writes.Add(1)
			time.AfterFunc(after, func() {
				defer writes.Done()
				select {
				case turn <- struct{}{}:
					defer func() { <-turn }()
					_, _ = line.Write(due.take()) // a line that is gone ends the reading too
				case <-ctx.Done():
				}
			})
		}
	}
}

// queue holds what is to be written, the earliest first, and what is due at
// one time in the order of putting: timers that end together run in any order,
// so each takes what is first and not what it was set for.
type queue struct {
	mu   sync.Mutex
	list []waiting
}

type waiting struct {
	due time.Time
	b   []byte
}

func (q *queue) put(due time.Time, b []byte) {
	q.mu.Lock()
	defer q.mu.Unlock()
	at := len(q.list)
	for at > 0 && due.Before(q.list[at-1].due) {
		at--
	}
	q.list = slices.Insert(q.list, at, waiting{due, b})
}

func (q *queue) take() []byte {
	q.mu.Lock()
	defer q.mu.Unlock()
	first := q.list[0].b
	q.list = q.list[1:]
	return first
}

// as is a recorded reply in an answer to q: with its id, in its session. What
// is no answer goes out as it came.
func (r piece) as(q protocol.Request, session uint32) []byte {
	a, err := protocol.DecodeAnswer(r.payload)
	if r.payload == nil || err != nil {
		return slices.Concat([]byte{0}, r.raw, []byte{0})
	}
	a.ID = q.ID
	if a.Session != 0 {
		a.Session = session
	}
	payload, err := protocol.AppendAnswer(nil, a)
	if err != nil {
		return r.raw
	}
	return protocol.AppendPacket(nil, payload)
}

// find takes the next recorded exchange of the same request: the first not
// used yet from where the recording is, else the first not used at all, else
// the last of its kind.
func (p *Player) find(q protocol.Request) *Exchange {
	p.mu.Lock()
	defer p.mu.Unlock()
	same := func(i int) bool { return sameRequest(p.all[i].Request, q) }
	last := -1
	for k := range p.all {
		i := (p.next + k) % len(p.all)
		if !same(i) {
			continue
		}
		if !p.used[i] {
			p.used[i], p.next = true, (i+1)%len(p.all)
			return p.all[i]
		}
		last = max(last, i)
	}
	if last < 0 {
		p.asked = append(p.asked, q)
		return nil
	}
	return p.all[last]
}

// sameRequest compares number and arguments. The block that a station stages
// and commits names its own log record, so the bytes of a block may differ.
func sameRequest(a, b protocol.Request) bool {
	if a.Body.Op() != b.Body.Op() {
		return false
	}
	switch x := a.Body.(type) {
	case *protocol.Stage:
		y, ok := b.Body.(*protocol.Stage)
		return ok && x.Length == y.Length && x.Offset == y.Offset && len(x.Data) == len(y.Data)
	case *protocol.Commit:
		y, ok := b.Body.(*protocol.Commit)
		return ok && x.Length == y.Length
	}
	one, err1 := protocol.AppendRequest(nil, protocol.Request{Body: a.Body})
	two, err2 := protocol.AppendRequest(nil, protocol.Request{Body: b.Body})
	return err1 == nil && err2 == nil && bytes.Equal(one, two)
}
