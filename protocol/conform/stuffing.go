package conform

import (
	"encoding/binary"
	"hash/crc32"
)

// stuff is the byte stuffing of SPEC.md 3.1.3, by blocks.
func stuff(b []byte) []byte {
	var out []byte
	for {
		n := 0
		for n < len(b) && n < 254 && b[n] != 0 {
			n++
		}
		out = append(append(out, byte(n+1)), b[:n]...)
		switch {
		case n == len(b): // the assumed zero
			return out
		case n < 254:
			n++ // the zero itself
		}
		b = b[n:]
	}
}

// unstuff takes bytes between two delimiters apart; ok is false for what no
// sender writes.
func unstuff(b []byte) (out []byte, ok bool) {
	for len(b) > 0 {
		n := int(b[0])
		if n > len(b) {
			return nil, false
		}
		out = append(out, b[1:n]...)
		b = b[n:]
		if n < 255 && len(b) > 0 {
			out = append(out, 0)
		}
	}
	return out, true
}

func checksum(b []byte) uint32 { return crc32.Checksum(b, crc32.MakeTable(crc32.Castagnoli)) }

// sealed is payload and check.
func sealed(payload []byte) []byte {
	whole := append([]byte(nil), payload...)
	return binary.LittleEndian.AppendUint32(whole, checksum(payload))
}

// framed puts delimiters around stuffed bytes.
func framed(stuffed []byte) []byte {
	return append(append([]byte{0}, stuffed...), 0)
}

// packetOf is a whole packet of a payload.
func packetOf(payload []byte) []byte { return framed(stuff(sealed(payload))) }
