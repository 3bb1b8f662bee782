package export

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"time"
)

// Folder is a folder with a table a day, in the form that engines for such folders
// read as one table with a column `day`: day=2026-11-27/part-0.parquet, the days those
// of UTC. It is made under another name, which begins with a dot and ends in .part,
// and gets its own when all of it is on the disk: a folder under its own name is whole.
// One goroutine uses it, and one file is open at a time: rows come in the order of
// time. A day that comes again, as after a clock was set, gets another part.
type Folder[R any] struct {
	path, made string
	format     Format
	begin      func(io.Writer, Format) (*Table[R], error)
	day        int64 // since 1970, of the file that is open
	file       *os.File
	table      *Table[R]
	folders    []string // to be brought onto the disk
}

// NewFolder begins a folder whose tables begin makes. Nothing that is not an empty
// folder may have its name.
func NewFolder[R any](path string, f Format, begin func(io.Writer, Format) (*Table[R], error)) (*Folder[R], error) {
	path = filepath.Clean(path)
	switch list, err := os.ReadDir(path); {
	case errors.Is(err, os.ErrNotExist):
	case err != nil:
		return nil, fmt.Errorf("%s cannot be a folder of tables: %w", path, err)
	case len(list) > 0:
		return nil, fmt.Errorf("%s is not empty: name a folder that is not there, so that no old day stays among the new ones", path)
	}
	made, err := os.MkdirTemp(filepath.Dir(path), "."+filepath.Base(path)+".*.part")
	if err != nil {
		return nil, err
	}
	return &Folder[R]{path: path, made: made, format: f, begin: begin, folders: []string{made}}, nil
}

// Write adds a row of the time at.
func (f *Folder[R]) Write(at time.Time, r *R) error {
	if day := dayOf(at); f.table == nil || day != f.day {
		if err := f.next(day, at); err != nil {
			return err
		}
	}
	return f.table.Write(r)
}

// dayOf counts days of UTC.
func dayOf(at time.Time) int64 {
	const day = 24 * 60 * 60
	s := at.Unix()
	return (s - ((s%day)+day)%day) / day
}

func (f *Folder[R]) next(day int64, at time.Time) error {
	if err := f.end(); err != nil {
		return err
	}
	dir := filepath.Join(f.made, "day="+at.UTC().Format(time.DateOnly))
	switch err := os.Mkdir(dir, 0o750); {
	case err == nil:
		f.folders = append(f.folders, dir)
	case !errors.Is(err, os.ErrExist):
		return err
	}
	for part := 0; ; part++ {
		file, err := os.OpenFile(filepath.Join(dir, fmt.Sprintf("part-%d.%s", part, f.format)), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
		if errors.Is(err, os.ErrExist) {
			continue
		}
		if err != nil {
			return err
		}
		f.day, f.file = day, file
		f.table, err = f.begin(file, f.format)
		return err
	}
}

// end finishes the file that is open.
func (f *Folder[R]) end() error {
	if f.file == nil {
		return nil
	}
	var err error
	if f.table != nil {
		err = f.table.Flush()
	}
	if err == nil {
		err = f.file.Sync()
	}
	err = errors.Join(err, f.file.Close())
	f.file, f.table = nil, nil
	return err
}

// Add writes one more file beside the days. A name that begins with _ is none that
// engines read.
func (f *Folder[R]) Add(name string, write func(io.Writer) error) error {
	return ToFile(filepath.Join(f.made, name), write)
}

// Finish gives the folder its name.
func (f *Folder[R]) Finish() error {
	if err := f.end(); err != nil {
		return err
	}
	for _, dir := range f.folders {
		if err := syncFolder(dir); err != nil {
			return err
		}
	}
	if err := os.Chmod(f.made, 0o750); err != nil {
		return err
	}
	if err := os.Remove(f.path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err // somebody filled it meanwhile
	}
	if err := os.Rename(f.made, f.path); err != nil {
		return err
	}
	f.made = ""
	return syncFolder(filepath.Dir(f.path))
}

// Close removes a folder that was not finished.
func (f *Folder[R]) Close() error {
	if f.made == "" {
		return nil
	}
	var err error
	if f.file != nil {
		err = f.file.Close()
	}
	return errors.Join(err, os.RemoveAll(f.made))
}

// syncFolder brings the names in a folder onto the disk, where the system can.
func syncFolder(path string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
