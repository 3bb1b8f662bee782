package recording

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.org/panecal/protocol"
)

// Chunk is what one read or write moved.
type Chunk struct {
	At       time.Duration // since the beginning
	FromUnit bool
	Bytes    []byte
}

// Session is a recording.
type Session struct {
	Begun  time.Time
	Chunks []Chunk
}

// SyntaxError says why a text is no recording.
type SyntaxError struct {
	Line int // from 1
	Why  string
}

func (e *SyntaxError) Error() string { return fmt.Sprintf("line %d: %s", e.Line, e.Why) }

// maxLine bounds a line of a file: 64 KiB in one chunk are more than any
// port moves.
const maxLine = 4 * 64 << 10

// Read reads a recording.
func Read(r io.Reader) (*Session, error) {
	s := &Session{}
	in := bufio.NewScanner(r)
	in.Buffer(nil, maxLine)
	n := 0
	for in.Scan() {
		n++
		if err := s.read(n, in.Text()); err != nil {
			return nil, fmt.Errorf("reading a recording: %w", err)
		}
	}
	if err := in.Err(); errors.Is(err, bufio.ErrTooLong) {
		return nil, fmt.Errorf("reading a recording: %w", &SyntaxError{n + 1, "the line is too long"})
	} else if err != nil {
		return nil, fmt.Errorf("reading a recording: %w", err)
	}
	if n == 0 {
		return nil, fmt.Errorf("reading a recording: %w", &SyntaxError{1, "the file is empty"})
	}
	return s, nil
}

func (s *Session) read(n int, line string) error {
	if n == 1 {
		rest, ok := strings.CutPrefix(line, heading+" ")
		at, err := time.Parse(time.RFC3339, strings.TrimSpace(rest))
		if !ok || err != nil {
			return &SyntaxError{n, fmt.Sprintf("does not begin with %q and a time", heading)}
		}
		s.Begun = at
		return nil
	}
	if line = strings.TrimSpace(line); line == "" || line[0] == '#' {
		return nil
	}
	f := strings.SplitN(line, " ", 3)
	if len(f) < 3 || f[1] != ">" && f[1] != "<" {
		return &SyntaxError{n, "not a time, > or <, and bytes"}
	}
	ms, err := strconv.ParseFloat(f[0], 64)
	if err != nil || !(ms >= 0) || ms > math.MaxInt64/2e6 {
		return &SyntaxError{n, fmt.Sprintf("%q is no number of milliseconds", f[0])}
	}
	b, err := hex.DecodeString(strings.ReplaceAll(f[2], " ", ""))
	if err != nil || len(b) == 0 {
		return &SyntaxError{n, "bytes that are not hexadecimal"}
	}
	c := Chunk{time.Duration(math.Round(ms*1000)) * time.Microsecond, f[1] == "<", b}
	// Reads and writes are noted by two goroutines: a hair's breadth is no
	// going back.
	if k := len(s.Chunks); k > 0 && c.At < s.Chunks[k-1].At-time.Second {
		return &SyntaxError{n, "its time is before the line above"}
	}
	s.Chunks = append(s.Chunks, c)
	return nil
}

// piece is what stands between two delimiters, or text outside packets.
type piece struct {
	at       time.Duration // its last byte
	chunk    int           // of the session, with its last byte
	fromUnit bool
	payload  []byte // nil if it is no good packet
	raw      []byte // as it came
}

// pieces cuts one side's bytes at the delimiters.
func (s *Session) pieces(fromUnit bool) (all []piece) {
	var held []byte
	flush := func(chunk int, b []byte) {
		p := piece{at: s.Chunks[chunk].At, chunk: chunk, fromUnit: fromUnit, raw: b}
		framed := slices.Concat([]byte{0}, b, []byte{0})
		if payload, err := protocol.NewScanner(bytes.NewReader(framed), protocol.MaxPayload).Next(); err == nil {
			p.payload, p.raw = bytes.Clone(payload), framed
		}
		all = append(all, p)
	}
	last := 0
	for i, c := range s.Chunks {
		if c.FromUnit != fromUnit {
			continue
		}
		last = i
		for _, b := range c.Bytes {
			if b != 0 {
				held = append(held, b)
			} else if len(held) > 0 {
				flush(i, held)
				held = nil
			}
		}
	}
	if len(held) > 0 {
		flush(last, held)
	}
	return all
}

// Exchange is one recorded request and what came of it.
type Exchange struct {
	At      time.Duration
	Request protocol.Request
	replies []piece
	payload []byte
}

// Exchanges returns the recorded requests in their order. Bytes of the unit
// that are no answer belong to the request before them.
func (s *Session) Exchanges() []*Exchange {
	var all []*Exchange
	merged := append(s.pieces(false), s.pieces(true)...)
	slices.SortStableFunc(merged, func(a, b piece) int { return a.chunk - b.chunk })
	for _, p := range merged {
		if !p.fromUnit {
			if q, err := protocol.DecodeRequest(p.payload); err == nil && p.payload != nil {
				all = append(all, &Exchange{At: p.at, Request: q, payload: p.payload})
			}
			continue
		}
		if len(all) == 0 {
			continue // console text before the first request
		}
		to := all[len(all)-1]
		if a, err := protocol.DecodeAnswer(p.payload); err == nil && p.payload != nil {
			for _, x := range slices.Backward(all) {
				if x.Request.ID == a.ID && x.Request.Body.Op() == a.Op {
					to = x
					break
				}
			}
		}
		to.replies = append(to.replies, p)
	}
	return all
}

// Identity is what the unit said of itself, if this is what it was asked.
func (x *Exchange) Identity() *protocol.Identity {
	for _, r := range x.replies {
		if a, err := protocol.DecodeAnswer(r.payload); err == nil && r.payload != nil {
			if id, ok := a.Body.(*protocol.Identity); ok {
				return id
			}
		}
	}
	return nil
}
