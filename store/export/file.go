package export

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// ToFile writes a file that is whole or not there: write fills a file beside
// path, which takes path's name when all of it is on the disk. A file that had
// the name is replaced; anything else that has it, such as a device, is an error.
func ToFile(path string, write func(io.Writer) error) (err error) {
	if i, err := os.Stat(path); err == nil && !i.Mode().IsRegular() {
		return fmt.Errorf("%s is no regular file: name another, or - for standard output", path)
	}
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*.part")
	if err != nil {
		return err
	}
	whole := false
	defer func() {
		if !whole {
			err = errors.Join(err, os.Remove(f.Name()))
		}
	}()
	err = write(f)
	if err == nil {
		err = errors.Join(f.Chmod(0o640), f.Sync())
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return err
	}
	whole = true
	return nil
}
