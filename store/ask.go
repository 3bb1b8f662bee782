package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"example.org/panecal/store/record"
)

// Ask holds the log in dir against what is remembered of it outside, in a few
// reads: the problem that there is, if any, and what is worth knowing. A log
// whose head file cannot be read has other troubles, which others tell.
func Ask(dir string, beside Beside) (*Problem, string, error) {
	p, note, err := ask(osDisk{}, dir, beside)
	if err != nil {
		err = fmt.Errorf("asking what is remembered of the store %s: %w", dir, err)
	}
	return p, note, err
}

func ask(d disk, dir string, beside Beside) (*Problem, string, error) {
	m, err := readMark(d, dir)
	if err != nil {
		if errors.Is(err, os.ErrNotExist) || errors.Is(err, ErrDamaged) {
			err = nil
		}
		return nil, "", err
	}
	r, path, problem, note := recall(d, dir, beside.Memory, m)
	if r != nil {
		if problem, note, err = askOne(d, dir, m, r, path); problem != nil || err != nil {
			return problem, note, err
		}
	}
	if beside.Known == "" {
		return problem, note, nil
	}
	path = memoryFile(beside.Known, m.Store)
	known, err := readRecollection(d, path)
	if err != nil {
		return problem, note, nil // it knows nothing yet
	}
	p, more, err := askOne(d, dir, m, &known, path)
	if problem == nil {
		problem = p
	}
	if note == "" {
		note = more
	}
	return problem, note, err
}

// askOne holds a log against one recollection.
func askOne(d disk, dir string, m mark, r *recollection, path string) (*Problem, string, error) {
	head := record.Ref{Station: m.Station, Generation: m.Generation, Sequence: m.Sequence, Hash: m.Hash}
	if r.Start > 0 && r.Start <= m.Sequence {
		if began, readable, err := recordAt(d, dir, r.StartJournal, r.StartEnd, r.Start); err != nil || readable && r.forked(head, began) {
			problem, note := r.judge(path, dir, m.Journal, head, record.Ref{}, began)
			return problem, note, err
		}
	}
	var got record.Ref
	var err error
	if r.Sequence > m.Sequence {
		head, got, err = walkOn(d, dir, m, head, r.Sequence)
	} else {
		var readable bool
		if got, readable, err = recordAt(d, dir, r.Journal, r.JournalEnd, r.Sequence); !readable {
			return nil, "", err // damage, as the head file says: others tell
		}
	}
	if err != nil {
		return nil, "", err
	}
	problem, note := r.judge(path, dir, m.Journal, head, got, record.Ref{})
	return problem, note, nil
}

// Meet makes a reader's folder remember how far the log in dir was acknowledged
// when the reader met it, unless it knows of more. It is a witness of its own:
// Ask and CheckBeside then tell whether a record is another than the reader knew.
func Meet(dir, known string) error {
	d := osDisk{}
	m, err := readMark(d, dir)
	if err != nil || m.Sequence == 0 {
		return err
	}
	path := memoryFile(known, m.Store)
	if r, err := readRecollection(d, path); err == nil &&
		(r.Generation > m.Generation || r.Generation == m.Generation && r.Sequence >= m.Sequence) {
		return nil
	}
	m.Schema, m.Path, m.Host = markSchema, absolute(dir), thisHost()
	b, err := seal(recollection{m})
	if err == nil {
		err = os.MkdirAll(known, dirMode)
	}
	if err == nil {
		err = replaceUnsynced(d, path, b)
	}
	if err != nil {
		return fmt.Errorf("remembering what was read: %w", err)
	}
	return nil
}

// walkOn follows the log from its head file on, and returns its last record and
// the one with the sequence wanted, zero if there is none.
func walkOn(d disk, dir string, m mark, head record.Ref, wanted uint64) (last, got record.Ref, err error) {
	w := walk{disk: d, dir: dir, pos: position{Store: m.Store, Station: m.Station, Generation: m.Generation,
		Segment: m.Journal, Offset: m.JournalEnd, Sequence: m.Sequence, Hash: m.Hash}}
	for {
		e, _, err := w.record()
		if err != nil {
			if errors.Is(err, io.EOF) || errors.Is(err, errConflict) || errors.Is(err, ErrDamaged) {
				err = nil
			}
			return head, got, errors.Join(err, w.close())
		}
		if head = e.Ref; head.Sequence == wanted {
			got = head
		}
	}
}

// recordAt returns the record with that sequence: in a few reads if it ends at
// that byte, else by the index.
func recordAt(d disk, dir string, number uint32, end int64, sequence uint64) (ref record.Ref, readable bool, err error) {
	ref, readable, err = recordEndingAt(d, dir, number, end)
	if err != nil || readable && ref.Sequence == sequence || sequence == 0 {
		return ref, readable, err
	}
	f, err := follow(d, dir, "", nil)
	if err != nil {
		return ref, readable, nil // damage: others tell
	}
	err = f.view(func(v *view) error {
		e, err := v.entry(sequence)
		if err == nil {
			ref, readable = record.Ref{Station: v.pos.Station, Generation: e.generation, Sequence: sequence, Hash: e.hash}, true
		}
		return nil
	})
	return ref, readable, errors.Join(err, f.Close())
}

// recordEndingAt returns the record whose frame ends at that byte of a segment
// of the journal, zero if none does; not readable where damage hides it.
func recordEndingAt(d disk, dir string, number uint32, end int64) (ref record.Ref, readable bool, err error) {
	s, err := openSegment(d, dir, journalKind, number)
	if errors.Is(err, os.ErrNotExist) || errors.Is(err, ErrDamaged) {
		return record.Ref{}, false, nil
	}
	if err != nil {
		return record.Ref{}, false, err
	}
	defer s.Close()
	for at := s.start; at < end; {
		var h [frameHead]byte
		if _, err := s.ReadAt(h[:], at); err != nil || little.Uint32(h[8:]) != crc(h[:8]) {
			next, err := openSegment(d, dir, journalKind, number+1)
			if err != nil {
				return record.Ref{}, false, nil
			}
			return record.Ref{}, next.header.PrevEnd == at, next.Close() // another log ended here, and went on in the next
		}
		next := at + frameHead + int64(little.Uint32(h[:]))
		if next == end {
			content, _, err := readFrame(s, at, end)
			if err == nil {
				content, err = unpackRecord(content)
			}
			if err != nil {
				return record.Ref{}, false, nil
			}
			e, err := record.Decode(content)
			if err != nil {
				return record.Ref{}, false, nil
			}
			return e.Ref, true, nil
		}
		at = next
	}
	if s.start == end { // the record before is the last of the segment before
		return record.Ref{Station: s.header.Station, Generation: s.header.Generation, Sequence: s.header.Sequence, Hash: s.header.Hash}, true, nil
	}
	return record.Ref{}, true, nil
}

// recall finds what is remembered of the log in dir, whose head file is m.
func recall(d disk, dir string, folders []string, m mark) (r *recollection, path string, problem *Problem, note string) {
	missing := func(path, what string) *Problem {
		return &Problem{MemoryMissing, m.Sequence, DamageError{path, -1, what}}
	}
	for _, folder := range append(folders[:len(folders):len(folders)], m.Memory) {
		if folder == "" {
			continue
		}
		path := memoryFile(folder, m.Store)
		r, err := readRecollection(d, path)
		switch {
		case errors.Is(err, os.ErrNotExist):
		case errors.Is(err, os.ErrPermission):
			return nil, "", nil, "what is remembered of the log outside the store cannot be read: " + err.Error()
		case err != nil:
			return nil, "", missing(path, err.Error()), ""
		default:
			return &r, path, nil, ""
		}
	}
	if m.keptBy(absolute(dir), thisHost()) {
		return nil, "", missing(memoryFile(m.Memory, m.Store), "this computer remembered how far the log went, and what it remembered is gone"), ""
	}
	return nil, "", nil, ""
}

// judge holds the log in dir, which ends at head and has got where the record
// stood that is remembered, and began where the run of the station did, against
// what is remembered. A copy elsewhere may be older; the store itself may not.
func (r *recollection) judge(path, dir string, journal uint32, head, got, began record.Ref) (*Problem, string) {
	tell := func(f Fault, at uint64, what string) (*Problem, string) {
		return &Problem{f, at, DamageError{journalKind.name(max(1, journal)), -1, what}}, ""
	}
	same := got.Generation == r.Generation && got.Sequence == r.Sequence
	older := r.Generation > head.Generation || r.Generation == head.Generation && r.Sequence > head.Sequence
	here := r.Path == absolute(dir)
	switch {
	case r.forked(head, began):
		return tell(Forked, r.Start, r.forkText(path))
	case r.Sequence == 0 || same && got.Hash == r.Hash:
		return nil, ""
	case older && here:
		return tell(RolledBack, head.Sequence+1, fmt.Sprintf("an older copy: the log ends at record %d of generation %d; this computer remembers record %d of generation %d (%s)",
			head.Sequence, head.Generation, r.Sequence, r.Generation, path))
	case older:
		return nil, fmt.Sprintf("older_copy: it ends at record %d; the store %s went on to record %d (%s)", head.Sequence, r.Path, r.Sequence, path)
	case r.Generation < head.Generation && !same:
		return nil, fmt.Sprintf("generation %d of this log went on to record %d in %s", r.Generation, r.Sequence, r.Path)
	case same || here:
		return tell(Rewritten, r.Sequence, fmt.Sprintf("record %d is not the one that this computer remembers (%s): the log was rewritten, or went on from a copy", r.Sequence, path))
	}
	// A copy whose segments begin elsewhere, as of a store made anew.
	return nil, fmt.Sprintf("%s: what is remembered of %s was not found here at the same place", filepath.Base(path), r.Path)
}
