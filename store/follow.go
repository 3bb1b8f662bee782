package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"
)

// Follower reads a log that another process may be writing, or a copy of one.
// It uses the files that the station keeps beside the segments. What is missing
// there, or of no use to this program, it makes of the segments and keeps under a
// cache directory, in memory where that cannot be written. It asks nothing of the
// writer.
type Follower struct {
	Reader
	worker *worker
	index  *index
}

// followPatience is how long a follower waits for another one with the same
// cache.
const followPatience = 30 * time.Second

// Follow opens a reader of the store in dir; cache is a directory of the
// user's own, where followers of many stores may live, "" for none. ErrNoStore if there is
// none. The caller closes it.
func Follow(dir, cache string) (*Follower, error) { return FollowTelling(dir, cache, nil) }

// FollowTelling does the same and tells progress how many bytes of how many of
// the journal were gone through, where that takes a while: an old store, or one
// that lost its index.
func FollowTelling(dir, cache string, progress func(done, total int64)) (*Follower, error) {
	f, err := follow(osDisk{}, dir, cache, progress)
	if err != nil {
		return nil, fmt.Errorf("following the store %s: %w", dir, err)
	}
	return f, nil
}

func follow(d disk, dir, cache string, progress func(done, total int64)) (*Follower, error) {
	first, err := openSegment(d, dir, journalKind, 1)
	if errors.Is(err, os.ErrNotExist) {
		return nil, noStore(d, dir)
	}
	if err != nil {
		return nil, err
	}
	if err := first.Close(); err != nil {
		return nil, err
	}
	own := ""
	if cache != "" {
		own = filepath.Join(cache, first.header.Store.String()[:32])
		if os.MkdirAll(own, dirMode) != nil {
			own = "" // in memory, then
		}
	}
	f := &Follower{index: &index{disk: d, segments: dir, dir: own}}
	f.index.exclusive, f.index.progress = f.alone, progress
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

// look answers one question.
func (f *Follower) look(fn func(*view) error) error {
	return f.worker.do(func() error { return f.index.look(fn) })
}

// Behind returns how many bytes of the journal are not yet a whole record:
// one that is being written, or what a crash left.
func (f *Follower) Behind() (int64, error) {
	var n int64
	err := f.look(func(*view) error { n = f.index.tail; return nil })
	return n, err
}

// Close lets the follower go; what it has made stays for the next one.
func (f *Follower) Close() error {
	err := f.worker.do(f.index.close)
	f.worker.close()
	if errors.Is(err, ErrClosed) {
		return nil
	}
	return err
}
