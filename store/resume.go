package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"example.org/panecal/store/record"
)

// resume brings the index up to the segments, proves that they hold all
// that was acknowledged, and sets the writers behind them.
func (s *Store) resume(o Options) error {
	m, err := readMark(o.disk, s.dir)
	if errors.Is(err, os.ErrNotExist) {
		return &DamageError{File: markName, Offset: -1, What: "the file is missing"}
	}
	if err != nil {
		return err
	}
	if m.Copy {
		return ErrCopy
	}
	// First what lies behind the mark is made durable. What is derived must never
	// be ahead of the segments: a power cut now could take from them what a
	// process that died had written and not synced.
	capture, end, err := syncTail(o.disk, s.dir, m)
	if err != nil {
		return err
	}
	var p position
	err = s.index.look(func(v *view) error {
		p = v.pos
		return v.holds(m)
	})
	if err != nil {
		return err
	}
	if p.Newest > record.Version {
		return fmt.Errorf("%w: it has records of schema %d, this program writes %d", ErrNewer, p.Newest, record.Version)
	}
	if err := s.memory.ask(s.index, s.dir, p, m); err != nil {
		return err
	}
	h := header{Store: p.Store, Station: p.Station, Generation: p.Generation}
	base := writer{disk: o.disk, dir: s.dir, header: h, now: o.Now, size: o.segment, panicked: o.Panicked}
	j := &journal{writer: base, station: p.Station, generation: p.Generation, sequence: p.Sequence, hash: p.Hash}
	j.kind, j.number, j.end, j.derived = journalKind, p.Segment, p.Offset, s.digests.take
	c := base
	c.kind, c.number, c.end = captureKind, capture, end
	s.journal, s.captures = j, &c
	s.marked = m
	s.acked = mark{Schema: markSchema, Store: p.Store, Station: p.Station, Generation: p.Generation, Sequence: p.Sequence, Hash: p.Hash,
		Journal: p.Segment, JournalEnd: p.Offset, CaptureSegment: capture, CaptureEnd: end,
		Start: m.Start, StartHash: m.StartHash, StartJournal: m.StartJournal, StartEnd: m.StartEnd}
	if s.memory.folder != "" {
		s.acked.Memory, s.acked.Path, s.acked.Host = absolute(s.memory.folder), absolute(s.dir), thisHost()
	}
	s.index.limit = s.acknowledged
	if err := s.clearOut(); err != nil {
		return err
	}
	// The memory before the head file, which says that there is one.
	return errors.Join(s.memory.tell(s.acked), s.refresh())
}

// clearOut removes the derived files of earlier programs.
func (s *Store) clearOut() error {
	for name, what := range map[string]string{
		rowsName:     "columns beside each segment take its place",
		databaseName: "an index beside each segment takes its place",
	} {
		err := s.disk.Remove(filepath.Join(s.dir, name))
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		s.index.remade = append(s.index.remade, name+": of another version of the program; "+what)
	}
	return nil
}

// databaseName is the database of earlier programs, rowsName their columns. The
// first of them kept records in the database too.
const (
	databaseName = "log.db"
	rowsName     = "rows"
)

// holds says whether the log has the record that m says was acknowledged.
func (v *view) holds(m mark) error {
	if m.Store != v.pos.Store {
		return &DamageError{File: markName, Offset: -1, What: "it belongs to another store"}
	}
	if m.Sequence == 0 {
		return nil
	}
	_, err := v.record(place{m.Generation, m.Sequence}, &m.Hash)
	if errors.Is(err, ErrNotFound) {
		return &DamageError{File: journalKind.name(v.pos.Segment), Offset: v.pos.Offset,
			What: fmt.Sprintf("the log ends at record %d, but %d were acknowledged", v.pos.Sequence, m.Sequence)}
	}
	return err
}

// syncTail makes durable what the segments hold behind the mark, names and
// frames, and returns the last capture segment and where its frames end.
func syncTail(d disk, dir string, m mark) (capture uint32, end int64, err error) {
	w := walk{disk: d, dir: dir, pos: position{Store: m.Store, Station: m.Station, Generation: m.Generation,
		Segment: m.Journal, Offset: m.JournalEnd, Sequence: m.Sequence, Hash: m.Hash}}
	for err == nil {
		_, _, err = w.record()
	}
	switch err = errors.Join(err, w.close()); {
	case errors.Is(err, io.EOF):
	case errors.Is(err, errConflict):
		return 0, 0, &DamageError{File: journalKind.name(m.Journal), Offset: -1,
			What: fmt.Sprintf("the segment is of another store, or was cut: %d bytes of it were acknowledged", m.JournalEnd)}
	default:
		return 0, 0, err
	}
	if capture, end, err = lastCapture(d, dir, m); err != nil {
		return 0, 0, err
	}
	if err := d.SyncDir(dir); err != nil {
		return 0, 0, err
	}
	for n := m.Journal; n <= w.pos.Segment; n++ {
		if err := syncAgain(d, dir, journalKind, n, m.Journal, m.JournalEnd, w.pos.Segment, w.pos.Offset); err != nil {
			return 0, 0, err
		}
	}
	if capture == 0 {
		return 0, 0, nil
	}
	numbers, err := segments(d, dir, captureKind)
	if err != nil {
		return 0, 0, err
	}
	for _, n := range numbers { // one that is missing shows where it is asked for
		if n < m.CaptureSegment {
			continue
		}
		if err := syncAgain(d, dir, captureKind, n, m.CaptureSegment, m.CaptureEnd, capture, end); err != nil {
			return 0, 0, err
		}
	}
	return capture, end, nil
}

// lastCapture finds the last capture segment and where its whole frames end.
func lastCapture(d disk, dir string, m mark) (number uint32, end int64, err error) {
	numbers, err := segments(d, dir, captureKind)
	if err != nil {
		return 0, 0, err
	}
	if len(numbers) > 0 {
		number = numbers[len(numbers)-1]
	}
	if number < m.CaptureSegment {
		return 0, 0, &DamageError{File: captureKind.name(m.CaptureSegment), Offset: -1, What: segmentMissing}
	}
	if number == 0 {
		return 0, 0, nil
	}
	s, err := openSegment(d, dir, captureKind, number)
	if err != nil {
		return 0, 0, err
	}
	defer s.Close()
	size, err := s.Size()
	if err != nil {
		return 0, 0, err
	}
	end = s.start
	if number == m.CaptureSegment {
		if end = m.CaptureEnd; size < end {
			return 0, 0, &DamageError{File: s.name, Offset: size, What: "the file was cut"}
		}
	}
	for {
		_, next, err := readFrame(s, end, size)
		switch {
		case err == nil:
			end = next
		case noFrame(err):
			return number, end, nil
		default:
			return 0, 0, err
		}
	}
}

// syncAgain writes what lies behind the head file's mark once more, with the
// same bytes, and syncs it: a process that died may have left it unsynced, or
// its sync may have failed and the system forgotten it.
func syncAgain(d disk, dir string, k segmentKind, number, markNumber uint32, markEnd int64, lastNumber uint32, lastEnd int64) error {
	from := int64(0)
	if number == markNumber {
		from = markEnd
	}
	if number == lastNumber && from >= lastEnd {
		return nil
	}
	f, err := d.Update(filepath.Join(dir, k.name(number)))
	if err != nil {
		return err
	}
	defer f.Close()
	to, err := f.Size()
	if err != nil {
		return err
	}
	if number == lastNumber {
		to = lastEnd
	}
	if from >= to {
		return nil
	}
	b := make([]byte, to-from)
	if _, err := f.ReadAt(b, from); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if _, err := f.WriteAt(b, from); err != nil {
		return err
	}
	return f.Sync()
}
