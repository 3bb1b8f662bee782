package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"example.org/panecal/store/record"
)

// segmentCheck checks one segment by itself.
type segmentCheck struct {
	checker    *checker
	kind       segmentKind
	number     uint32
	last       bool  // of its kind
	markEnd    int64 // how much of it is acknowledged, 0 for not said
	behindMark bool  // nothing of it is
	bare       bool  // without what is derived of it, and the captures that it names

	report Report // of this segment alone

	// Of the journal:
	first         record.Ref // record
	firstPrevious record.Hash
	firstAt       int64
	atMark        record.Hash    // of the record that the head file names
	heard         []record.Entry // testimonies of units, and statements
	refs          []record.Ref
	began         header         // of the segment
	removed       []record.Entry // removals of captures
	starts        []uint64       // sequences of records with which a run of the station began
	later         int            // records that hold what this program does not know
	outdated      int            // derived files of another program
	recent        *recent        // the index, as the records make it; nil if nobody asks for it
	rows          []Row          // of the attempts, likewise
	changes       []change       // of disposition
	wantRows      bool
	filed         map[*checkedIndex]int // entries, for each file of the index
	wrong         map[*checkedIndex]string
}

func (s *segmentCheck) name() string { return s.kind.name(s.number) }

func (s *segmentCheck) problem(file string, offset int64, what string) {
	s.badRecord(file, 0, offset, what)
}

// badRecord files damage that shows in a record.
func (s *segmentCheck) badRecord(file string, sequence uint64, offset int64, what string) {
	s.report.Problems = append(s.report.Problems, Problem{Damaged, sequence, DamageError{file, offset, what}})
}

func (s *segmentCheck) take(err error) error {
	if d := (*DamageError)(nil); errors.As(err, &d) {
		s.report.Problems = append(s.report.Problems, Problem{Damaged, 0, *d})
		return nil
	}
	return err
}

func (s *segmentCheck) check() error {
	c, name := s.checker, s.name()
	f, err := openSegment(c.disk, c.dir, s.kind, s.number)
	if errors.Is(err, os.ErrNotExist) {
		s.problem(name, -1, segmentMissing)
		return nil
	}
	if errors.Is(err, ErrDamaged) {
		// Its records may be whole all the same: look behind the header.
		if err := s.take(err); err != nil {
			return err
		}
		plain, err := c.disk.Open(filepath.Join(c.dir, name))
		if err != nil {
			return err
		}
		f = &segment{file: plain, name: name, start: int64(len(s.kind.magic()))}
	} else if err != nil {
		return err
	} else if h := f.header; h.Store != c.store || h.Station != c.report.Station {
		s.problem(name, 0, "the segment belongs to another store")
	}
	defer f.Close()
	s.report.Segments++
	size, err := f.Size()
	if err != nil {
		return err
	}
	s.report.Bytes += size
	end, sure := size, false
	if next, err := openSegment(c.disk, c.dir, s.kind, s.number+1); err == nil {
		sure = true
		if end = next.header.PrevEnd; end > size {
			s.problem(name, size, fmt.Sprintf("the file was cut: the next segment says it ends at %d", end))
			end = size
		}
		if err := next.Close(); err != nil {
			return err
		}
	} else if !errors.Is(err, os.ErrNotExist) && !errors.Is(err, ErrDamaged) {
		return err
	}
	if size < s.markEnd {
		s.problem(name, size, fmt.Sprintf("the file was cut: %d bytes were acknowledged", s.markEnd))
	}
	promised := end // what ends before it must be whole
	switch {
	case sure:
	case s.markEnd > 0:
		promised = s.markEnd
	case s.last && s.behindMark:
		promised = 0
	}
	each := func(int64, int64, []byte) error { s.report.Captures++; return nil }
	if s.kind == journalKind {
		s.began = f.header
		if !s.bare {
			s.prepare(f, sure)
		}
		each = s.record
		f = &segment{file: &window{file: f.file}, name: f.name, header: f.header, start: f.start}
	}
	if err := s.frames(f, end, promised, each); err != nil {
		return err
	}
	if s.kind == journalKind && !s.bare {
		return s.derived()
	}
	return nil
}

// window is a file that is read from its beginning to its end, in pieces larger
// than what is asked for.
type window struct {
	file
	at int64 // where the piece begins
	b  []byte
}

const windowSize = 256 << 10

func (w *window) ReadAt(b []byte, at int64) (int, error) {
	if len(b) > windowSize {
		return w.file.ReadAt(b, at)
	}
	if at < w.at || at+int64(len(b)) > w.at+int64(len(w.b)) {
		if w.b == nil {
			w.b = make([]byte, windowSize)
		}
		n, err := w.file.ReadAt(w.b[:windowSize], at)
		if w.at, w.b = at, w.b[:n]; err != nil && !errors.Is(err, io.EOF) {
			return 0, err
		}
	}
	return bytesAt(w.b).ReadAt(b, at-w.at)
}

// frames reads the frames of a segment up to end and gives each with the offsets
// where it begins and ends. Behind damage it looks for the next whole frame, so
// that all that can still be read is.
func (s *segmentCheck) frames(f *segment, end, promised int64, each func(at, after int64, content []byte) error) error {
	at := f.start
	if f.header.Number == 0 { // the header was damaged
		next, found, err := findFrame(f, at, end)
		if err != nil || !found {
			return err
		}
		at = next
	}
	for at < end {
		content, next, err := readFrame(f, at, end)
		if err == nil {
			if err := each(at, next, content); err != nil {
				return err
			}
			at = next
			continue
		}
		if !noFrame(err) {
			return err
		}
		next, found, ferr := findFrame(f, at+1, end)
		switch {
		case ferr != nil:
			return ferr
		case found || at < promised:
			s.problem(f.name, at, err.Error())
		default:
			s.report.Notes = append(s.report.Notes, fmt.Sprintf("%s ends with %d bytes of a frame that was never acknowledged", f.name, end-at))
		}
		if !found {
			return nil
		}
		at = next
	}
	return nil
}

// findFrame looks for the next whole frame from offset on.
func findFrame(r io.ReaderAt, offset, end int64) (int64, bool, error) {
	const window = 64 << 10
	b := make([]byte, window+frameHead)
	for ; offset+frameHead <= end; offset += window {
		n, err := r.ReadAt(b[:min(int64(len(b)), end-offset)], offset)
		if err != nil && !errors.Is(err, io.EOF) {
			return 0, false, err
		}
		for i := 0; i+frameHead <= n && i < window; i++ {
			if little.Uint32(b[i+8:]) != crc(b[i:i+8]) {
				continue
			}
			if _, _, err := readFrame(r, offset+int64(i), end); err == nil {
				return offset + int64(i), true, nil
			}
		}
	}
	return 0, false, nil
}

// record proves one record of the journal, in a frame from at to after.
func (s *segmentCheck) record(at, after int64, content []byte) error {
	c, name := s.checker, s.name()
	content, err := unpackRecord(content)
	if err != nil {
		s.problem(name, at, err.Error())
		return nil
	}
	k, err := record.Skim(content)
	later := k.Later
	var e record.Entry
	if err == nil && (c.options.Deep || s.wantRows && (k.Kind == record.KindAttempt || k.Kind == record.KindDispositionChange)) {
		e, err = record.Decode(content)
		later = later || e.Later
	}
	if err != nil {
		// A header that findFrame met behind damage is no record.
		s.problem(name, at, err.Error())
		return nil
	}
	if later {
		s.later++
	}
	if k.Ref.Station != c.report.Station {
		s.badRecord(name, k.Ref.Sequence, at, fmt.Sprintf("record %d is of station %q", k.Ref.Sequence, k.Ref.Station))
	}
	if s.report.Records == 0 {
		s.first, s.firstPrevious, s.firstAt = k.Ref, k.Previous, at
	} else if what := follows(k.Ref, k.Previous, s.report.Head.Sequence, s.report.Head.Hash); what != "" {
		s.badRecord(name, k.Ref.Sequence, at, what)
	}
	s.report.Records++
	s.report.Head = k.Ref
	s.refs = append(s.refs, k.Ref)
	if k.Kind == record.KindStart {
		s.starts = append(s.starts, k.Ref.Sequence)
	}
	if k.Ref.Sequence == c.mark.Sequence && k.Ref.Generation == c.mark.Generation {
		s.atMark = k.Ref.Hash
	}
	if s.recent != nil {
		s.recent.add(&k, position{Segment: s.number, Generation: k.Ref.Generation, Last: at, Offset: after, Sequence: k.Ref.Sequence, Hash: k.Ref.Hash})
	}
	s.hear(&k, e, content)
	switch b := e.Body.(type) {
	case *record.DispositionChange:
		s.changes = append(s.changes, changeOf(e, b))
	case *record.Attempt:
		row, err := rowOf(e, b)
		if err != nil {
			return err
		}
		s.rows = append(s.rows, row)
	}
	if s.bare {
		return nil
	}
	return s.captures(&k)
}

// captures proves the captures that a record names.
func (s *segmentCheck) captures(k *record.Skimmed) error {
	c := s.checker
	for _, ref := range k.Captures {
		_, err := readCapture(c.disk, c.dir, ref)
		if errors.Is(err, os.ErrNotExist) {
			err = &DamageError{File: captureKind.name(ref.Segment), Offset: ref.Offset, What: segmentMissing}
		}
		if d := (*DamageError)(nil); errors.As(err, &d) {
			s.badRecord(d.File, k.Ref.Sequence, d.Offset, fmt.Sprintf("capture %q of record %d: %s", ref.Name, k.Ref.Sequence, d.What))
		} else if err != nil {
			return err
		}
	}
	return nil
}
