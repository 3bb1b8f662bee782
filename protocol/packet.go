package protocol

import (
	"encoding/binary"
	"errors"
	"hash/crc32"
	"io"
)

// MaxPayload is the largest payload, in bytes, that any unit may announce
// (SPEC.md 3.2.5). It bounds what a decoder holds.
const MaxPayload = 8192

// minPayloadIn and minPayloadOut are the smallest packets that a unit must
// take in and may send (SPEC.md 3.2.5).
const (
	minPayloadIn  = 256
	minPayloadOut = 512
)

// ErrDamaged says that bytes between two delimiters were no packet: cut,
// too long, with a wrong CRC, or plain console text. Reading goes on with
// the next packet.
var ErrDamaged = errors.New("damaged packet")

const crcSize = 4

// crc32c is CRC-32C (Castagnoli), RFC 3720 appendix B.4. MakeTable returns
// the library's own table for this polynomial, so nothing is computed here.
func crc32c(b []byte) uint32 { return crc32.Checksum(b, crc32.MakeTable(crc32.Castagnoli)) }

// AppendPacket appends payload as it goes over the line to dst: 0x00, the
// byte stuffing of payload and its CRC-32C (least significant byte first),
// 0x00.
func AppendPacket(dst, payload []byte) []byte {
	whole := make([]byte, 0, len(payload)+crcSize)
	whole = append(whole, payload...)
	whole = binary.LittleEndian.AppendUint32(whole, crc32c(payload))
	dst = append(dst, 0)
	dst = appendCOBS(dst, whole)
	return append(dst, 0)
}

// stuffedSize is the largest number of bytes between the delimiters of a
// packet with a payload of n bytes.
func stuffedSize(n int) int {
	n += crcSize
	return n + n/254 + 2
}

// Scanner finds packets in a stream of bytes. It holds at most one packet of
// the size it was made for.
type Scanner struct {
	r    io.Reader
	max  int // of a payload
	read [1024]byte
	rest []byte // of read, not looked at yet
	held []byte // stuffed bytes since the last delimiter
	long bool   // more of them came than a packet has: wait for the delimiter
	sync bool   // a delimiter has been seen
	out  []byte
}

// NewScanner returns a scanner of packets whose payload is at most
// maxPayload bytes.
func NewScanner(r io.Reader, maxPayload int) *Scanner {
	return &Scanner{r: r, max: maxPayload}
}

// Next returns the payload of the next whole packet; it is valid until the
// following call. ErrDamaged reports bytes thrown away between two
// delimiters; call again. Any other error comes from the reader: what was
// read so far is kept, so that a call after a deadline goes on where it was.
// Bytes before the first delimiter are dropped without a word: they are
// console text, or the end of a packet whose beginning nobody heard.
func (s *Scanner) Next() ([]byte, error) {
	for {
		for len(s.rest) > 0 {
			b := s.rest[0]
			s.rest = s.rest[1:]
			if b != 0 {
				s.take(b)
			} else if payload, err := s.close(); payload != nil || err != nil {
				return payload, err
			}
		}
		n, err := s.r.Read(s.read[:])
		s.rest = s.read[:n]
		if n == 0 && err != nil {
			return nil, err
		}
	}
}

// Reset forgets everything held, as after the line was opened anew.
func (s *Scanner) Reset() {
	s.rest, s.held, s.long, s.sync = nil, s.held[:0], false, false
}

// take holds one stuffed byte, or notes that there were too many.
func (s *Scanner) take(b byte) {
	switch {
	case !s.sync:
	case len(s.held) < stuffedSize(s.max):
		s.held = append(s.held, b)
	default:
		s.long = true
	}
}

// close is called at a delimiter. It returns nil, nil for an empty gap.
func (s *Scanner) close() ([]byte, error) {
	held, long, first := s.held, s.long, !s.sync
	s.held, s.long, s.sync = s.held[:0], false, true
	if first || len(held) == 0 && !long {
		return nil, nil
	}
	if long {
		return nil, ErrDamaged
	}
	var ok bool
	s.out, ok = appendUnCOBS(s.out[:0], held)
	n := len(s.out) - crcSize
	if !ok || n < 1 || n > s.max || crc32c(s.out[:n]) != binary.LittleEndian.Uint32(s.out[n:]) {
		return nil, ErrDamaged
	}
	return s.out[:n], nil
}
