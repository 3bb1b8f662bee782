// Package guard reads files that decide how units are judged, and files that
// stand where others may put something else: nobody else may have written the
// first, and none of the second ever keeps a program waiting.
//
// It judges permissions, not content. It is no defence against the system's
// administrator, nor against the user that the program runs as. Everything may
// be used from several goroutines.
package guard

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// ErrOpen is wrapped by the error of a file that others may change.
var ErrOpen = errors.New("others may change it")

// most is the longest file that Read returns, bytes.
const most = 1 << 20

// Open opens a plain file as os.OpenFile does. Anything else under its name (a
// named pipe, a device, a folder) is an error at once: to open a pipe would wait
// for somebody at its other end.
func Open(path string, flag int, mode fs.FileMode) (*os.File, error) {
	f, err := os.OpenFile(path, flag|syscall.O_NONBLOCK, mode)
	if err != nil {
		return nil, err
	}
	i, err := f.Stat()
	if err == nil && !i.Mode().IsRegular() {
		err = &fs.PathError{Op: "open", Path: path, Err: fmt.Errorf("it is no plain file but %s: remove it, or put the file there", kind(i.Mode()))}
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

func kind(m fs.FileMode) string {
	switch {
	case m.IsDir():
		return "a folder"
	case m&fs.ModeNamedPipe != 0:
		return "a named pipe"
	case m&fs.ModeSocket != 0:
		return "a socket"
	case m&fs.ModeDevice != 0:
		return "a device"
	}
	return "something else"
}

// ReadFile returns the content of a small plain file, whoever wrote it.
func ReadFile(path string) ([]byte, error) {
	return read(path, func(string, fs.FileInfo) error { return nil })
}

// Replace writes beside the file and then takes its name, so that nobody ever
// reads half of it.
func Replace(path string, data []byte, mode fs.FileMode) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".panecal-*")
	if err != nil {
		return fmt.Errorf("writing the file: %w", err)
	}
	_, err = f.Write(data)
	err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("writing the file: %w", err), os.Remove(f.Name()))
	}
	return nil
}

// Read returns the content of a small plain file that only this user and the
// system's administrator can have written: by its own permissions, and by those
// of every folder above, where another file could be put in its place. The error
// of one that others may change wraps ErrOpen and says who can mend it and how.
// Where Blind, permissions are not looked at.
func Read(path string) ([]byte, error) { return read(path, closed) }

// ReadPrivate is Read for a file that nobody else may read either.
func ReadPrivate(path string) ([]byte, error) {
	return read(path, func(path string, i fs.FileInfo) error {
		return errors.Join(closed(path, i), private(path, i))
	})
}

func read(path string, check func(string, fs.FileInfo) error) ([]byte, error) {
	f, err := Open(path, os.O_RDONLY, 0)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	i, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if err := check(path, i); err != nil {
		return nil, err
	}
	data, err := io.ReadAll(io.LimitReader(f, most+1))
	if err == nil && len(data) > most {
		err = fmt.Errorf("%s is longer than %d bytes", path, most)
	}
	return data, err
}

// closed says whether nobody else may change the file or put another in its
// place, by the way its name takes and by the way to where it really is.
func closed(path string, i fs.FileInfo) error {
	if Blind {
		return nil
	}
	if err := own(path, i); err != nil {
		return err
	}
	path, err := filepath.Abs(path)
	if err != nil {
		return err
	}
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return err
	}
	for _, at := range []string{path, real} {
		for folder := filepath.Dir(at); ; folder = filepath.Dir(folder) {
			i, err := os.Stat(folder)
			if err != nil {
				return err
			}
			if err := own(folder, i); err != nil {
				return fmt.Errorf("%s stands in a folder where others may put another in its place: %w", path, err)
			}
			if folder == filepath.Dir(folder) {
				break
			}
		}
		if real == path {
			break
		}
	}
	return nil
}
