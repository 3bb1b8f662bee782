package store

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"

	"example.org/panecal/store/record"
)

// errConflict says that a reader has followed frames that the log does not
// own to: their writing failed, and the next segment begins before them.
var errConflict = errors.New("the log went another way")

// position says how far a log was followed.
type position struct {
	Store      record.Hash
	Station    string
	Generation uint32
	Segment    uint32 // of the journal; 0: nothing read yet
	Offset     int64  // where the next frame begins
	Last       int64  // where the last record's frame begins, 0 for none in Segment
	Sequence   uint64
	Hash       record.Hash
	Newest     int // latest schema version of any record
}

func (p position) ref() record.Ref {
	if p.Sequence == 0 {
		return record.Ref{}
	}
	return record.Ref{Station: p.Station, Generation: p.Generation, Sequence: p.Sequence, Hash: p.Hash}
}

// location is where a record's frame stands in the journal.
type location struct {
	segment        uint32
	offset, length int64 // of the frame, byte
}

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
		return &DamageError{File: journalKind.name(number), Offset: -1, What: segmentMissing}
	}
	if err != nil {
		return err
	}
	w.seg = s
	h := s.header
	if w.pos.Segment == 0 {
		w.pos = position{Store: h.Store, Station: h.Station, Generation: h.Generation, Segment: 1, Offset: s.start, Sequence: h.Sequence, Hash: h.Hash}
		return nil
	}
	if h.Store != w.pos.Store || w.pos.Offset < s.start {
		return errConflict
	}
	return w.proveLast()
}

// proveLast proves that the record that was read last is still there, and that
// a segment of which nothing was read follows it.
func (w *walk) proveLast() error {
	if w.pos.Last == 0 {
		if h := w.seg.header; w.pos.Offset == w.seg.start && (h.Sequence != w.pos.Sequence || h.Hash != w.pos.Hash) {
			return errConflict
		}
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
			return &DamageError{File: journalKind.name(w.pos.Segment + 1), Offset: -1, What: segmentMissing}
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
	var e record.Entry
	data, after, err := w.frame()
	for errors.Is(err, errStepped) {
		data, after, err = w.frame()
	}
	if err == nil {
		if e, err = record.Decode(data); err != nil {
			err = w.damaged(err.Error())
		} else {
			err = w.take(e.Ref, e.Previous, after)
		}
	}
	if err != nil {
		return record.Entry{}, nil, err
	}
	return e, data, nil
}

// skim returns what the next record says of itself, with its bytes, and
// errStepped where a segment begins.
func (w *walk) skim() (record.Skimmed, []byte, error) {
	data, after, err := w.frame()
	if err != nil {
		return record.Skimmed{}, nil, err
	}
	s, err := record.Skim(data)
	if err != nil {
		return s, nil, w.damaged(err.Error())
	}
	return s, data, w.take(s.Ref, s.Previous, after)
}

// errStepped says that a walk has come to the next segment.
var errStepped = errors.New("the next segment begins")

// frame returns the bytes of the next record and where its frame ends:
// errStepped where the walk has come to the next segment, io.EOF where the log
// ends.
func (w *walk) frame() ([]byte, int64, error) {
	fail := func(err error) ([]byte, int64, error) { return nil, 0, err }
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
			return fail(cmp.Or(w.step(), errStepped))
		}
		if w.pos.Offset > end {
			return fail(errConflict)
		}
		content, after, err := readFrame(w.seg, w.pos.Offset, end)
		if err == nil {
			if content, err = unpackRecord(content); err != nil {
				return fail(w.damaged(err.Error()))
			}
			return content, after, nil
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

// take proves that a record is the one that must come next, and passes it.
func (w *walk) take(ref record.Ref, previous record.Hash, after int64) error {
	p := w.pos
	switch {
	case ref.Station != p.Station || ref.Generation != p.Generation:
		return w.damaged("a record of another station or generation")
	case ref.Sequence != p.Sequence+1:
		return w.damaged(fmt.Sprintf("record %d where %d should be", ref.Sequence, p.Sequence+1))
	case previous != p.Hash:
		return w.damaged(fmt.Sprintf("record %d does not follow from the one before", ref.Sequence))
	}
	w.pos.Last, w.pos.Offset = p.Offset, after
	w.pos.Sequence, w.pos.Hash = ref.Sequence, ref.Hash
	return nil
}
