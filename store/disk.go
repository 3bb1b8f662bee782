package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"

	"example.org/panecal/limits/guard"
)

// disk is what the store asks of a file system, one method for each call that
// can fail by itself, so that tests can make each fail.
type disk interface {
	Create(path string) (file, error) // for writing, must not exist
	Open(path string) (file, error)   // for reading
	Update(path string) (file, error) // for reading and writing, made if missing
	Rename(from, to string) error
	Remove(path string) error
	List(dir string) ([]string, error) // names, sorted
	SyncDir(dir string) error
	// Linked says whether path still names f: a file that was deleted or
	// replaced takes writes and loses them.
	// The error wraps errReplaced if not.
	Linked(path string, f file) error
	Free(dir string) (uint64, error) // bytes that may still be written
}

type file interface {
	io.ReaderAt
	io.WriterAt
	io.Closer
	Sync() error
	Truncate(size int64) error
	Size() (int64, error)
}

// Modes of everything a store makes.
const (
	fileMode = 0o640
	dirMode  = 0o750
)

// errReplaced says that a file in use was deleted or replaced.
var errReplaced = errors.New("deleted or replaced while it was in use")

type osDisk struct{}

type osFile struct{ *os.File }

func (f osFile) Size() (int64, error) {
	i, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return i.Size(), nil
}

func open(path string, flag int) (file, error) {
	f, err := guard.Open(path, flag, fileMode)
	if err != nil {
		return nil, err
	}
	return osFile{f}, nil
}

func (osDisk) Create(path string) (file, error) {
	return open(path, os.O_RDWR|os.O_CREATE|os.O_EXCL)
}
func (osDisk) Open(path string) (file, error)   { return open(path, os.O_RDONLY) }
func (osDisk) Update(path string) (file, error) { return open(path, os.O_RDWR|os.O_CREATE) }
func (osDisk) Rename(from, to string) error     { return os.Rename(from, to) }
func (osDisk) Remove(path string) error         { return os.Remove(path) }
func (osDisk) Free(dir string) (uint64, error)  { return freeSpace(dir) }

func (osDisk) List(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	names := make([]string, len(entries))
	for i, e := range entries {
		names[i] = e.Name()
	}
	return names, nil
}

// SyncDir makes renames in dir durable. Windows has no such call and orders
// directory changes itself.
func (osDisk) SyncDir(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

func (osDisk) Linked(path string, f file) error {
	o, ok := f.(osFile)
	if !ok {
		return fmt.Errorf("%s: not a file of this disk", path)
	}
	mine, err := o.Stat()
	if err != nil {
		return err
	}
	return linked(path, mine)
}

// linked says whether path still names the file of which i was told.
func linked(path string, i os.FileInfo) error {
	there, err := os.Stat(path)
	if errors.Is(err, os.ErrNotExist) || err == nil && !os.SameFile(i, there) {
		return fmt.Errorf("%s: %w", path, errReplaced)
	}
	return err
}

// replaceUnsynced makes path hold data in one step, and durably once the
// directory is synced: after a power cut before that, either the old content
// is there or the new.
func replaceUnsynced(d disk, path string, data []byte) error {
	return replaceWith(d, path, func(w io.WriterAt) error { _, err := w.WriteAt(data, 0); return err })
}

// replaceWith does the same with what fill writes.
func replaceWith(d disk, path string, fill func(io.WriterAt) error) error {
	tmp := path + ".tmp"
	if err := ignoreMissing(d.Remove(tmp)); err != nil {
		return err
	}
	f, err := d.Create(tmp)
	if err != nil {
		return err
	}
	if err = fill(f); err == nil {
		err = f.Sync()
	}
	// Closed before it is renamed: Windows renames no open file.
	if err = errors.Join(err, f.Close()); err == nil {
		err = d.Rename(tmp, path)
	}
	if err != nil {
		return errors.Join(err, ignoreMissing(d.Remove(tmp)))
	}
	return nil
}

func ignoreMissing(err error) error {
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	return err
}

// readAll returns the content of a small file, at most limit bytes.
func readAll(d disk, path string, limit int64) ([]byte, error) {
	f, err := d.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	n, err := f.Size()
	if err != nil {
		return nil, err
	}
	if n > limit {
		return nil, fmt.Errorf("%s: %d bytes are more than %d", path, n, limit)
	}
	b := make([]byte, n)
	if _, err := f.ReadAt(b, 0); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	return b, nil
}
