package gate

import (
	"io/fs"

	"example.org/panecal/limits/guard"
)

// Put lets before happen before each write onto the share; the gate is not
// served yet. It returns revive.
func (f *Folder) Put(before func() error, revive func()) func() {
	f.put = func(path string, data []byte, mode fs.FileMode) error {
		if err := before(); err != nil {
			return err
		}
		return guard.Replace(path, data, mode)
	}
	return revive
}
