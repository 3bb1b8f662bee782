package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"
)

// Follower reads a log that another process may be writing, or a copy of one.
// It has a database of its own under a cache directory, brought up to date
// from the segments at each question, and asks nothing of the writer.
type Follower struct {
	Reader
	worker *worker
	index  *index
}

// followPatience is how long a follower waits for another one with the same
// cache.
const followPatience = 30 * time.Second

// Follow opens a reader of the store in dir; cache is a directory of the
// user's own, where followers of many stores may live. ErrNoStore if there is
// none. The caller closes it.
func Follow(dir, cache string) (*Follower, error) {
	f, err := follow(osDisk{}, dir, cache)
	if err != nil {
		return nil, fmt.Errorf("following the store %s: %w", dir, err)
	}
	return f, nil
}

func follow(d disk, dir, cache string) (*Follower, error) {
	first, err := openSegment(d, dir, journalKind, 1)
	if errors.Is(err, os.ErrNotExist) {
		return nil, noStore(d, dir)
	}
	if err != nil {
		return nil, err
	}
	own := filepath.Join(cache, first.header.Store.String()[:32])
	if err := errors.Join(first.Close(), os.MkdirAll(own, dirMode)); err != nil {
		return nil, err
	}
	f := &Follower{index: &index{disk: d, segments: dir, dir: own}}
	f.Reader = Reader{disk: d, dir: dir, view: f.look, columns: columns{disk: d, dir: dir, own: own, exclusive: f.alone}}
	f.worker = newWorker(nil, nil)
	if err := f.look(func(*view) error { return nil }); err != nil {
		f.worker.close()
		return nil, err
	}
	return f, nil
}

// alone runs fn while no other follower writes to the same folder.
func (f *Follower) alone(fn func() error) error {
	l, err := holdFor(f.index.dir, "a follower", time.Now, followPatience)
	if err != nil {
		return err
	}
	return errors.Join(fn(), l.Release())
}

// look answers one question. The database is open only meanwhile, so that
// several commands of one user share it.
func (f *Follower) look(fn func(*view) error) error {
	return f.worker.do(func() error {
		return f.alone(func() error {
			err := guarded(func() error { return f.index.look(fn) })
			if p := (panicError{}); errors.As(err, &p) {
				err = &DamageError{File: databaseName, Offset: -1, What: err.Error()}
			}
			return errors.Join(err, f.index.close())
		})
	})
}

// Behind returns how many bytes of the journal are not yet a whole record:
// one that is being written, or what a crash left.
func (f *Follower) Behind() (int64, error) {
	var n int64
	err := f.look(func(*view) error { n = f.index.tail; return nil })
	return n, err
}

// Close lets the follower go; its database stays for the next one.
func (f *Follower) Close() error {
	f.worker.close()
	return nil
}
