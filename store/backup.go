package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"example.org/panecal/store/record"
)

// Backup makes in the folder into, which must not exist or be empty, a copy of
// the log in dir as it is now: whole or not at all. A station may be writing
// meanwhile. Every frame and record is proven on the way; one that is not what
// was written is an error that wraps ErrDamaged. The copy is a store that is
// read like any other, but not written: only Continue goes on from it. It
// returns the last record copied, and notes in dir that it was made at the time
// now. progress, if not nil, is told how many bytes are copied, of how many at
// the start.
func Backup(dir, into string, now time.Time, progress func(done, total int64)) (record.Ref, error) {
	c := &copier{disk: osDisk{}, from: dir, progress: progress}
	err := makeFolder(into, c.disk, func(tmp string) error {
		if err := c.copy(tmp); err != nil {
			return err
		}
		c.mark.Copy = true
		return writeMark(c.disk, tmp, c.mark)
	})
	if err != nil {
		return record.Ref{}, fmt.Errorf("copying the log %s to %s: %w", dir, into, err)
	}
	note, err := seal(LastBackup{Time: now.UTC(), Generation: c.head.Generation, Sequence: c.head.Sequence, Hash: c.head.Hash, Into: into})
	if err == nil {
		// It is for people: a copy that is not noted is a copy all the same.
		_ = replaceUnsynced(c.disk, filepath.Join(dir, backupName), note)
	}
	return c.head, nil
}

// Continue makes in the folder dir a store that goes on from the log in
// backup, a copy or what is left of a station, as its next generation: the
// records of a station that may have gone on after the copy was made are never
// taken for those that follow here. o.Station, if set, must be the station
// of the log. It returns the first record of the new generation. A copy that
// was cut is refused with ErrDamaged, a log in use with ErrHeld.
func Continue(backup, dir string, o Options) (record.Ref, error) {
	o = o.withDefaults()
	var first record.Ref
	err := makeFolder(dir, o.disk, func(tmp string) (err error) {
		first, err = continueIn(tmp, backup, o)
		return err
	})
	if err != nil {
		return record.Ref{}, fmt.Errorf("continuing the log %s in %s: %w", backup, dir, err)
	}
	return first, nil
}

func continueIn(tmp, backup string, o Options) (record.Ref, error) {
	fail := func(err error) (record.Ref, error) { return record.Ref{}, err }
	if err := notHeld(backup); err != nil {
		return fail(err)
	}
	c := &copier{disk: o.disk, from: backup}
	if err := c.copy(tmp); err != nil {
		return fail(err)
	}
	if simulated, err := isSimulated(o.disk, tmp); err != nil || simulated {
		return fail(errors.Join(err, ErrSimulated))
	}
	m := c.mark
	if o.Station != "" && o.Station != m.Station {
		return fail(fmt.Errorf("it belongs to station %q, not %q", m.Station, o.Station))
	}
	h := header{Store: m.Store, Station: m.Station, Generation: m.Generation + 1}
	j := &journal{writer: writer{disk: o.disk, dir: tmp, kind: journalKind, header: h, now: o.Now, number: m.Journal, end: m.JournalEnd},
		station: m.Station, generation: h.Generation, sequence: m.Sequence, hash: m.Hash}
	ref, err := j.append(&record.Note{By: "station", Text: fmt.Sprintf(
		"Generation %d of this log begins: it continues a copy of generation %d that ends at record %d.", h.Generation, m.Generation, m.Sequence)})
	if err := errors.Join(err, j.give()); err != nil {
		return fail(err)
	}
	m.Generation, m.Sequence, m.Hash, m.Journal, m.JournalEnd = h.Generation, ref.Sequence, ref.Hash, j.number, j.end
	if err := writeMark(o.disk, tmp, m); err != nil {
		return fail(err)
	}
	_, err = derive(o.disk, tmp, m)
	return ref, err
}

// copier copies the segments of a log frame by frame.
type copier struct {
	disk     disk
	from     string
	progress func(done, total int64)

	done, total int64
	head        record.Ref // last record copied
	mark        mark       // of the copy
}

// copy fills tmp with the segments and what is derived from them. What the
// head file of the log says before must be in the copy.
func (c *copier) copy(tmp string) error {
	promised, err := readMark(c.disk, c.from)
	if errors.Is(err, os.ErrNotExist) {
		if numbers, lerr := segments(c.disk, c.from, journalKind); lerr != nil || len(numbers) == 0 {
			return ErrNoStore
		}
		return &DamageError{File: markName, Offset: -1, What: "the file is missing"}
	}
	if err != nil {
		return err
	}
	// Records first: the captures that they name are durable before them.
	if _, err := c.kind(tmp, journalKind, promised.Journal, promised.JournalEnd); err != nil {
		return err
	}
	captureEnd, err := c.kind(tmp, captureKind, promised.CaptureSegment, promised.CaptureEnd)
	if err != nil {
		return err
	}
	p, err := derive(c.disk, tmp, promised)
	if err != nil {
		return err
	}
	if err := c.columns(tmp, p.Segment); err != nil {
		return err
	}
	c.head = p.ref()
	c.mark = mark{Store: p.Store, Station: p.Station, Generation: p.Generation, Sequence: p.Sequence, Hash: p.Hash,
		Journal: p.Segment, JournalEnd: p.Offset, CaptureSegment: captureEnd.number, CaptureEnd: captureEnd.end,
		Start: promised.Start, StartHash: promised.StartHash, StartJournal: promised.StartJournal, StartEnd: promised.StartEnd}
	return c.disk.SyncDir(tmp)
}

// columns copies the files of columns that are there: who reads the copy proves
// them, and makes what is missing.
func (c *copier) columns(tmp string, last uint32) error {
	for n := uint32(1); n < last; n++ {
		err := copyFile(c.disk, filepath.Join(c.from, columnsName(n)), filepath.Join(tmp, columnsName(n)))
		if ignoreMissing(err) != nil {
			return err
		}
	}
	return nil
}

// segmentEnd is the number of the last segment of a kind and where it ends.
type segmentEnd struct {
	number uint32
	end    int64
}

// kind copies all segments of one kind.
func (c *copier) kind(tmp string, k segmentKind, markNumber uint32, markEnd int64) (segmentEnd, error) {
	var last segmentEnd
	numbers, err := segments(c.disk, c.from, k)
	if err != nil {
		return last, err
	}
	gone := map[uint32]bool{}
	if n := len(numbers); k == captureKind && n > 0 && numbers[n-1] > uint32(n) {
		if gone, err = c.removed(); err != nil {
			return last, err
		}
	}
	wanted := uint32(1)
	for _, n := range numbers {
		for ; wanted < n; wanted++ {
			if !gone[wanted] {
				return last, &DamageError{File: k.name(wanted), Offset: -1, What: segmentMissing}
			}
		}
		wanted = n + 1
		if i, err := os.Stat(filepath.Join(c.from, k.name(n))); err == nil { // only for the progress
			c.total += i.Size()
		}
	}
	for _, n := range numbers {
		promised := int64(0)
		if n == markNumber {
			promised = markEnd
		}
		if last.end, err = c.segment(tmp, k, n, n < numbers[len(numbers)-1], promised); err != nil {
			return last, err
		}
		last.number = n
	}
	if last.number < markNumber {
		return last, &DamageError{File: k.name(markNumber), Offset: -1, What: segmentMissing}
	}
	return last, nil
}

// removed are the files of captures that were removed, on record.
func (c *copier) removed() (map[uint32]bool, error) {
	f, err := follow(c.disk, c.from, "", nil)
	if err != nil {
		return nil, err
	}
	gone, err := f.Reader.removed()
	return gone, errors.Join(err, f.Close())
}

// segment copies one segment and returns where the copy ends. One that others
// follow must be whole to where the next says it ends; the last must be to
// promised.
func (c *copier) segment(tmp string, k segmentKind, number uint32, followed bool, promised int64) (_ int64, err error) {
	s, err := openSegment(c.disk, c.from, k, number)
	if err != nil {
		return 0, err
	}
	defer s.Close()
	size, err := s.Size()
	if err != nil {
		return 0, err
	}
	if followed {
		next, err := openSegment(c.disk, c.from, k, number+1)
		if err != nil {
			return 0, err
		}
		promised = next.header.PrevEnd
		if err := next.Close(); err != nil {
			return 0, err
		}
	}
	if size < promised {
		return 0, &DamageError{File: s.name, Offset: size, What: fmt.Sprintf("the file was cut: it must reach to %d", promised)}
	}
	if followed {
		size = promised
	}
	out, err := c.disk.Create(filepath.Join(tmp, s.name))
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	head := make([]byte, s.start)
	if _, err := s.ReadAt(head, 0); err != nil {
		return 0, err
	}
	if _, err := out.WriteAt(head, 0); err != nil {
		return 0, err
	}
	for at := s.start; ; {
		content, next, err := readFrame(s, at, size)
		switch {
		case err == nil:
		case at >= promised && noFrame(err):
			return at, out.Sync() // what follows is still being written
		case noFrame(err):
			return 0, &DamageError{File: s.name, Offset: at, What: err.Error()}
		default:
			return 0, err
		}
		frame := appendFrame(make([]byte, 0, next-at), content)
		if _, err := out.WriteAt(frame, at); err != nil {
			return 0, err
		}
		c.done += next - at
		at = next
		if c.progress != nil {
			c.progress(min(c.done, c.total), c.total)
		}
	}
}

// derive makes the index of the segments in dir, which proves every record, and
// returns where the journal ends. The record that promised names must be there.
func derive(d disk, dir string, promised mark) (position, error) {
	var p position
	ix := &index{disk: d, segments: dir, dir: dir}
	err := ix.look(func(v *view) error {
		p = v.pos
		return v.holds(promised)
	})
	if err == nil {
		err = ix.keep()
	}
	if err = errors.Join(err, ix.close()); err == nil && ix.tail != 0 {
		err = &DamageError{File: journalKind.name(p.Segment), Offset: p.Offset, What: "a frame is not whole"}
	}
	return p, err
}

// backupName is a small file beside the head that tells when the log was last
// copied, and how far.
const backupName = "backup"

// LastBackup is what is known of the newest copy of a log.
type LastBackup struct {
	Time     time.Time `json:"time"` // UTC
	Sequence uint64    `json:"sequence"`
	Into     string    `json:"into"`
	// Generation and Hash are those of the last record copied, zero in notes of
	// earlier programs.
	Generation uint32      `json:"generation,omitempty"`
	Hash       record.Hash `json:"hash,omitzero"`
}

// ReadLastBackup tells of the newest copy of the log in dir; the zero
// LastBackup if none was noted.
func ReadLastBackup(dir string) (LastBackup, error) {
	var l LastBackup
	b, err := readAll(osDisk{}, filepath.Join(dir, backupName), 1<<16)
	if err == nil {
		err = unseal(b, &l)
	}
	if err = ignoreMissing(err); err != nil {
		return LastBackup{}, fmt.Errorf("reading when the log was last copied: %w", err)
	}
	return l, nil
}
