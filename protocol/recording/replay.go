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
// it is and what it measures may be another's.
func (s *Session) ToUnit(ctx context.Context, port protocol.Port) ([]Difference, error) {
	heard := map[uint32][]protocol.Answer{} // by id
	scanner := protocol.NewScanner(port, protocol.MaxPayload)
	listen := func(until time.Time) error {
		for {
			if err := ctx.Err(); err != nil {
				return err
			}
			slice := time.Now().Add(50 * time.Millisecond)
			if until.Before(slice) {
				slice = until
			}
			if err := port.SetReadDeadline(slice); err != nil {
				return err
			}
			payload, err := scanner.Next()
			switch {
			case errors.Is(err, os.ErrDeadlineExceeded):
				if !time.Now().Before(until) {
					return nil
				}
			case errors.Is(err, protocol.ErrDamaged):
			case err != nil:
				return err
			default:
				if a, err := protocol.DecodeAnswer(payload); err == nil {
					heard[a.ID] = append(heard[a.ID], a)
				}
			}
		}
	}
	began := time.Now()
	for _, c := range s.Chunks {
		if c.FromUnit {
			continue
		}
		if err := listen(began.Add(c.At)); err != nil {
			return nil, fmt.Errorf("playing a station: %w", err)
		}
		if _, err := port.Write(c.Bytes); err != nil {
			return nil, fmt.Errorf("playing a station: %w", err)
		}
	}
	if err := listen(time.Now().Add(500 * time.Millisecond)); err != nil {
		return nil, fmt.Errorf("playing a station: %w", err)
	}
	return s.compare(heard), nil
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
