package store

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"example.org/panecal/store/record"
)

// derivedCheck holds the database against the journal. It reads the
// database's pages by itself, which damage cannot lead astray, and walks the
// journal beside its records, so that it needs no room for either.
type derivedCheck struct {
	*checker
	walk    walk
	pos     position
	hasPos  bool
	stopped error // why the journal could not be followed to the database's end

	next    []byte // key that the index must have next
	chained bool   // the chain has begun
	entries int64
	seen    digest          // of the index as it is
	wanted  digest          // of the index as the journal makes it
	said    map[string]bool // each kind of damage is told once

	before int // problems that were known before these files were looked at
	// other says that another version of the program made it: what it holds is
	// then none of this one's business.
	other bool
}

// digest is the same for the same set in any order.
type digest [4]uint64

func (d *digest) add(key []byte, hash record.Hash) {
	h := record.HashOf(append(append(make([]byte, 0, len(key)+len(hash)), key...), hash[:]...))
	for i := range d {
		d[i] += little.Uint64(h[8*i:])
	}
}

func (c *checker) derived() (err error) {
	d := &derivedCheck{checker: c, walk: walk{disk: c.disk, dir: c.dir, promised: c.mark}, said: map[string]bool{}, before: len(c.report.Problems)}
	defer func() { err = errors.Join(err, d.walk.close()) }()
	f, err := c.disk.Open(filepath.Join(c.dir, databaseName))
	if errors.Is(err, os.ErrNotExist) {
		c.problem(databaseName, -1, "the file is missing")
		return nil
	}
	if err != nil {
		return err
	}
	defer f.Close()
	size, err := f.Size()
	if err != nil {
		return err
	}
	if err := walkPages(f, size, d.visit); err != nil {
		return c.take(err)
	}
	return d.end()
}

// once files one problem of each kind: one cause often shows many times.
func (d *derivedCheck) once(file, what string) {
	if !d.said[file+what] {
		d.said[file+what] = true
		d.problem(file, -1, what)
	}
}

func (d *derivedCheck) visit(bucket string, key []byte, value func() ([]byte, error)) error {
	if d.other {
		return nil
	}
	v, err := value()
	if err != nil {
		return err
	}
	switch bucket {
	case bucketIndex:
		return d.entry(key, v)
	case bucketMeta:
		if string(key) != positionKey {
			d.once(databaseName, "an unknown key")
			return nil
		}
		if err := unseal(v, &d.pos); err != nil {
			d.once(databaseName, "position: "+err.Error())
			return nil
		}
		d.hasPos = true
		if d.pos.Format != positionFormat {
			d.other = true
			d.report.Problems = d.report.Problems[:d.before]
			d.note(databaseName + ": " + errOutdated.Error() + "; the next start makes it anew")
			return nil
		}
		if d.known && (d.pos.Store != d.store || d.pos.Station != d.report.Station) {
			d.once(databaseName, "it belongs to another store")
		}
		return nil
	case bucketRecords:
		return d.record(key, v)
	}
	d.once(databaseName, fmt.Sprintf("an unknown bucket %q", bucket))
	return nil
}

// entry follows the chain of the index.
func (d *derivedCheck) entry(key, v []byte) error {
	hash, next, err := chainEntry(key, v)
	if err != nil {
		d.once(databaseName, "index: an entry is not what was written")
		d.next = nil
		return nil
	}
	if !d.chained {
		d.chained = true
		if string(key) != chainFirst {
			d.once(databaseName, "index: its beginning is missing")
		}
	} else {
		d.entries++
		d.seen.add(key, hash)
		if d.next != nil && !bytes.Equal(key, d.next) {
			d.once(databaseName, "index: an entry is missing")
		}
	}
	d.next = bytes.Clone(next)
	return nil
}

// record holds one record of the database against the next of the journal.
func (d *derivedCheck) record(key, v []byte) error {
	if !d.hasPos {
		d.once(databaseName, "records without a position")
		return nil
	}
	if d.stopped != nil {
		return nil
	}
	e, _, err := d.walk.record()
	if errors.Is(err, io.EOF) || errors.Is(err, errConflict) || errors.Is(err, ErrDamaged) {
		d.stopped = err
		if errors.Is(err, io.EOF) {
			d.once(databaseName, "it holds records that the journal does not")
		} else {
			d.note("the database was compared up to where the journal is damaged")
		}
		return nil
	}
	if err != nil {
		return err
	}
	due := place{e.Ref.Generation, e.Ref.Sequence}.append(nil)
	p := d.walk.pos
	if !bytes.Equal(key, due) || !bytes.Equal(v, locationValue(due, e.Ref.Hash, location{p.Segment, p.Last, p.Offset - p.Last})) {
		d.once(databaseName, fmt.Sprintf("record %d is not as the journal has it", e.Ref.Sequence))
		d.stopped = errConflict
		return nil
	}
	for _, k := range indexKeys(e) {
		d.wanted.add(k, e.Ref.Hash)
	}
	return nil
}

// end holds the sums against each other and tells how far the database is.
func (d *derivedCheck) end() error {
	if d.other {
		return nil
	}
	switch {
	case !d.chained:
		d.once(databaseName, "the index is missing")
	case d.next != nil && string(d.next) != chainEnd:
		d.once(databaseName, "index: its end is missing")
	}
	if d.stopped != nil {
		return nil
	}
	w := d.walk.pos
	if d.hasPos && (w.Sequence != d.pos.Sequence || w.Hash != d.pos.Hash) {
		d.once(databaseName, fmt.Sprintf("it says that it holds %d records and holds %d", d.pos.Sequence, w.Sequence))
		return nil
	}
	if d.entries != d.pos.Entries || d.seen != d.wanted {
		d.once(databaseName, "the index is not as the journal makes it")
	}
	if d.hasPos {
		if w.Segment == 0 {
			d.walk.pos = d.pos // an empty log with a position
		} else if d.pos.Segment == w.Segment && (d.pos.Offset != w.Offset || d.pos.Last != w.Last) {
			d.once(databaseName, "its position is not where its last record ends")
		}
	}
	behind := 0
	for {
		_, _, err := d.walk.record()
		if err != nil {
			if !errors.Is(err, io.EOF) && !errors.Is(err, errConflict) && !errors.Is(err, ErrDamaged) {
				return err
			}
			break
		}
		behind++
	}
	if behind > 0 {
		d.note(fmt.Sprintf("the database is %d records behind; it catches up at the next start", behind))
	}
	return nil
}
