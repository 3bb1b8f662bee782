package store

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"
)

const lockName = "lock"

// lock is held by the process that writes. Its file is never deleted: a lock
// on a file that can be replaced is no lock.
type lock struct{ f *os.File }

// errLocked is what tryLock returns when another process has the lock.
var errLocked = errors.New("locked")

// holdLock takes the lock of dir, or returns a HeldError.
func holdLock(dir, command string, now time.Time) (*lock, error) {
	f, err := os.OpenFile(filepath.Join(dir, lockName), os.O_RDWR|os.O_CREATE, fileMode)
	if err != nil {
		return nil, err
	}
	if err := tryLock(f); err != nil {
		if errors.Is(err, errLocked) {
			err = &HeldError{Holder: readHolder(f)}
		} else {
			err = fmt.Errorf("locking the store: %w", err)
		}
		return nil, errors.Join(err, f.Close())
	}
	if err := writeHolder(f, command, now); err != nil {
		return nil, errors.Join(fmt.Errorf("naming the holder: %w", err), f.Close())
	}
	return &lock{f}, nil
}

// waitLock takes the lock of dir as soon as it is free, or returns the
// HeldError of the last try.
func waitLock(dir, command string, now func() time.Time, patience time.Duration) (*lock, error) {
	const pause = 5 * time.Millisecond
	for tries := patience / pause; ; tries-- {
		l, err := holdLock(dir, command, now())
		if err == nil || !errors.Is(err, ErrHeld) || tries <= 0 {
			return l, err
		}
		time.Sleep(pause)
	}
}

func writeHolder(f *os.File, command string, now time.Time) error {
	host, err := os.Hostname()
	if err != nil {
		host = "unknown"
	}
	b, err := json.Marshal(Holder{Host: host, PID: os.Getpid(), Since: now.UTC(), Command: command})
	if err != nil {
		return err
	}
	if err := f.Truncate(0); err != nil {
		return err
	}
	_, err = f.WriteAt(append(b, '\n'), 0)
	return err
}

// readHolder reads who holds the lock; the zero Holder where it cannot.
func readHolder(f *os.File) Holder {
	var h Holder
	b := make([]byte, 4096)
	n, _ := f.ReadAt(b, 0) // a short read is the normal case
	if json.Unmarshal(b[:n], &h) != nil {
		return Holder{}
	}
	return h
}

// heldBy says who holds the store in dir, and false if nobody does. It takes
// the lock for a moment and changes nothing.
func heldBy(dir string) (Holder, bool, error) {
	f, err := os.Open(filepath.Join(dir, lockName))
	if errors.Is(err, os.ErrNotExist) {
		return Holder{}, false, nil
	}
	if err != nil {
		return Holder{}, false, err
	}
	defer f.Close()
	err = tryLock(f)
	if errors.Is(err, errLocked) {
		return readHolder(f), true, nil
	}
	if err == nil {
		err = unlock(f)
	}
	return Holder{}, false, err
}

// held says whether the lock still keeps others out: its file may have been
// deleted, and another process may hold the one that took its place.
func (l *lock) held() error {
	i, err := l.f.Stat()
	if err != nil {
		return err
	}
	return linked(l.f.Name(), i)
}

// release lets the lock go.
func (l *lock) release() error {
	return errors.Join(l.f.Truncate(0), unlock(l.f), l.f.Close())
}
