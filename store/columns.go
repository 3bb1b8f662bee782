package store

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"example.org/panecal/store/column"
	"example.org/panecal/store/record"
)

// columnsName is the file beside a sealed segment with the rows of its
// attempts. It is made once; whoever misses it, or cannot read it, makes it of
// the segment.
func columnsName(segment uint32) string { return fmt.Sprintf("%s-%08d.columns", journalKind, segment) }

// stands says for which part of which log a file of columns stands. It must be
// what the segment after says of the one before.
type stands struct {
	Store    record.Hash `json:"store"`
	Segment  uint32      `json:"segment"`
	End      int64       `json:"end"`      // where the segment ends, byte
	Sequence uint64      `json:"sequence"` // of its last record
	Hash     record.Hash `json:"hash"`     // of that record
}

// about is what the file says of itself beside its columns.
type about struct {
	stands
	First   time.Time `json:"first"` // earliest and latest record of an attempt
	Last    time.Time `json:"last"`
	Changes []change  `json:"changes"` // of disposition, in the segment's order; never null
}

// columns finds the files of columns of a log, and makes those that are not
// there. One that is missing, damaged or of another program costs time only.
type columns struct {
	disk disk
	dir  string // of the segments, and of the files that the station keeps
	// own is the folder of what this process may write: that of the station's
	// files while it holds the lock, a reader's own else, "" for none.
	own string
	// exclusive, if not nil, keeps other processes from writing there meanwhile.
	exclusive func(func() error) error
	// made, if not nil, is told the digest of each file that is made.
	made func(name string, digest record.Hash)
}

// sealed returns what the segment after number says of it.
func (c *columns) sealed(number uint32) (stands, error) {
	next, err := openSegment(c.disk, c.dir, journalKind, number+1)
	if errors.Is(err, os.ErrNotExist) {
		err = &DamageError{File: journalKind.name(number + 1), Offset: -1, What: segmentMissing}
	}
	if err != nil {
		return stands{}, err
	}
	h := next.header
	return stands{Store: h.Store, Segment: number, End: h.PrevEnd, Sequence: h.Sequence, Hash: h.Hash}, next.Close()
}

// open opens the file in folder, if it stands for s. errOutdated: another
// program made it; ErrNotExist: nobody did.
func (c *columns) open(folder string, s stands) (_ *column.Block, found about, f file, err error) {
	name := columnsName(s.Segment)
	f, err = c.disk.Open(filepath.Join(folder, name))
	if err != nil {
		return nil, found, nil, err
	}
	fail := func(err error) (*column.Block, about, file, error) {
		if errors.Is(err, column.ErrDamaged) {
			err = &DamageError{File: name, Offset: -1, What: err.Error()}
		}
		return nil, found, nil, errors.Join(err, f.Close())
	}
	size, err := f.Size()
	if err != nil {
		return fail(err)
	}
	b, err := column.Open(f, size)
	if err != nil {
		return fail(err)
	}
	if err := json.Unmarshal(b.About(), &found); err != nil {
		return fail(errOutdated)
	}
	if found.stands != s {
		return fail(&DamageError{File: name, Offset: -1, What: "it stands for another part of a log"})
	}
	if found.Changes == nil || !hasColumns(b) {
		return fail(errOutdated)
	}
	return b, found, f, nil
}

// excludes says that f picks none of the rows.
func (a *about) excludes(b *column.Block, f *Filter) bool {
	return b.Rows() == 0 || f.excludes(a.First, a.Last)
}

// use lets each take what it needs of the file of a sealed segment. Where there
// is none that is whole, all comes from the segment's records, and each is called
// again.
func (c *columns) use(number uint32, each func(*column.Block, *about) error) error {
	s, err := c.sealed(number)
	if err != nil {
		return err
	}
	for next := 0; ; {
		b, found, f, after, err := c.source(s, next)
		if err != nil {
			return err
		}
		err = each(b, found)
		if f == nil {
			return err
		}
		if cerr := f.Close(); err == nil {
			err = cerr
		}
		if !errors.Is(err, column.ErrDamaged) {
			return err
		}
		next = after
	}
}

// source opens the file of a sealed segment in the first place that has one, of
// those from the place next on, and says which place comes after it. Where none
// is left the block is made of the segment's records, and there is no file.
func (c *columns) source(s stands, next int) (_ *column.Block, _ *about, _ file, after int, _ error) {
	folders := []string{c.dir}
	if c.own != "" && c.own != c.dir {
		folders = append(folders, c.own)
	}
	for ; next < len(folders); next++ {
		// One that cannot be used is made anew of the segment.
		if b, found, f, err := c.open(folders[next], s); err == nil {
			return b, &found, f, next + 1, nil
		}
	}
	rows, changes, err := c.read(s)
	if err != nil {
		return nil, nil, nil, next, err
	}
	found, data, err := blockOf(s, rows, changes)
	if err != nil {
		return nil, nil, nil, next, err
	}
	if c.own != "" {
		// Another time it is quicker; that it cannot be kept is no reason not to
		// answer.
		_ = c.keep(s.Segment, data)
	}
	b, err := column.Open(bytesAt(data), int64(len(data)))
	return b, found, nil, next, err
}

// read makes the rows of a sealed segment of its records.
func (c *columns) read(s stands) ([]Row, []change, error) {
	w, err := walkFrom(c.disk, c.dir, s.Segment)
	if err != nil {
		return nil, nil, err
	}
	w.limit.segment, w.limit.end = s.Segment, s.End
	rows, changes, err := gather(w)
	if err == nil && (w.pos.Sequence != s.Sequence || w.pos.Hash != s.Hash) {
		err = &DamageError{File: journalKind.name(s.Segment), Offset: w.pos.Offset, What: fmt.Sprintf("it ends at record %d, the next begins after %d", w.pos.Sequence, s.Sequence)}
	}
	return rows, changes, errors.Join(err, w.close())
}

// blockOf returns the block of columns of some rows, and what it says of itself.
func blockOf(part stands, rows []Row, changes []change) (*about, []byte, error) {
	s := &about{stands: part, Changes: append([]change{}, changes...)}
	for i := range rows {
		if t := rows[i].Time; i == 0 || t.Before(s.First) {
			s.First = t
		}
		if t := rows[i].Time; t.After(s.Last) {
			s.Last = t
		}
	}
	text, err := json.Marshal(s)
	if err != nil {
		return nil, nil, err
	}
	data, err := packRows(text, rows)
	return s, data, err
}

// keep writes the file of a sealed segment.
func (c *columns) keep(segment uint32, data []byte) error {
	name := columnsName(segment)
	err := c.write(name, data)
	if err == nil && c.made != nil {
		c.made(name, record.HashOf(data))
	}
	return err
}

// write writes a file of this process's own.
func (c *columns) write(name string, data []byte) error {
	write := func() error { return replaceUnsynced(c.disk, filepath.Join(c.own, name), data) }
	if c.exclusive != nil {
		return c.exclusive(write)
	}
	return write()
}

// settle sees to it that a sealed segment has its file, and says in words what
// was wrong with one that it had.
func (c *columns) settle(number uint32) (remade string, err error) {
	s, err := c.sealed(number)
	if err != nil {
		return "", err
	}
	b, _, f, err := c.open(c.own, s)
	if err == nil {
		err = b.Verify()
		if errors.Is(err, column.ErrDamaged) {
			err = &DamageError{File: columnsName(number), Offset: -1, What: err.Error()}
		}
		err = errors.Join(err, f.Close())
	}
	switch {
	case err == nil:
		return "", nil
	case errors.Is(err, os.ErrNotExist):
	case errors.Is(err, errOutdated):
		remade = columnsName(number) + ": " + err.Error() + ", and made anew"
	case errors.Is(err, ErrDamaged):
		remade = columnsName(number) + ": damaged, and made anew"
	default:
		return "", err
	}
	rows, changes, err := c.read(s)
	if err != nil {
		return "", err
	}
	_, data, err := blockOf(s, rows, changes)
	if err != nil {
		return "", err
	}
	return remade, c.keep(number, data)
}

// walkFrom returns a walk from the beginning of a segment.
func walkFrom(d disk, dir string, number uint32) (*walk, error) {
	s, err := openSegment(d, dir, journalKind, number)
	if errors.Is(err, os.ErrNotExist) {
		err = &DamageError{File: journalKind.name(number), Offset: -1, What: segmentMissing}
	}
	if err != nil {
		return nil, err
	}
	h := s.header
	return &walk{disk: d, dir: dir, seg: s, pos: position{Store: h.Store, Station: h.Station, Generation: h.Generation,
		Segment: number, Offset: s.start, Sequence: h.Sequence, Hash: h.Hash}}, nil
}
