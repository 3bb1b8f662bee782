package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"example.org/panecal/store/record"
)

// index says where each record stands and what it is filed under: files for
// the stretches of the journal that are complete, and what follows them in
// memory. One goroutine uses it. Whatever it holds comes from the segments by
// catchUp, so that it can always be thrown away.
type index struct {
	disk     disk
	segments string // directory of the segments, and of the files that the station keeps
	// dir is where this process writes files of its own: that of the segments
	// while it holds the lock, a reader's own else, "" for nowhere.
	dir string
	// limit, if set, says how far the segments are acknowledged; without it
	// they are followed as far as they are whole.
	limit func() mark
	// exclusive, if not nil, keeps other processes from writing in dir meanwhile.
	exclusive func(func() error) error
	// made, if not nil, is told the digest of each file that is made.
	made func(name string, digest record.Hash)
	// progress, if not nil, is told how many bytes of how many were gone through.
	progress func(done, total int64)

	begun  bool
	parts  []part // one follows the other; the last one's segment may go on
	recent *recent
	pos    position        // where the journal goes on behind them
	next   uint32          // the first segment that no part stands for as a whole
	bad    map[string]bool // paths of files that are no use
	remade []string        // what was made anew, and why, in words
	tail   int64           // bytes after the last whole frame of the journal
}

const (
	// mergeWidth is how many files of an index become one, again and again, so
	// that few are open.
	mergeWidth = 8
	maxWidth   = 8 * 8 * 8 * 8 // segments
	// freshBytes is how much of a segment may be without an index, which each
	// reader then goes through by itself.
	freshBytes = 512 << 10
)

// own says that the segments were written by this process or by an earlier one
// under the same lock.
func (ix *index) own() bool { return ix.dir == ix.segments }

// begin sets the index before the first record.
func (ix *index) begin() error {
	first, err := openSegment(ix.disk, ix.segments, journalKind, 1)
	if errors.Is(err, os.ErrNotExist) {
		err = &DamageError{File: journalKind.name(1), Offset: -1, What: segmentMissing}
	}
	if err != nil {
		return err
	}
	h := first.header
	ix.pos = position{Store: h.Store, Station: h.Station, Generation: h.Generation, Segment: 1, Offset: first.start, Sequence: h.Sequence, Hash: h.Hash}
	ix.recent, ix.next, ix.begun = newRecent(ix.pos), 1, true
	return first.Close()
}

// forget gives up all that was read.
func (ix *index) forget() error {
	var err error
	for _, p := range ix.parts {
		err = errors.Join(err, p.close())
	}
	ix.parts, ix.recent, ix.pos, ix.begun = nil, nil, position{}, false
	return err
}

// close lets go of the files; the next use opens them again.
func (ix *index) close() error { return ix.forget() }

// distrust makes a file be passed over, and made anew by who may.
func (ix *index) distrust(path string, why error) {
	if ix.bad == nil {
		ix.bad = map[string]bool{}
	}
	if !ix.bad[path] {
		ix.bad[path] = true
		if ix.own() {
			what := "damaged"
			if errors.Is(why, errOutdated) {
				what = why.Error()
			}
			ix.remade = append(ix.remade, filepath.Base(path)+": "+what+", and made anew")
		}
	}
}

// look runs fn on the index after catching up, as without does.
func (ix *index) look(fn func(*view) error) error {
	return ix.without(func() error {
		if err := ix.catchUp(); err != nil {
			return err
		}
		v := &view{ix: ix, pos: ix.pos, bodies: bodies{disk: ix.disk, dir: ix.segments}}
		return errors.Join(fn(v), v.bodies.close())
	})
}

// without runs fn. A file of the index that turns out to be damaged is passed over
// from then on; fn is then called again and must begin anew.
func (ix *index) without(fn func() error) error {
	for {
		err := fn()
		x := ix.damagedFile(err)
		if x == nil {
			return err
		}
		ix.distrust(filepath.Join(x.folder, x.name), err)
		if err := ix.forget(); err != nil {
			return err
		}
	}
}

// damagedFile returns the file of the index that err is about, nil for none.
func (ix *index) damagedFile(err error) *indexFile {
	d := (*DamageError)(nil)
	if !errors.As(err, &d) {
		return nil
	}
	for _, p := range ix.parts {
		if x, ok := p.(*indexFile); ok && x.name == d.File && x.folder != "" {
			return x
		}
	}
	return nil
}

// catchUp brings the index up to the segments. The station's start, the time
// after each append, a rebuild and every reader all come here. Where the log
// went another way than it was read, or than a file says, all is read again
// without that file.
func (ix *index) catchUp() error {
	for tries := 0; ; tries++ {
		err := ix.advance()
		if !errors.Is(err, errConflict) || tries == 3 {
			if errors.Is(err, errConflict) {
				err = &DamageError{File: journalKind.name(ix.pos.Segment), Offset: ix.pos.Offset, What: "the segment is of another store, or was cut"}
			}
			return err
		}
		if x, ok := ix.unfinished().(*indexFile); ok && tries > 0 {
			ix.distrust(filepath.Join(x.folder, x.name), err)
		}
		if err := ix.forget(); err != nil {
			return err
		}
	}
}

// unfinished returns the part whose segment may go on, nil for none.
func (ix *index) unfinished() part {
	if n := len(ix.parts); n > 0 && ix.parts[n-1].about().From == ix.next {
		return ix.parts[n-1]
	}
	return nil
}

// advance follows the journal to its end, or to where it is acknowledged.
func (ix *index) advance() (err error) {
	w := walk{disk: ix.disk, dir: ix.segments}
	defer func() { err = errors.Join(err, w.close()) }()
	if ix.limit != nil {
		m := ix.limit()
		w.limit.segment, w.limit.end = m.Journal, m.JournalEnd
		w.promised = m
	} else if w.promised, err = readMark(ix.disk, ix.segments); ignoreMissing(err) != nil {
		return err
	}
	if !ix.begun {
		if err := ix.begin(); err != nil {
			return err
		}
		if err := ix.takeFiles(); err != nil {
			return err
		}
	}
	w.pos = ix.pos
	for {
		before := w.pos
		s, _, err := w.skim()
		switch {
		case errors.Is(err, errStepped):
			if err := ix.seal(before, w.pos); err != nil {
				return err
			}
			if ix.progress != nil {
				ix.progress(maxSegment*int64(ix.next-1), maxSegment*int64(max(w.promised.Journal, ix.next)))
			}
			if ix.pos != w.pos { // files stand for what follows
				if err := w.close(); err != nil {
					return err
				}
				w.pos = ix.pos
			}
		case errors.Is(err, io.EOF):
			ix.tail = w.tail
			return nil
		case err != nil:
			return err
		default:
			if w.pos.Newest = max(before.Newest, s.Version); s.Later {
				w.pos.Newest = max(w.pos.Newest, record.Version+1)
			}
			ix.recent.add(&s, w.pos)
			ix.pos = w.pos
		}
	}
}

// takeFiles takes in the files that stand for what follows, as many as there
// are.
func (ix *index) takeFiles() error {
	for len(ix.recent.entries) == 0 && ix.unfinished() == nil {
		x, next, err := ix.widest(ix.next)
		if err != nil || x == nil {
			return err
		}
		ix.parts = append(ix.parts, x)
		newest := max(ix.pos.Newest, x.Newest)
		switch ix.pos = x.end(); {
		case next != nil:
			h := next.header
			ix.pos = position{Store: h.Store, Station: h.Station, Generation: h.Generation, Segment: h.Number, Offset: next.start, Sequence: h.Sequence, Hash: h.Hash}
			ix.next = h.Number
		case ix.bridged(x):
			ix.next = x.To + 1
		}
		ix.pos.Newest = newest
		ix.recent = newRecent(ix.pos)
		if err := ix.merge(); err != nil {
			return err
		}
	}
	return nil
}

// widest returns the file of the index that stands for the most segments from
// number on, nil if there is none that can be used, and the segment behind it if
// it stands for all of its segments.
func (ix *index) widest(number uint32) (*indexFile, *segment, error) {
	folders := []string{ix.segments}
	if ix.dir != "" && !ix.own() {
		folders = append(folders, ix.dir)
	}
	for width := uint32(maxWidth); width > 0; width /= mergeWidth {
		if (number-1)%width != 0 {
			continue
		}
		name := indexName(number, number+width-1)
		for _, folder := range folders {
			path := filepath.Join(folder, name)
			if ix.bad[path] {
				continue
			}
			x, next, err := ix.openFile(folder, name)
			switch {
			case err == nil:
				return x, next, nil
			case errors.Is(err, os.ErrNotExist) || errors.Is(err, errConflict): // of another time
			case errors.Is(err, ErrDamaged) || errors.Is(err, errOutdated) || errors.Is(err, errShort):
				ix.distrust(path, err)
			default:
				return nil, nil, err
			}
		}
	}
	return nil, nil, nil
}

// bridged says that the segment behind a file cannot be read, but that it has a
// file of its own which follows from this one: its records show that they are
// missing where they are asked for.
func (ix *index) bridged(x *indexFile) bool {
	s, err := openSegment(ix.disk, ix.segments, journalKind, x.To+1)
	if err == nil {
		_ = s.Close()
		return false
	}
	next := &index{disk: ix.disk, segments: ix.segments, dir: ix.dir, pos: ix.pos, next: x.To + 1}
	y, _, err := next.widest(next.next)
	return err == nil && y != nil && y.close() == nil
}

// openFile opens a file of the index, if it stands for what follows: errConflict
// if not. It returns the segment behind it, closed, if it is complete.
func (ix *index) openFile(folder, name string) (*indexFile, *segment, error) {
	f, err := ix.disk.Open(filepath.Join(folder, name))
	if err != nil {
		return nil, nil, err
	}
	fail := func(err error) (*indexFile, *segment, error) { return nil, nil, errors.Join(err, f.Close()) }
	size, err := f.Size()
	if err != nil {
		return fail(err)
	}
	x, err := openIndex(f, size, name)
	if err != nil {
		return fail(err)
	}
	x.folder, x.closer = folder, f
	if x.Store != ix.pos.Store || x.From != ix.next || x.Before != ix.pos.Sequence || x.BeforeHash != ix.pos.Hash || name != indexName(x.From, x.To) {
		return fail(errConflict)
	}
	next, err := openSegment(ix.disk, ix.segments, journalKind, x.To+1)
	if errors.Is(err, os.ErrNotExist) || errors.Is(err, ErrDamaged) {
		return x, nil, nil // the walk finds out
	}
	if err != nil {
		return fail(err)
	}
	if err := next.Close(); err != nil {
		return fail(err)
	}
	h := next.header
	switch {
	case h.PrevEnd == x.End && h.Sequence == x.Sequence && h.Hash == x.Hash && h.Store == x.Store:
		return x, next, nil
	case h.PrevEnd > x.End && x.From == x.To:
		return x, nil, nil
	}
	return fail(errConflict)
}

// seal makes the part that stands for the segment which ends at before; the
// journal goes on at pos.
func (ix *index) seal(before, pos position) error {
	if len(ix.recent.entries) > 0 || ix.unfinished() == nil {
		if err := ix.file(); err != nil {
			return err
		}
	}
	ix.pos, ix.next = pos, pos.Segment
	ix.pos.Newest = before.Newest
	ix.recent = newRecent(ix.pos)
	return errors.Join(ix.merge(), ix.takeFiles())
}

// keep makes a file of what is in memory, so that it need not be read from the
// segment again.
func (ix *index) keep() error {
	if !ix.begun || len(ix.recent.entries) == 0 {
		return nil
	}
	return ix.file()
}

// file makes one part of what stands for the last segment: a file, or where that
// cannot be written, one in memory.
func (ix *index) file() error {
	sources := []part{ix.recent}
	old := ix.unfinished()
	if old != nil {
		sources = []part{old, ix.recent}
	}
	x, err := ix.write(sources)
	if err != nil {
		return err
	}
	if old != nil {
		ix.parts = ix.parts[:len(ix.parts)-1]
	}
	ix.parts = append(ix.parts, x)
	ix.recent = newRecent(ix.pos)
	return nil
}

// write writes the file of the index for some parts that follow one another, in
// whose place it stands, and closes them.
func (ix *index) write(sources []part) (*indexFile, error) {
	s := mergeOf(sources)
	var b growing
	if err := writeIndex(&b, s, sources); err != nil {
		return nil, err
	}
	x, err := openIndex(bytesAt(b), int64(len(b)), indexName(s.From, s.To))
	if err != nil {
		return nil, err
	}
	for _, p := range sources { // not open where it is replaced
		if err := p.close(); err != nil {
			return nil, err
		}
	}
	// That it cannot be kept is no reason not to answer.
	_ = ix.put(x, func(w io.WriterAt) error { _, err := w.WriteAt(b, 0); return err })
	return x, nil
}

// put makes a file of x, filled by fill, and reads it from there.
func (ix *index) put(x *indexFile, fill func(io.WriterAt) error) error {
	if ix.dir == "" {
		return nil
	}
	path := filepath.Join(ix.dir, x.name)
	write := func() error { return replaceWith(ix.disk, path, fill) }
	if ix.exclusive != nil {
		inside := write
		write = func() error { return ix.exclusive(inside) }
	}
	if err := write(); err != nil {
		return err
	}
	delete(ix.bad, path)
	f, err := ix.disk.Open(path)
	if err != nil {
		return err
	}
	x.r, x.closer, x.folder = f, f, ix.dir
	if ix.made != nil {
		h, err := digest(f)
		if err != nil {
			return err
		}
		ix.made(x.name, h)
	}
	return nil
}

// merge makes one file of the last ones, where there are enough that this
// process may write.
func (ix *index) merge() error {
	for {
		last := len(ix.parts)
		if ix.unfinished() != nil {
			last--
		}
		if ix.dir == "" || last < mergeWidth {
			return nil
		}
		list := ix.parts[last-mergeWidth : last]
		first := list[0].about()
		width := first.To - first.From + 1
		if width == maxWidth || (first.From-1)%(width*mergeWidth) != 0 {
			return nil
		}
		var names []string
		for _, p := range list {
			x, ok := p.(*indexFile)
			if !ok || x.folder != ix.dir || x.To-x.From+1 != width {
				return nil
			}
			names = append(names, x.name)
		}
		x, err := ix.join(list)
		if err != nil || x == nil {
			return err
		}
		ix.parts = append(ix.parts[:last-mergeWidth], append([]part{x}, ix.parts[last:]...)...)
		for _, name := range names {
			// One that stays costs its space only.
			_ = ix.disk.Remove(filepath.Join(ix.dir, name))
		}
	}
}

// join makes one file of the files of some parts, and closes those: nil where it
// cannot be written, and they serve another time. It may be too large to be held
// in memory.
func (ix *index) join(list []part) (*indexFile, error) {
	s := mergeOf(list)
	x := &indexFile{name: indexName(s.From, s.To)}
	damaged := error(nil)
	err := ix.put(x, func(w io.WriterAt) error {
		err := writeIndex(w, s, list)
		if ix.damagedFile(err) != nil {
			damaged = err
		}
		return err
	})
	if err != nil {
		return nil, errors.Join(damaged, x.close())
	}
	size, err := x.closer.(file).Size()
	if err != nil {
		return nil, errors.Join(err, x.close())
	}
	folder, f := x.folder, x.closer
	if x, err = openIndex(x.r, size, x.name); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	x.folder, x.closer = folder, f
	for _, p := range list {
		if err := p.close(); err != nil {
			return nil, err
		}
	}
	return x, nil
}

// refresh catches up, and makes a file of what is in memory where that is at least
// so many bytes of the journal.
func (ix *index) refresh(least int64) error {
	return ix.without(func() error {
		err := ix.catchUp()
		if err == nil && ix.pos.Offset-ix.start() >= least {
			err = ix.keep()
		}
		return err
	})
}

// start returns where in the last segment the files of the index end.
func (ix *index) start() int64 {
	if p := ix.unfinished(); p != nil {
		return p.about().End
	}
	return 0
}

// view is an index for the time of one question.
type view struct {
	ix     *index
	pos    position
	bodies bodies
}

// place is where a record stands in the log.
type place struct {
	generation uint32
	sequence   uint64
}

// parts returns all that there is, in log order.
func (v *view) parts() []part {
	if len(v.ix.recent.entries) == 0 {
		return v.ix.parts
	}
	return append(v.ix.parts[:len(v.ix.parts):len(v.ix.parts)], v.ix.recent)
}

// entry returns what the index holds of a record: ErrNotFound if the log has
// none of that sequence.
func (v *view) entry(sequence uint64) (entry, error) {
	for _, p := range v.parts() {
		if s := p.about(); sequence > s.Before && sequence <= s.Sequence {
			return p.entry(int(sequence - s.Before - 1))
		}
	}
	return entry{}, ErrNotFound
}

// record returns the record at p, proven to be the one that stands there. hash,
// if not nil, must be its hash.
func (v *view) record(p place, hash *record.Hash) (record.Entry, error) {
	data, e, err := v.bytes(p, hash)
	if err != nil {
		return record.Entry{}, err
	}
	r, err := record.Decode(data)
	if err != nil {
		return record.Entry{}, &DamageError{File: journalKind.name(e.at.segment), Offset: e.at.offset, What: err.Error()}
	}
	return r, v.complete(&r)
}

// bytes returns the bytes of the record at p, as record does.
func (v *view) bytes(p place, hash *record.Hash) ([]byte, entry, error) {
	e, err := v.entry(p.sequence)
	if err != nil {
		return nil, e, err
	}
	if e.generation != p.generation {
		return nil, e, ErrNotFound
	}
	name := journalKind.name(e.at.segment)
	if hash != nil && *hash != e.hash {
		return nil, e, &DamageError{File: name, Offset: e.at.offset, What: fmt.Sprintf("another record stands in place of record %d", p.sequence)}
	}
	data, err := v.bodies.read(e.at)
	if err == nil && record.HashOf(data) != e.hash {
		err = &DamageError{File: name, Offset: e.at.offset, What: fmt.Sprintf("record %d is not the one that was recorded", p.sequence)}
	}
	return data, e, err
}
