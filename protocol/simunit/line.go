package simunit

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"example.org/panecal/protocol"
)

// Line is how bytes travel. The zero value takes no time.
type Line struct {
	Baud       int           // 10 bits a byte, both ways; 0 = as fast as the reader
	Turnaround time.Duration // from a request's last byte to its answer's first, on an idle line
}

func (l Line) time(bytes int) time.Duration {
	if l.Baud <= 0 {
		return 0
	}
	return time.Duration(bytes) * 10 * time.Second / time.Duration(l.Baud)
}

// Console is what a unit with a console says and understands outside protocol
// mode. Without an Open text there is no console.
type Console struct {
	Open, Close string // texts that open and close protocol mode
	Banner      string // printed at power-up and when protocol mode closes
}

// idleLimit is how long protocol mode stays open without a request.
const idleLimit = 10 * time.Second

// chunk is how many bytes are handed to the line at a time.
const chunk = 256

// heard is a request as it came off the line.
type heard struct {
	payload []byte
	ready   time.Time // when the unit can begin to answer
	banner  bool      // no request: the console has something to print
}

// Serve speaks for the unit on a line until the context ends or the line is
// gone, and returns why. The line stays the caller's; its reads must return
// when it is closed. If the line has deadlines, Serve ends a waiting read or
// write itself when the context does.
//
// What the unit is and holds outlives Serve: a cable may be pulled and put
// back.
func (u *Unit) Serve(ctx context.Context, line io.ReadWriter) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	d, deadlines := line.(interface{ SetDeadline(time.Time) error })
	if deadlines {
		if err := d.SetDeadline(time.Time{}); err != nil {
			return fmt.Errorf("unit %s on its line: %w", u.o.Serial, err)
		}
		ended := make(chan struct{})
		stop := context.AfterFunc(ctx, func() { _ = d.SetDeadline(time.Unix(1, 0)); close(ended) })
		defer func() {
			if !stop() {
				<-ended // or it would end what the next unit on this line does
			}
		}()
	}
	ear := &ear{unit: u, line: line, out: make(chan heard, maxHeld)}
	if u.o.Console.Open == "" {
		ear.open = true
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		cancel(ear.listen(ctx))
	}()
	mouth := &mouth{unit: u, line: line}
	err := mouth.speak(ctx, ear.out)
	cancel(err)
	if deadlines {
		<-done
	}
	if cause := context.Cause(ctx); cause != nil && err == nil {
		err = cause
	}
	return fmt.Errorf("unit %s on its line: %w", u.o.Serial, err)
}

// ear reads the line: console texts, and packets with the time at which their
// last byte was in.
type ear struct {
	unit *Unit
	line io.Reader
	out  chan heard

	open   bool      // protocol mode
	starts int       // power-ups of the unit before the opening
	used   time.Time // the last request, or the opening
	recent []byte    // last bytes, to find the texts in
	inTime time.Time // when the bytes read so far are in
}

func (e *ear) listen(ctx context.Context) error {
	scanner := protocol.NewScanner(e, maxIn)
	for {
		payload, err := scanner.Next()
		if errors.Is(err, protocol.ErrDamaged) {
			continue
		}
		if err != nil {
			return err
		}
		h := heard{payload: bytes.Clone(payload), ready: e.inTime.Add(e.unit.o.Line.Turnaround)}
		e.used = e.inTime
		select {
		case e.out <- h:
		case <-ctx.Done():
			return context.Cause(ctx)
		default: // more than the unit can hold: lost
		}
	}
}

// Read hands the scanner what comes in protocol mode.
func (e *ear) Read(p []byte) (int, error) {
	for {
		n, err := e.line.Read(p)
		now := e.unit.o.Now()
		if e.inTime.Before(now) {
			e.inTime = now
		}
		e.inTime = e.inTime.Add(e.unit.o.Line.time(n))
		if n = e.console(p[:n], now); n > 0 || err != nil {
			return n, err
		}
	}
}

// console keeps in p what belongs to protocol mode and returns how much that
// is.
func (e *ear) console(p []byte, now time.Time) int {
	c := e.unit.o.Console
	if c.Open == "" {
		return len(p)
	}
	if e.open && (now.Sub(e.used) > idleLimit || e.starts != e.unit.started()) {
		e.open = false
		e.unit.leave()
		e.say()
	}
	kept := 0
	for _, b := range p {
		text := c.Open
		if e.open {
			text = c.Close
			p[kept] = b
			kept++
		}
		e.recent = append(e.recent, b)
		if len(e.recent) > len(text) {
			e.recent = e.recent[len(e.recent)-len(text):]
		}
		if text != "" && string(e.recent) == text {
			e.open, e.used, e.starts, e.recent = !e.open, now, e.unit.started(), nil
			if !e.open {
				e.unit.leave()
				e.say()
			}
		}
	}
	return kept
}

// leave ends the session with protocol mode.
func (u *Unit) leave() {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.advance(u.o.Now())
	u.open(0)
}

// started counts the unit's power-ups: each leaves it with an open console.
func (u *Unit) started() int {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.advance(u.o.Now())
	return u.starts
}

func (e *ear) say() {
	select {
	case e.out <- heard{banner: true, ready: e.inTime}:
	default:
	}
}

// mouth answers, in order and no faster than the line.
type mouth struct {
	unit *Unit
	line io.Writer
	free time.Time // when the line has carried what was written
	late []delayed
}

type delayed struct {
	packet []byte
	due    time.Time
}

func (m *mouth) speak(ctx context.Context, in <-chan heard) error {
	u := m.unit
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	for {
		timer.Stop()
		if len(m.late) > 0 {
			timer.Reset(m.late[0].due.Sub(u.o.Now()))
		}
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C:
			packet := m.late[0].packet
			m.late = m.late[1:]
			if err := m.write(ctx, packet, u.o.Now()); err != nil {
				return err
			}
		case h := <-in:
			if err := pause(ctx, h.ready.Sub(u.o.Now())); err != nil {
				return nil
			}
			if err := m.reply(ctx, h); err != nil {
				return err
			}
		}
	}
}

// reply carries out what was heard and writes what is to be written.
func (m *mouth) reply(ctx context.Context, h heard) error {
	u := m.unit
	if h.banner {
		return m.write(ctx, []byte(u.o.Console.Banner), h.ready)
	}
	say := u.hear(h.payload)
	if len(say.late) > 0 {
		m.late = append(m.late, delayed{say.late, u.o.Now().Add(say.wait)})
	}
	for _, packet := range say.now {
		if err := m.write(ctx, packet, h.ready); err != nil {
			return err
		}
	}
	if say.restart {
		u.Reset()
	}
	if say.restart || say.banner {
		return m.write(ctx, []byte(u.o.Console.Banner), h.ready)
	}
	return nil
}

// write puts bytes on the line, each chunk when its last byte has travelled.
// The schedule is absolute: a timer that fires late costs the line nothing.
func (m *mouth) write(ctx context.Context, p []byte, ready time.Time) error {
	const slack = 20 * time.Millisecond // a unit that computed longer than that begins late
	if begin := m.unit.o.Now().Add(-slack); ready.Before(begin) {
		ready = begin
	}
	if m.free.Before(ready) {
		m.free = ready
	}
	for len(p) > 0 {
		n := min(len(p), chunk)
		m.free = m.free.Add(m.unit.o.Line.time(n))
		if m.unit.o.Line.Baud > 0 {
			if err := pause(ctx, m.free.Sub(m.unit.o.Now())); err != nil {
				return nil
			}
		}
		if _, err := m.line.Write(p[:n]); err != nil {
			return err
		}
		p = p[n:]
	}
	return nil
}

// pause waits, and returns early with an error when the context ends.
func pause(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return nil
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
