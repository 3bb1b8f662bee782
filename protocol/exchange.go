package protocol

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"
)

// heard is the client's ear: it knows when bytes last came, and how many.
type heard struct {
	port  Port
	now   func() time.Time
	last  time.Time
	bytes int64
}

func (h *heard) Read(p []byte) (int, error) {
	n, err := h.port.Read(p)
	if n > 0 {
		h.bytes += int64(n)
		h.last = h.now()
	}
	return n, err
}

// asked is one request on its way.
type asked struct {
	id     uint32
	body   RequestBody
	packet []byte
	tries  int
	putOff time.Time // when the unit first said busy
}

// exchange is one run of requests, as many in flight as the unit can hold.
type exchange struct {
	*Client
	again    []*asked // to be sent (again) before anything new
	inFlight []*asked // oldest first: the unit answers in this order
	quiet    time.Time
	hold     time.Time // the unit is busy, and may be deaf, until then
	noise    int64     // bytes heard up to here put the deadline off
	strange  error     // why the last packet was no answer of this protocol
}

var errQuiet = errors.New("silence") // no answer began in time

// exchange sends what next gives until it gives nil with nothing left in
// flight, and hands each answer to done, which may make next give more. The
// caller holds c.mu.
func (c *Client) exchange(ctx context.Context, next func() RequestBody, done func(RequestBody, Answer) error) error {
	x := &exchange{Client: c}
	began := c.opt.Now()
	defer func() { c.count.Awaited += c.opt.Now().Sub(began) }()
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := x.fill(next); err != nil {
			return err
		}
		if len(x.inFlight) == 0 && len(x.again) == 0 {
			return nil
		}
		if len(x.inFlight) == 0 { // all put off
			if err := wait(ctx, x.hold.Sub(c.opt.Now())); err != nil {
				return err
			}
			continue
		}
		a, err := x.receive(ctx)
		if err == errQuiet {
			err = x.lost(len(x.inFlight))
		} else if err == nil {
			err = x.take(a, done)
		}
		if err != nil {
			return err
		}
	}
}

// fill sends requests while the unit can hold more.
func (x *exchange) fill(next func() RequestBody) error {
	for len(x.inFlight) < max(1, x.identity.MaxHeld) && !x.opt.Now().Before(x.hold) {
		var r *asked
		if len(x.again) > 0 {
			r, x.again = x.again[0], x.again[1:]
		} else if body := next(); body != nil {
			if err := x.mayAsk(body); err != nil {
				return err
			}
			x.lastID++
			r = &asked{id: x.lastID, body: body}
			payload, err := AppendRequest(nil, Request{ID: r.id, Session: x.session, Body: body})
			if err != nil {
				return err
			}
			r.packet = AppendPacket(nil, payload)
		} else {
			return nil
		}
		if err := x.send(r); err != nil {
			return err
		}
	}
	return nil
}

// needsSession reports whether the unit refuses the request in another
// session.
func needsSession(body RequestBody) bool {
	switch body.(type) {
	case *WhoAreYou, *Stop:
		return false
	}
	return true
}

func (x *exchange) mayAsk(body RequestBody) error {
	if x.session == 0 && needsSession(body) {
		return fmt.Errorf("no session is open: %w", ErrReset)
	}
	return nil
}

func (x *exchange) send(r *asked) error {
	n, err := x.port.Write(r.packet)
	x.count.BytesOut += int64(n)
	if err == nil && n < len(r.packet) {
		err = io.ErrShortWrite
	}
	if err != nil {
		return fmt.Errorf("%w: %w", ErrPortLost, err)
	}
	x.count.Requests++
	r.tries++
	x.listen()
	x.inFlight = append(x.inFlight, r)
	now := x.opt.Now()
	if x.sent.Before(now) {
		x.sent = now
	}
	if x.opt.Baud > 0 { // ten bits a byte
		x.sent = x.sent.Add(time.Duration(len(r.packet)) * 10 * time.Second / time.Duration(x.opt.Baud))
	}
	x.expectBy(x.sent)
	return nil
}

// expectBy allows the next answer FirstByte after t to begin.
func (x *exchange) expectBy(t time.Time) {
	if t = t.Add(FirstByte + x.opt.Grace); t.After(x.quiet) {
		x.quiet = t
	}
}

// listen lets the bytes that follow put the deadline off, a few packets'
// worth of them: a packet that has begun may take its time, noise may not.
func (x *exchange) listen() { x.noise = x.in.bytes + int64(4*stuffedSize(MaxPayload)) }

// cancelEvery is how soon a cancelled context is seen.
const cancelEvery = 50 * time.Millisecond

// receive returns the next answer, or errQuiet when none begins in time.
func (x *exchange) receive(ctx context.Context) (Answer, error) {
	for {
		if err := ctx.Err(); err != nil {
			return Answer{}, err
		}
		now := x.opt.Now()
		if x.in.bytes < x.noise {
			x.expectBy(x.in.last)
		}
		if !now.Before(x.quiet) {
			return Answer{}, errQuiet
		}
		until := x.quiet
		if soon := now.Add(cancelEvery); soon.Before(until) {
			until = soon
		}
		if err := x.port.SetReadDeadline(until); err != nil {
			return Answer{}, fmt.Errorf("%w: %w", ErrPortLost, err)
		}
		payload, err := x.scanner.Next()
		switch {
		case errors.Is(err, ErrDamaged):
			x.count.BadPackets++
			continue
		case errors.Is(err, os.ErrDeadlineExceeded):
			continue
		case err != nil:
			return Answer{}, fmt.Errorf("%w: %w", ErrPortLost, err)
		}
		announced := x.announced()
		a, err := DecodeAnswer(payload)
		switch {
		case err == nil && len(payload) <= announced:
			return a, nil
		case err == nil:
			err = fmt.Errorf("a payload of %d bytes, %d are announced", len(payload), announced)
		}
		if _, bad := DecodeRequest(payload); bad == nil {
			x.count.Echoes++
			x.strange = err
			continue
		}
		x.count.BadPackets++
		x.strange = &MalformedError{Payload: bytes.Clone(payload), Announced: announced, Err: err}
	}
}

// announced is the largest payload that may come. Who the unit is may come
// from another than the last time.
func (x *exchange) announced() int {
	if x.session == 0 || x.identity.MaxOut == 0 || len(x.inFlight) > 0 && x.inFlight[0].body.Op() == OpWhoAreYou {
		return MaxPayload
	}
	return x.identity.MaxOut
}

// take finds the request that a answers and deals with it.
func (x *exchange) take(a Answer, done func(RequestBody, Answer) error) error {
	at := -1
	for i, r := range x.inFlight {
		if r.id == a.ID && r.body.Op() == a.Op {
			at = i
		}
	}
	if at < 0 {
		x.count.Dropped++
		return nil
	}
	r := x.inFlight[at]
	if needsSession(r.body) && (a.Session != x.session || a.Code == CodeNoSession) {
		x.Client.session = 0
		return ErrReset
	}
	if r.body.Op() == OpWhoAreYou && a.Session != x.session {
		x.count.Dropped++ // of an earlier who-are-you
		return nil
	}
	x.listen()
	x.expectBy(x.opt.Now())
	if err := x.lost(at); err != nil { // answers come in order: those before are lost
		return err
	}
	x.inFlight = x.inFlight[1:]
	switch a.Code {
	case CodeOK:
		return done(r.body, a)
	case CodeBusy:
		return x.putOff(r, time.Duration(a.BusyMS)*time.Millisecond)
	}
	return &RefusedError{Op: a.Op, Code: a.Code}
}

// putOff holds everything back: a busy unit may be deaf.
func (x *exchange) putOff(r *asked, d time.Duration) error {
	x.count.Busy++
	now := x.opt.Now()
	if r.putOff.IsZero() {
		r.putOff = now
	}
	x.hold = now.Add(d)
	if x.hold.Sub(r.putOff) > x.opt.BusyLimit {
		return fmt.Errorf("%w: %q, for more than %v", ErrBusyTooLong, r.body.Op(), x.opt.BusyLimit)
	}
	x.expectBy(x.hold)
	r.tries-- // it was heard
	x.again = append([]*asked{r}, x.again...)
	return nil
}

// lost takes the n oldest requests out of flight, to be sent again.
func (x *exchange) lost(n int) error {
	gone := x.inFlight[:n:n]
	x.inFlight = x.inFlight[n:]
	for _, r := range gone {
		if r.tries >= Tries && x.strange != nil {
			return fmt.Errorf("%w: %q, asked %d times; last heard: %w", ErrNoAnswer, r.body.Op(), r.tries, x.strange)
		} else if r.tries >= Tries {
			return fmt.Errorf("%w: %q, asked %d times", ErrNoAnswer, r.body.Op(), r.tries)
		}
		x.count.Retries++
		if x.opt.OnRetry != nil {
			x.opt.OnRetry(r.body.Op(), r.tries+1)
		}
	}
	x.again = append(gone, x.again...)
	return nil
}

// wait sleeps for d or until ctx ends.
func wait(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}
