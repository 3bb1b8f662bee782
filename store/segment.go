package store

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"example.org/panecal/store/record"
)

// A segmentKind is "journal" or "capture".
type segmentKind string

const (
	journalKind segmentKind = "journal"
	captureKind segmentKind = "capture"
)

func (k segmentKind) magic() string {
	if k == journalKind {
		return "PANECALJ"
	}
	return "PANECALC"
}

func (k segmentKind) name(number uint32) string { return fmt.Sprintf("%s-%08d.seg", k, number) }

// segmentFormat is what segments are written as. Format 2 of a journal may hold
// packed records; a program that knows the first only says that it is too old.
func segmentFormat(k segmentKind) int {
	if k == journalKind {
		return 2
	}
	return 1
}

// maxSegment is the size at which a segment is followed by another: small
// enough to be read through at a start, and in memory at once when its columns
// are made.
const maxSegment = 8 << 20

// header is the first frame of a segment.
type header struct {
	Format     int         `json:"format"`
	Kind       segmentKind `json:"kind"`
	Store      record.Hash `json:"store"` // identity of the store, random
	Station    string      `json:"station"`
	Generation uint32      `json:"generation"`
	Number     uint32      `json:"number"`   // 1 is the first of its kind
	Sequence   uint64      `json:"sequence"` // last record before, 0 for none
	Hash       record.Hash `json:"hash"`     // of that record
	PrevEnd    int64       `json:"prev_end"` // where segment Number-1 ends
	Created    time.Time   `json:"created"`
	Simulated  bool        `json:"simulated,omitempty"` // see Build
	// Derived are digests (SHA-256) of derived files, by name, that were made
	// since the segment before began. A check takes a file as proven that is what
	// the last segment says which names it.
	Derived map[string]record.Hash `json:"derived,omitempty"`
}

// segments returns the numbers of the segments of kind k in dir, ascending.
func segments(d disk, dir string, k segmentKind) ([]uint32, error) {
	names, err := d.List(dir)
	if err != nil {
		return nil, err
	}
	var numbers []uint32
	for _, n := range names {
		digits, ok := strings.CutPrefix(n, string(k)+"-")
		if digits, ok2 := strings.CutSuffix(digits, ".seg"); ok && ok2 {
			if v, err := strconv.ParseUint(digits, 10, 32); err == nil && k.name(uint32(v)) == n {
				numbers = append(numbers, uint32(v))
			}
		}
	}
	return numbers, nil
}

// segment is one segment open for reading.
type segment struct {
	file
	name   string
	header header
	start  int64 // of the first frame after the header
}

// openSegment opens a segment and reads its header.
func openSegment(d disk, dir string, k segmentKind, number uint32) (*segment, error) {
	name := k.name(number)
	f, err := d.Open(filepath.Join(dir, name))
	if err != nil {
		return nil, err
	}
	s := &segment{file: f, name: name}
	if err := s.readHeader(k, number); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return s, nil
}

func (s *segment) readHeader(k segmentKind, number uint32) error {
	damaged := func(offset int64, what string) error {
		return &DamageError{File: s.name, Offset: offset, What: what}
	}
	size, err := s.Size()
	if err != nil {
		return err
	}
	magic := k.magic()
	first := make([]byte, min(size, pageSize)) // all of it, but for a header with many digests
	if len(first) < len(magic) {
		return damaged(0, "the file ends before its header")
	}
	if _, err := s.ReadAt(first, 0); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if string(first[:len(magic)]) != magic {
		return damaged(0, "not a segment of this kind")
	}
	content, next, err := readFrame(bytesAt(first), int64(len(magic)), int64(len(first)))
	if errors.Is(err, errShort) && size > int64(len(first)) {
		content, next, err = readFrame(s, int64(len(magic)), size)
	}
	if noFrame(err) {
		return damaged(int64(len(magic)), "header: "+err.Error())
	}
	if err != nil {
		return err
	}
	if err := json.Unmarshal(content, &s.header); err != nil {
		return damaged(int64(len(magic)), "header: "+err.Error())
	}
	h := s.header
	switch {
	case h.Format > segmentFormat(k):
		return fmt.Errorf("%s: format %d is of a later program", s.name, h.Format)
	case h.Format < 1 || h.Kind != k || h.Number != number:
		return damaged(int64(len(magic)), fmt.Sprintf("header says %s %d", h.Kind, h.Number))
	}
	s.start = next
	return nil
}

// createSegment makes a segment and returns it open for writing, with the
// offset where its frames begin. It is made by temporary file and rename, so
// a segment that can be seen has its header. The segment exists if made is
// true, error or not.
func createSegment(d disk, dir string, h header) (f file, end int64, made bool, err error) {
	h.Format = segmentFormat(h.Kind)
	content, err := json.Marshal(h)
	if err != nil {
		return nil, 0, false, err
	}
	b := appendFrame([]byte(h.Kind.magic()), content)
	path := filepath.Join(dir, h.Kind.name(h.Number))
	if err := replaceUnsynced(d, path, b); err != nil {
		return nil, 0, false, err
	}
	// A name that may not be durable counts as not made: the next try replaces
	// it, which loses nothing, while a segment with a number above it could
	// outlive it and leave a gap.
	if err := d.SyncDir(dir); err != nil {
		return nil, 0, false, err
	}
	f, err = d.Update(path)
	return f, int64(len(b)), true, err
}
