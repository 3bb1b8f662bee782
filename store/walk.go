package store

import (
	"errors"
	"fmt"
	"io"
	"os"

	"example.org/panecal/store/record"
)

// errConflict says that a reader has followed frames that the log does not
// own to: their writing failed, and the next segment begins before them.
var errConflict = errors.New("the log went another way")

// walk follows the journal, record after record, over all segments.
type walk struct {
	disk disk
	dir  string
	pos  position
	// promised is what the head file said before the walk began: what ends
	// before it is damage, what ends after it may be a record that is still
	// being written. The zero mark promises nothing.
	promised mark
	// limit stops a walk in the store's own process at what is acknowledged,
	// by segment and end. A zero segment does not.
	limit struct {
		segment uint32
		end     int64
	}
	tail int64 // bytes after the last whole frame, known after io.EOF

	seg, next *segment
}

func (w *walk) close() error {
	var err error
	for _, s := range []*segment{w.seg, w.next} {
		if s != nil {
			err = errors.Join(err, s.Close())
		}
	}
	w.seg, w.next = nil, nil
	return err
}

func (w *walk) damaged(what string) error {
	return &DamageError{File: journalKind.name(w.pos.Segment), Offset: w.pos.Offset, What: what}
}

// open opens the segment that the walk stands in, the first if it has not
// begun.
func (w *walk) open() error {
	number := max(1, w.pos.Segment)
	s, err := openSegment(w.disk, w.dir, journalKind, number)
	if errors.Is(err, os.ErrNotExist) {
		return &DamageError{File: journalKind.name(number), Offset: -1, What: "the segment is missing"}
	}
	if err != nil {
		return err
	}
	w.seg = s
	h := s.header
	if w.pos.Segment == 0 {
		w.pos = position{Format: positionFormat, Store: h.Store, Station: h.Station, Generation: h.Generation, Segment: 1, Offset: s.start, Sequence: h.Sequence, Hash: h.Hash}
		return nil
	}
	if h.Store != w.pos.Store || w.pos.Offset < s.start {
		return errConflict
	}
	return w.proveLast()
}

// proveLast proves that the record that was read last is still there.
func (w *walk) proveLast() error {
	if w.pos.Last == 0 {
		return nil
	}
	content, next, err := readFrame(w.seg, w.pos.Last, w.pos.Offset)
	if err != nil && !noFrame(err) {
		return err
	}
	if err == nil {
		content, err = unpackRecord(content)
	}
	if err != nil || next != w.pos.Offset || record.HashOf(content) != w.pos.Hash {
		return errConflict
	}
	return nil
}

// findNext looks whether another segment follows.
func (w *walk) findNext() error {
	if w.next != nil {
		return nil
	}
	s, err := openSegment(w.disk, w.dir, journalKind, w.pos.Segment+1)
	if errors.Is(err, os.ErrNotExist) {
		if w.promised.Journal > w.pos.Segment {
			return &DamageError{File: journalKind.name(w.pos.Segment + 1), Offset: -1, What: "the segment is missing"}
		}
		return nil
	}
	if err != nil {
		return err
	}
	w.next = s
	return nil
}

// step moves to the segment that follows.
func (w *walk) step() error {
	h := w.next.header
	if h.Store != w.pos.Store || h.Station != w.pos.Station || h.Generation < w.pos.Generation || h.Sequence != w.pos.Sequence || h.Hash != w.pos.Hash {
		return &DamageError{File: w.next.name, Offset: 0, What: fmt.Sprintf("does not follow record %d", w.pos.Sequence)}
	}
	err := w.seg.Close()
	w.seg, w.next = w.next, nil
	w.pos.Segment, w.pos.Offset, w.pos.Last, w.pos.Generation = h.Number, w.seg.start, 0, h.Generation
	return err
}

// record returns the next record with its bytes: io.EOF where the log ends,
// errConflict, a DamageError, or an error of the disk.
func (w *walk) record() (record.Entry, []byte, error) {
	fail := func(err error) (record.Entry, []byte, error) { return record.Entry{}, nil, err }
	if w.seg == nil {
		if err := w.open(); err != nil {
			return fail(err)
		}
	}
	for {
		if l := w.limit; l.segment != 0 && (w.pos.Segment > l.segment || w.pos.Segment == l.segment && w.pos.Offset >= l.end) {
			return fail(io.EOF)
		}
		if err := w.findNext(); err != nil {
			return fail(err)
		}
		end, err := w.seg.Size()
		if err != nil {
			return fail(err)
		}
		if w.next != nil {
			if w.next.header.PrevEnd > end {
				return fail(&DamageError{File: w.seg.name, Offset: end, What: "the file was cut"})
			}
			end = w.next.header.PrevEnd
		}
		if w.next != nil && w.pos.Offset == end {
			if err := w.step(); err != nil {
				return fail(err)
			}
			continue
		}
		if w.pos.Offset > end {
			return fail(errConflict)
		}
		content, after, err := readFrame(w.seg, w.pos.Offset, end)
		if err == nil {
			return w.take(content, after)
		}
		if !noFrame(err) {
			return fail(err)
		}
		// No whole frame here. If a segment began meanwhile this one is
		// complete now: look again.
		known := w.next
		if err := w.findNext(); err != nil {
			return fail(err)
		}
		if known == nil && w.next != nil {
			continue
		}
		p := w.promised
		if w.next != nil || p.Journal == w.pos.Segment && w.pos.Offset < p.JournalEnd {
			return fail(w.damaged(err.Error()))
		}
		w.tail = end - w.pos.Offset
		return fail(io.EOF)
	}
}

// take proves that content is the record that must come next.
func (w *walk) take(content []byte, after int64) (record.Entry, []byte, error) {
	content, err := unpackRecord(content)
	if err != nil {
		return record.Entry{}, nil, w.damaged(err.Error())
	}
	e, err := record.Decode(content)
	if err != nil {
		return record.Entry{}, nil, w.damaged(err.Error())
	}
	p := w.pos
	switch {
	case e.Ref.Station != p.Station || e.Ref.Generation != p.Generation:
		err = w.damaged("a record of another station or generation")
	case e.Ref.Sequence != p.Sequence+1:
		err = w.damaged(fmt.Sprintf("record %d where %d should be", e.Ref.Sequence, p.Sequence+1))
	case e.Previous != p.Hash:
		err = w.damaged(fmt.Sprintf("record %d does not follow from the one before", e.Ref.Sequence))
	}
	if err != nil {
		return record.Entry{}, nil, err
	}
	w.pos.Last, w.pos.Offset = p.Offset, after
	w.pos.Sequence, w.pos.Hash = e.Ref.Sequence, e.Ref.Hash
	return e, content, nil
}
