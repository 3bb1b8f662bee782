package store

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// Create makes an empty store in dir, which must not exist or be empty:
// ErrExists otherwise. It is there whole or not at all.
func Create(dir string, o Options) error {
	if err := create(dir, o.withDefaults()); err != nil {
		return fmt.Errorf("creating the store %s: %w", dir, err)
	}
	return nil
}

func create(dir string, o Options) error {
	if strings.TrimSpace(o.Station) == "" {
		return errors.New("the station has no name")
	}
	return makeFolder(dir, o.disk, func(tmp string) error { return fillFolder(tmp, o, false) })
}

// makeFolder makes the folder dir, which must not exist or be empty, with what
// fill puts into it: whole or not at all.
func makeFolder(dir string, d disk, fill func(tmp string) error) (err error) {
	switch entries, err := os.ReadDir(dir); {
	case err == nil && len(entries) > 0:
		return ErrExists
	case err != nil && !errors.Is(err, os.ErrNotExist):
		return err
	}
	parent := filepath.Dir(dir)
	if err := os.MkdirAll(parent, dirMode); err != nil {
		return err
	}
	tmp, err := os.MkdirTemp(parent, ".new-store-*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(tmp))
		}
	}()
	if err := fill(tmp); err != nil {
		return err
	}
	if err := os.Chmod(tmp, dirMode); err != nil {
		return err
	}
	if err := ignoreMissing(os.Remove(dir)); err != nil {
		return err
	}
	if err := d.Rename(tmp, dir); err != nil {
		return err
	}
	return d.SyncDir(parent)
}

// fillFolder makes the files of an empty store.
func fillFolder(dir string, o Options, simulated bool) error {
	h := header{Kind: journalKind, Station: o.Station, Generation: 1, Number: 1, Created: o.Now().UTC(), Simulated: simulated}
	if _, err := io.ReadFull(o.Random, h.Store[:]); err != nil {
		return err
	}
	f, end, _, err := createSegment(o.disk, dir, h)
	if err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	m := mark{Store: h.Store, Station: h.Station, Generation: h.Generation, Journal: 1, JournalEnd: end}
	if err := writeMark(o.disk, dir, m); err != nil {
		return err
	}
	return o.disk.SyncDir(dir) // its names are durable before it gets its own
}
