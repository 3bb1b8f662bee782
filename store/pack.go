package store

import (
	"encoding/binary"
	"errors"

	"github.com/klauspost/compress/zstd"

	"example.org/panecal/store/record"
)

// A frame of the journal holds a record as it is, or packed: one byte, and zstd
// of the record with the numbers of double precision taken out and set apart
// byte by byte, all first bytes first. Their signs and exponents are much alike
// and their last bytes are noise: so the one does not stand in the way of the
// other. A record begins with the head of a map, so that the first byte tells.
// Its hash is of its own bytes, however it is kept.
const packed byte = 1

// maxPacking bounds how much longer than the record its packed form may be.
const maxPacking = 64

// errPacking says that a packed record is not one.
var errPacking = errors.New("a packed record cannot be unpacked")

// coders pack and unpack; both may be used by several goroutines.
type coders struct {
	enc *zstd.Encoder
	dec *zstd.Decoder
}

// squeeze is made with the program and used once, so that what the coders hold
// belongs to no goroutine that happens to come first: a test in virtual time
// must not own what another test uses. That takes a fraction of a millisecond.
var squeeze = newCoders()

func newCoders() coders {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(1<<18), zstd.WithLowerEncoderMem(true))
	if err != nil {
		panic(err) // fixed options
	}
	// What is packed is a little longer than the record itself.
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(record.MaxSize+maxPacking), zstd.WithDecoderLowmem(true))
	if err != nil {
		panic(err)
	}
	enc.EncodeAll([]byte{0}, nil)
	return coders{enc, dec}
}

// pack returns the form of a record in a segment.
func pack(data []byte) []byte {
	if apart, ok := setApart(data); ok {
		out := squeeze.enc.EncodeAll(apart, []byte{packed})
		// Nothing is written that does not come back.
		if back, err := unpackRecord(out); err == nil && string(back) == string(data) && len(out) < len(data) {
			return out
		}
	}
	return data
}

// unpackRecord undoes pack, in bounded memory.
func unpackRecord(content []byte) ([]byte, error) {
	if len(content) == 0 || content[0] != packed {
		return content, nil
	}
	apart, err := squeeze.dec.DecodeAll(content[1:], nil)
	if err != nil {
		return nil, errPacking
	}
	return putTogether(apart)
}

// packedLength returns how many bytes from the start of b are a packed record,
// as zstd's own blocks have it (RFC 8878, section 3.1.1), for a place where no
// frame says so.
func packedLength(b []byte) (int, bool) {
	const blockHead, lastBlock, repeated = 3, 1, 1
	var h zstd.Header
	if len(b) < 5 || b[0] != packed || string(b[1:5]) != "\x28\xb5\x2f\xfd" || h.Decode(b[1:]) != nil || h.Skippable || !h.HasCheckSum {
		return 0, false
	}
	at := 1 + h.HeaderSize
	for {
		if at+blockHead > len(b) {
			return 0, false
		}
		head := int(b[at]) | int(b[at+1])<<8 | int(b[at+2])<<16
		size := head >> 3
		if head>>1&3 == repeated {
			size = 1
		}
		at += blockHead + size
		if head&lastBlock != 0 {
			break
		}
	}
	at += 4 // the check
	return at, at <= len(b)
}

// double is the head of a number of double precision in CBOR.
const double = 0xfb

// cborHead returns the length of an item's head and of the text or bytes that
// follow it.
func cborHead(b []byte) (head int, content uint64, ok bool) {
	if len(b) == 0 {
		return 0, 0, false
	}
	major, info := b[0]>>5, b[0]&31
	head, n := 1, uint64(info)
	if info >= 24 {
		if info > 27 {
			return 0, 0, false
		}
		head += 1 << (info - 24)
		if len(b) < head {
			return 0, 0, false
		}
		n = 0
		for _, c := range b[1:head] {
			n = n<<8 | uint64(c)
		}
	}
	if major == 2 || major == 3 {
		content = n
	}
	return head, content, true
}

// setApart returns how many doubles data has, the rest of it, and their bytes.
func setApart(data []byte) ([]byte, bool) {
	rest := make([]byte, 0, len(data))
	var doubles []byte
	for b := data; len(b) > 0; {
		if b[0] == double {
			if len(b) < 9 {
				return nil, false
			}
			rest, doubles, b = append(rest, double), append(doubles, b[1:9]...), b[9:]
			continue
		}
		head, content, ok := cborHead(b)
		if !ok || content > uint64(len(b)-head) {
			return nil, false
		}
		n := head + int(content)
		rest, b = append(rest, b[:n]...), b[n:]
	}
	count := len(doubles) / 8
	out := binary.AppendUvarint(make([]byte, 0, len(data)+binary.MaxVarintLen64), uint64(count))
	out = append(out, rest...)
	for k := range 8 {
		for i := range count {
			out = append(out, doubles[8*i+k])
		}
	}
	return out, true
}

// putTogether undoes setApart.
func putTogether(apart []byte) ([]byte, error) {
	count, n := binary.Uvarint(apart)
	if n <= 0 || count > uint64(len(apart)-n)/8 {
		return nil, errPacking
	}
	rest, doubles := apart[n:len(apart)-8*int(count)], apart[len(apart)-8*int(count):]
	out := make([]byte, 0, len(apart))
	next, all := 0, int(count)
	for len(rest) > 0 {
		if rest[0] == double {
			if next == all {
				return nil, errPacking
			}
			d := doubles[next:]
			out = append(out, double, d[0], d[all], d[2*all], d[3*all], d[4*all], d[5*all], d[6*all], d[7*all])
			rest = rest[1:]
			next++
			continue
		}
		head, content, ok := cborHead(rest)
		if !ok || content > uint64(len(rest)-head) {
			return nil, errPacking
		}
		n := head + int(content)
		out, rest = append(out, rest[:n]...), rest[n:]
	}
	if next != int(count) {
		return nil, errPacking
	}
	return out, nil
}
