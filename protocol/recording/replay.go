package recording

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"time"

	"example.org/panecal/protocol"
)

// Difference is an answer that is not as recorded.
type Difference struct {
	At       time.Duration // of the request, in the recording
	Asked    protocol.Op
	Recorded string // the answer, or that there was none
	Now      string
	Bytes    []byte // payload of the answer now
}

// ToUnit plays the station's side of a recording to a unit: the same bytes at
// the same times, damaged ones too. It compares the answers with those
// recorded: code and shape always, bodies where they cannot depend on time,
// light or the unit (staging). A unit answers in the recorded session, so who
// it is and what it measures may be another's. Where the recorded unit had
// stored its constants and this one is still busy, it is asked again; sooner
// or later is no difference.
func (s *Session) ToUnit(ctx context.Context, port protocol.Port) ([]Difference, error) {
	e := &earpiece{port: port, scanner: protocol.NewScanner(port, protocol.MaxPayload), heard: map[uint32][]protocol.Answer{}}
	requests, answers := s.pieces(false), s.pieces(true)
	var storing *piece // the last request that takes a unit long
	began, recorded, missing := time.Now(), 0, 0
	for i, c := range s.Chunks {
		if c.FromUnit {
			continue
		}
		// Not before its time, and not before the unit has said what it had
		// said by then: a slow machine must not crowd the unit.
		for recorded < len(answers) && answers[recorded].chunk < i {
			if answers[recorded].payload == nil {
				missing++
			}
			recorded++
		}
		at := began.Add(c.At + time.Microsecond) // files cut times: never earlier than it was
		err := e.until(ctx, func() bool { return false }, at)
		if err == nil {
			err = e.until(ctx, func() bool { return e.count >= recorded-missing }, time.Now().Add(patience))
		}
		if err == nil && storing != nil && !busy(answers[:recorded], storing) {
			err = e.stored(ctx, storing)
		}
		if err == nil {
			missing = max(missing, recorded-e.count)
			if late := time.Since(at); late > 0 { // and all that follows: the unit keeps its pauses
				began = began.Add(late)
			}
			_, err = port.Write(c.Bytes)
		}
		if err != nil {
			return nil, fmt.Errorf("playing a station: %w", err)
		}
		for ; len(requests) > 0 && requests[0].chunk <= i; requests = requests[1:] {
			if q, err := protocol.DecodeRequest(requests[0].payload); err == nil && requests[0].payload != nil && takesLong(q.Body.Op()) {
				storing = &requests[0]
			}
		}
	}
	if err := e.until(ctx, func() bool { return false }, time.Now().Add(patience)); err != nil {
		return nil, fmt.Errorf("playing a station: %w", err)
	}
	return s.compare(e.heard), nil
}

// patience is how long an answer may take more than it took.
const patience = 500 * time.Millisecond

// earpiece collects what a unit answers.
type earpiece struct {
	port    protocol.Port
	scanner *protocol.Scanner
	heard   map[uint32][]protocol.Answer // by id
	count   int
}

// stored asks a unit that was busy with what takes long again, until it is not.
func (e *earpiece) stored(ctx context.Context, request *piece) error {
	q, err := protocol.DecodeRequest(request.payload)
	if err != nil {
		return err
	}
	for last := time.Now().Add(patience); time.Now().Before(last); {
		got := e.heard[q.ID]
		if len(got) == 0 || got[len(got)-1].Code != protocol.CodeBusy {
			return nil
		}
		rest := time.Duration(got[len(got)-1].BusyMS) * time.Millisecond
		if err := e.until(ctx, func() bool { return false }, time.Now().Add(min(rest, patience))); err != nil {
			return err
		}
		e.heard[q.ID] = got[:len(got)-1] // the answer to the next takes its place
		e.count--
		had := e.count
		if _, err := e.port.Write(protocol.AppendPacket(nil, request.payload)); err != nil {
			return err
		}
		if err := e.until(ctx, func() bool { return e.count > had }, last); err != nil {
			return err
		}
	}
	return nil
}

// takesLong says whether a unit may be busy with a request.
func takesLong(op protocol.Op) bool { return op == protocol.OpCommit || op == protocol.OpVoid }

// busy says whether the last of some answers to a request was that the unit is
// busy.
func busy(answers []piece, request *piece) bool {
	q, err := protocol.DecodeRequest(request.payload)
	if err != nil {
		return false
	}
	for _, p := range slices.Backward(answers) {
		if a, err := protocol.DecodeAnswer(p.payload); err == nil && p.payload != nil && a.ID == q.ID {
			return a.Code == protocol.CodeBusy
		}
	}
	return false
}

// until hears until done or a time.
func (e *earpiece) until(ctx context.Context, done func() bool, last time.Time) error {
	for !done() && time.Now().Before(last) {
		if err := ctx.Err(); err != nil {
			return context.Cause(ctx)
		}
		slice := time.Now().Add(50 * time.Millisecond)
		if last.Before(slice) {
			slice = last
		}
		if err := e.port.SetReadDeadline(slice); err != nil {
			return err
		}
		payload, err := e.scanner.Next()
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded), errors.Is(err, protocol.ErrDamaged):
		case err != nil:
			return err
		default:
			if a, err := protocol.DecodeAnswer(payload); err == nil {
				e.count++
				e.heard[a.ID] = append(e.heard[a.ID], a)
			}
		}
	}
	return nil
}

// compare pairs answers with recorded ones, each request with its first.
func (s *Session) compare(heard map[uint32][]protocol.Answer) (all []Difference) {
	for _, x := range s.Exchanges() {
		var was, is *protocol.Answer
		for _, r := range x.replies {
			if a, err := protocol.DecodeAnswer(r.payload); err == nil && r.payload != nil && was == nil {
				was = &a
			}
		}
		if got := heard[x.Request.ID]; len(got) > 0 {
			// An id may come again: for a repetition, and in another session.
			at := max(0, slices.IndexFunc(got, func(a protocol.Answer) bool { return a.Op == x.Request.Body.Op() }))
			is = &got[at]
			heard[x.Request.ID] = slices.Delete(slices.Clone(got), at, at+1)
		}
		if takesLong(x.Request.Body.Op()) && was != nil && is != nil && was.Code == protocol.CodeBusy && is.Code == protocol.CodeOK {
			continue // it was ready sooner
		}
		if d := (Difference{At: x.At, Asked: x.Request.Body.Op(), Recorded: told(was), Now: told(is)}); d.Recorded != d.Now || !sameBody(was, is) {
			if is != nil {
				d.Bytes, _ = protocol.AppendAnswer(nil, *is) // it was decoded from bytes, so it encodes
			}
			all = append(all, d)
		}
	}
	return all
}

func told(a *protocol.Answer) string {
	if a == nil {
		return "no answer"
	}
	return a.Code.String()
}

// sameBody compares the answers that only the protocol decides.
func sameBody(a, b *protocol.Answer) bool {
	if a == nil || b == nil || a.Code != protocol.CodeOK || b.Code != protocol.CodeOK {
		return true
	}
	if _, staged := a.Body.(*protocol.Staged); !staged {
		return true
	}
	one, err1 := protocol.AppendAnswer(nil, protocol.Answer{Op: a.Op, Body: a.Body})
	two, err2 := protocol.AppendAnswer(nil, protocol.Answer{Op: b.Op, Body: b.Body})
	return err1 == nil && err2 == nil && bytes.Equal(one, two)
}
