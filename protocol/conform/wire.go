package conform

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"example.org/panecal/protocol"
)

// heard is one packet with a good check that came from the unit.
type heard struct {
	protocol.Answer
	payload []byte
	first   time.Time // its opening delimiter came
	last    time.Time // its closing delimiter came
}

// wire is the line as a run sees it: every byte is looked at, and what is no
// good packet is a departure from a clause.
type wire struct {
	port     protocol.Port
	console  bool // the unit has one
	maxOut   int  // payload that the unit announced
	textOK   bool // protocol mode is or may be closed: text is no departure
	depart   func(f *fault)
	trace    []string // latest traffic, for reports
	waiting  []heard  // read, not asked for yet
	group    []byte   // since the last delimiter
	zeros    int      // delimiters since the last other byte
	begun    time.Time
	lastByte time.Time // when the last byte came
	widest   time.Duration
	seen     int   // good packets
	bytes    int64 // heard
	lost     error // the line is gone
}

const (
	traceLines = 6
	traceBytes = 48
)

func (w *wire) note(mark string, b []byte) {
	text := fmt.Sprintf("%s % X", mark, b[:min(len(b), traceBytes)])
	if len(b) > traceBytes {
		text += fmt.Sprintf(" … (%d bytes)", len(b))
	}
	w.trace = append(w.trace, text)
	if len(w.trace) > traceLines {
		w.trace = w.trace[1:]
	}
}

// write sends bytes as they are.
func (w *wire) write(b []byte) {
	w.note(">", b)
	for len(b) > 0 && w.lost == nil {
		n, err := w.port.Write(b)
		if err == nil && n == 0 {
			err = errors.New("the line takes no bytes")
		}
		w.lost = err
		b = b[n:]
	}
}

// next returns the next packet that begins before a time; ok is false when
// none does.
func (w *wire) next(until time.Time) (h heard, ok bool) {
	var buf [512]byte
	for w.lost == nil {
		if len(w.waiting) > 0 {
			h, w.waiting = w.waiting[0], w.waiting[1:]
			return h, true
		}
		deadline := until
		if len(w.group) > 0 { // a packet that has begun may end
			if end := w.lastByte.Add(50 * time.Millisecond); end.After(deadline) {
				deadline = end
			}
		}
		if !time.Now().Before(deadline) {
			return heard{}, false
		}
		if w.lost = w.port.SetReadDeadline(deadline); w.lost != nil {
			break
		}
		n, err := w.port.Read(buf[:])
		now := time.Now()
		w.bytes += int64(n)
		for _, b := range buf[:n] {
			w.byte(b, now)
		}
		if n > 0 {
			w.lastByte = now
		}
		if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
			w.lost = err
		}
	}
	return heard{}, false
}

// byte takes one byte off the line.
func (w *wire) byte(b byte, now time.Time) {
	if b != 0 {
		if len(w.group) == 0 && w.zeros == 1 && w.seen > 0 && !w.textOK {
			// One delimiter since the packet before: it ended that packet.
			w.depart(&fault{"3.1.1", "an answer does not begin with a delimiter of its own"})
		}
		if len(w.group) > 0 {
			w.widest = max(w.widest, now.Sub(w.lastByte))
		}
		w.lastByte = now
		w.zeros = 0
		if len(w.group) < 64<<10 {
			w.group = append(w.group, b)
		}
		return
	}
	w.zeros++
	if len(w.group) == 0 {
		w.begun = now
		return
	}
	group := w.group
	w.group = nil
	w.note("<", slices.Concat([]byte{0}, group, []byte{0}))
	h, f := w.read(group)
	switch {
	case f == nil:
		h.first, h.last = w.begun, now
		w.waiting = append(w.waiting, h)
		w.seen++
	case !w.textOK:
		w.depart(f)
	}
	if f != nil {
		w.widest = 0 // of whatever that was
	}
	w.begun = now
}

// read checks all that can be wrong with bytes between two delimiters.
func (w *wire) read(group []byte) (heard, *fault) {
	whole, ok := unstuff(group)
	switch {
	case !ok && printable(group) && w.console:
		return heard{}, &fault{"2.5", fmt.Sprintf("console text %q while protocol mode is open", group)}
	case !ok && printable(group):
		return heard{}, &fault{"1.2", fmt.Sprintf("text %q, which is no packet", group)}
	case !ok:
		return heard{}, &fault{"3.1.3", "bytes that no stuffing gives"}
	case len(whole) < 5:
		return heard{}, &fault{"3.1.1", "a packet without payload and check"}
	}
	payload, check := whole[:len(whole)-4], binary.LittleEndian.Uint32(whole[len(whole)-4:])
	if want := checksum(payload); check != want {
		if w.seen > 10 && longBlock(group) { // the others were right
			return heard{}, &fault{"3.1.3", "a packet with a block of 254 bytes has a wrong check, others have not"}
		}
		return heard{}, &fault{"3.1.2", fmt.Sprintf("check 0x%08X, it should be 0x%08X", check, want)}
	}
	if again := stuff(whole); !slices.Equal(again, group) {
		return heard{}, &fault{"3.1.3", "stuffing with other blocks than the rule gives"}
	}
	a, f := answer(payload, w.maxOut)
	if f != nil {
		return heard{}, f
	}
	return heard{Answer: a, payload: payload}, nil
}

// answer takes a payload with a good check for an answer.
func answer(payload []byte, announced int) (protocol.Answer, *fault) {
	if len(payload) > announced {
		return protocol.Answer{}, &fault{"3.2.3", fmt.Sprintf("a payload of %d bytes, more than the %d announced", len(payload), announced)}
	}
	if f := judge(payload); f != nil {
		return protocol.Answer{}, f
	}
	a, err := protocol.DecodeAnswer(payload)
	if err != nil {
		return a, blame(payload, err)
	}
	if a.Code > protocol.CodeBusy && payload[len(payload)-1] != 0xa0 {
		return a, &fault{"4.1.4", fmt.Sprintf("an answer with code %d has a body", a.Code)}
	}
	return a, nil
}

// Fault says which clause the payload of an answer breaks by itself, and how:
// "3.3.2: 5 written in 2 bytes". announced is the largest payload that the
// unit has announced, [protocol.MaxPayload] before it has. "" if nothing is
// wrong with it.
func Fault(payload []byte, announced int) string {
	if _, f := answer(payload, announced); f != nil {
		return f.Error()
	}
	return ""
}

// longBlock says whether stuffed bytes have a block without a zero behind it.
func longBlock(group []byte) bool {
	for at := 0; at < len(group); at += int(group[at]) {
		if group[at] == 0xff {
			return true
		}
	}
	return false
}

// blame finds the clause for an answer that has the right shape and does not
// say what it should.
func blame(payload []byte, err error) *fault {
	_, _, rest, _ := take(payload)
	var numbers [4]uint64
	for i := range numbers {
		_, numbers[i], rest, _ = take(rest)
	}
	why := err.Error()
	missing := strings.Contains(why, "missing")
	switch op := protocol.Op(numbers[2]); {
	case numbers[3] == uint64(protocol.CodeBusy):
		return &fault{"4.5.2", why}
	case op == protocol.OpWhoAreYou && missing:
		return &fault{"4.6.3", why}
	case op == protocol.OpWhoAreYou && strings.Contains(why, "version"):
		return &fault{"4.6.1", why}
	case op == protocol.OpFetch && strings.Contains(why, "key 5"):
		return &fault{"5.5.3", why}
	case missing:
		return &fault{"4.1.1", why}
	}
	return &fault{"3.3.7", why}
}

func printable(b []byte) bool {
	for _, c := range b {
		if c < 0x20 && c != '\r' && c != '\n' && c != '\t' && c != 0x1b || c > 0x7e {
			return false
		}
	}
	return true
}

// forget drops what came so far, packets and text.
func (w *wire) forget() {
	w.waiting, w.group, w.zeros, w.seen = nil, nil, 0, 0
}
