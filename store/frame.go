package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
)

// frameHead is the length of a frame's own fields: length of the content,
// CRC-32C of the content, CRC-32C of those eight bytes.
const frameHead = 12

// maxFrame bounds the content of a frame: a capture at its largest.
const maxFrame = 33 << 20

// errShort is a frame that the file ends before; errBroken is one whose
// checks fail.
var (
	errShort  = errors.New("the file ends inside a frame")
	errBroken = errors.New("the check of a frame fails")
)

func crc(parts ...[]byte) uint32 {
	table := crc32.MakeTable(crc32.Castagnoli)
	sum := uint32(0)
	for _, p := range parts {
		sum = crc32.Update(sum, table, p)
	}
	return sum
}

// appendFrame appends content as one frame to b.
func appendFrame(b, content []byte) []byte {
	at := len(b)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(content)))
	b = binary.LittleEndian.AppendUint32(b, crc(content))
	b = binary.LittleEndian.AppendUint32(b, crc(b[at:at+8]))
	return append(b, content...)
}

// readFrame reads the frame at offset of a file of the given size and returns
// its content and the offset after it: io.EOF at the end of the file, errShort
// or errBroken where there is no whole frame, other errors from the disk.
func readFrame(r io.ReaderAt, offset, size int64) ([]byte, int64, error) {
	if offset == size {
		return nil, offset, io.EOF
	}
	if size-offset < frameHead {
		return nil, offset, errShort
	}
	var h [frameHead]byte
	if _, err := r.ReadAt(h[:], offset); err != nil {
		return nil, offset, short(err)
	}
	if binary.LittleEndian.Uint32(h[8:]) != crc(h[:8]) {
		return nil, offset, fmt.Errorf("%w: its length cannot be trusted", errBroken)
	}
	n := int64(binary.LittleEndian.Uint32(h[:]))
	if n > maxFrame {
		return nil, offset, fmt.Errorf("%w: length %d", errBroken, n)
	}
	if size-offset-frameHead < n {
		return nil, offset, errShort
	}
	content := make([]byte, n)
	if _, err := r.ReadAt(content, offset+frameHead); err != nil && !(errors.Is(err, io.EOF) && n == 0) {
		return nil, offset, short(err)
	}
	if binary.LittleEndian.Uint32(h[4:]) != crc(content) {
		return nil, offset, fmt.Errorf("%w: its content is not what was written", errBroken)
	}
	return content, offset + frameHead + n, nil
}

// cutFrame returns the content of the frame that b begins with, as a part of b,
// and what follows it: errShort or errBroken where there is no whole frame.
func cutFrame(b []byte) (content, rest []byte, err error) {
	if len(b) < frameHead {
		return nil, b, errShort
	}
	if binary.LittleEndian.Uint32(b[8:]) != crc(b[:8]) {
		return nil, b, errBroken
	}
	n := binary.LittleEndian.Uint32(b)
	if uint64(n) > uint64(len(b)-frameHead) {
		return nil, b, errShort
	}
	content, rest = b[frameHead:frameHead+n], b[frameHead+n:]
	if binary.LittleEndian.Uint32(b[4:]) != crc(content) {
		return nil, b, errBroken
	}
	return content, rest, nil
}

// noFrame says whether err is about what stands there, and not about reading it.
func noFrame(err error) bool {
	return errors.Is(err, io.EOF) || errors.Is(err, errShort) || errors.Is(err, errBroken)
}

// short turns the end of a file that shrank under the reader into errShort.
func short(err error) error {
	if errors.Is(err, io.EOF) {
		return errShort
	}
	return err
}
