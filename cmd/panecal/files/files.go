// Package files reads and writes the small files around a station with the care
// that they need: nobody else may have written what decides how units are
// judged, and nothing is written over by mistake.
package files

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// ReadTrusted reads a small file that nobody else may have written.
func ReadTrusted(path string) ([]byte, error) { return read(path, trusted) }

// ReadPrivate reads a small file that nobody else may have written or may read.
func ReadPrivate(path string) ([]byte, error) {
	return read(path, func(path string, i fs.FileInfo) error {
		return errors.Join(trusted(path, i), private(path, i))
	})
}

func read(path string, check func(string, fs.FileInfo) error) ([]byte, error) {
	f, err := os.Open(path)
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
	const most = 1 << 20
	data, err := io.ReadAll(io.LimitReader(f, most+1))
	if err == nil && len(data) > most {
		err = fmt.Errorf("%s is longer than %d bytes", path, most)
	}
	return data, err
}

// WriteNew writes a file that must not exist.
func WriteNew(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o640)
	if err != nil {
		return fmt.Errorf("writing %s: %w", path, err)
	}
	if _, err := f.Write(data); err != nil {
		return errors.Join(fmt.Errorf("writing %s: %w", path, err), f.Close())
	}
	return f.Close()
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
