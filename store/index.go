package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"go.etcd.io/bbolt"

	"example.org/panecal/store/record"
)

// index is the log for use: the database. One goroutine uses it.
// Whatever it holds comes from the segments by catchUp, so that it can always
// be thrown away.
type index struct {
	disk     disk
	segments string // directory of the segments
	dir      string // of the database
	// limit, if set, says how far the segments are acknowledged; without it
	// they are followed as far as they are whole.
	limit func() mark
	// own says that the segments were written by this process or by an
	// earlier one under the same lock: a database that disagrees is then
	// damage, where a follower starts anew.
	own bool

	proven   bool // the database's structure, once
	db       *bbolt.DB
	info     os.FileInfo // of the database file that is open
	setAside []string    // names of databases that failed and were set aside
	remade   []string    // what was made anew, and why, in words
	tail     int64       // bytes after the last whole frame of the journal
}

// errOutdated says that a derived file is of another version of the program:
// it is made anew, and no damage.
var errOutdated = errors.New("made by another version of the program")

const (
	batchRecords = 1024
	batchBytes   = 8 << 20
)

func (ix *index) path() string { return filepath.Join(ix.dir, databaseName) }

// open opens the database; a database that is missing is made,
// one that is damaged is set aside and built anew from the segments.
func (ix *index) open() error {
	if ix.db != nil {
		return nil
	}
	if _, err := os.Stat(ix.path()); errors.Is(err, os.ErrNotExist) {
		if err := createDatabase(ix.disk, ix.path()); err != nil {
			return fmt.Errorf("making the database: %w", err)
		}
	}
	if !ix.proven {
		err := provePages(ix.path())
		if errors.Is(err, ErrDamaged) {
			if err = ix.setDatabaseAside(); err == nil {
				err = createDatabase(ix.disk, ix.path())
			}
		}
		if err != nil {
			return fmt.Errorf("proving the database: %w", err)
		}
		ix.proven = true
	}
	db, err := openBolt(ix.path())
	if err != nil {
		return fmt.Errorf("opening the database: %w", err)
	}
	ix.db = db
	if ix.info, err = os.Stat(ix.path()); err != nil {
		return errors.Join(err, ix.close())
	}
	return nil
}

// replaced says whether somebody deleted or replaced a file that is open:
// what is written there is then seen by nobody.
func (ix *index) replaced() bool {
	return ix.db != nil && errors.Is(linked(ix.path(), ix.info), errReplaced)
}

// setDatabaseAside keeps the damaged file for whoever wants to look into it.
func (ix *index) setDatabaseAside() error {
	for n := 1; ; n++ {
		name := fmt.Sprintf("%s.damaged-%d", databaseName, n)
		if _, err := os.Lstat(filepath.Join(ix.dir, name)); !errors.Is(err, os.ErrNotExist) {
			if err != nil {
				return err
			}
			continue
		}
		ix.setAside = append(ix.setAside, name)
		ix.remade = append(ix.remade, databaseName+": it was damaged, is kept as "+name+" and made anew")
		return os.Rename(ix.path(), filepath.Join(ix.dir, name))
	}
}

// close lets go of the database; the next use opens them again.
func (ix *index) close() error {
	db := ix.db
	if ix.db = nil; db == nil {
		return nil
	}
	return db.Close()
}

// startAnew removes the database, so that the next catch-up builds it again.
func (ix *index) startAnew() error {
	return errors.Join(ix.close(), os.Remove(ix.path()))
}

// look runs fn on the database after catching up. A database that turns out
// to be damaged is set aside and built anew from the segments, once; fn is
// then called again and must begin anew.
func (ix *index) look(fn func(*view) error) error {
	err := ix.lookOnce(fn)
	d := (*DamageError)(nil)
	if !errors.As(err, &d) || d.File != databaseName {
		return err
	}
	if aside := errors.Join(ix.close(), ix.setDatabaseAside()); aside != nil {
		return errors.Join(err, aside)
	}
	return ix.lookOnce(fn)
}

func (ix *index) lookOnce(fn func(*view) error) error {
	if err := ix.catchUp(); err != nil {
		return err
	}
	return ix.db.View(func(tx *bbolt.Tx) error {
		p, err := readPosition(tx)
		if err != nil {
			return err
		}
		v := &view{tx: tx, pos: p, bodies: bodies{disk: ix.disk, dir: ix.segments}}
		return errors.Join(fn(v), v.bodies.close())
	})
}

// catchUp brings the database up to the segments. It is the only thing
// that ever writes to it: the station's start, the time after each append,
// a rebuild and every follower all come here. After an error that is not
// about damage the database is closed, for a failed commit may have happened;
// opening it again tells.
func (ix *index) catchUp() error {
	anew := false
	if ix.replaced() {
		ix.proven = false
		if err := ix.close(); err != nil {
			return err
		}
	}
	for {
		if err := ix.open(); err != nil {
			return err
		}
		more, err := ix.batch()
		switch {
		case errors.Is(err, errConflict) && ix.own:
			// The database was only ever given what was in the segments.
			return &DamageError{File: string(journalKind), Offset: -1, What: "the database holds records that the segments do not"}
		case (errors.Is(err, errConflict) || errors.Is(err, errOutdated)) && !anew:
			anew = true
			if errors.Is(err, errOutdated) {
				ix.remade = append(ix.remade, databaseName+": "+err.Error()+", and made anew")
			}
			if err := ix.startAnew(); err != nil {
				return err
			}
		case err != nil:
			return errors.Join(err, ix.close())
		case !more:
			return nil
		}
	}
}

// batch takes in some records in one transaction and says whether there may
// be more.
func (ix *index) batch() (more bool, err error) {
	w := walk{disk: ix.disk, dir: ix.segments}
	defer func() { err = errors.Join(err, w.close()) }()
	if ix.limit != nil {
		m := ix.limit()
		w.limit.segment, w.limit.end = m.Journal, m.JournalEnd
		w.promised = m
	} else if w.promised, err = readMark(ix.disk, ix.segments); ignoreMissing(err) != nil {
		return false, err
	}
	err = ix.db.View(func(tx *bbolt.Tx) (err error) {
		w.pos, err = readPosition(tx)
		return err
	})
	if err != nil {
		return false, err
	}
	if w.pos.Segment != 0 && w.pos.Format != positionFormat {
		return false, errOutdated
	}
	before := w.pos
	var list []found
	size := 0
	for len(list) < batchRecords && size < batchBytes {
		e, data, err := w.record()
		if errors.Is(err, io.EOF) {
			ix.tail = w.tail
			break
		}
		if err != nil {
			return false, err
		}
		list = append(list, found{e, location{w.pos.Segment, w.pos.Last, w.pos.Offset - w.pos.Last}})
		size += len(data)
	}
	if w.pos == before {
		return false, nil
	}
	w.pos.Entries, w.pos.Newest = before.Entries, before.Newest
	for _, f := range list {
		if w.pos.Newest = max(w.pos.Newest, f.entry.Version); f.entry.Later {
			w.pos.Newest = max(w.pos.Newest, record.Version+1)
		}
	}
	return len(list) > 0, ix.db.Update(func(tx *bbolt.Tx) error { return put(tx, &w.pos, list) })
}

// found is a record read from the journal.
type found struct {
	entry record.Entry
	at    location
}

func put(tx *bbolt.Tx, p *position, list []found) error {
	for _, f := range list {
		if err := putRecord(tx, f); err != nil {
			return err
		}
	}
	if err := putKeys(tx, p, list); err != nil {
		return err
	}
	return writePosition(tx, *p)
}

// putKeys files records in the index.
func putKeys(tx *bbolt.Tx, p *position, list []found) error {
	chain := tx.Bucket([]byte(bucketIndex))
	for _, f := range list {
		for _, key := range indexKeys(f.entry) {
			if err := link(chain, key, f.entry.Ref.Hash); err != nil {
				return err
			}
			p.Entries++
		}
	}
	return nil
}
