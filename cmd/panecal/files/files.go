// Package files writes the small files around a station with the care that they
// need: nothing is written over by mistake, and nothing is left half written.
package files

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"example.org/panecal/limits/guard"
)

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
	return guard.Replace(path, data, mode)
}
