package store_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"example.org/panecal/store"
)

// Bytes that are taken for a segment lead to records, notes or problems, never
// to a panic or an error of another kind.
func FuzzSegment(f *testing.F) {
	dir := smallLog(f)
	whole := load(f, dir)
	path := filepath.Join(dir, "journal-00000003.seg")
	f.Add(whole.files[path].data)
	f.Add(whole.files[filepath.Join(dir, "capture-00000001.seg")].data)
	f.Add([]byte("PANECALJ"))
	f.Fuzz(func(t *testing.T, data []byte) {
		m := &memory{files: map[string]*memoryFile{}}
		for p, file := range whole.files {
			m.files[p] = &memoryFile{m, file.data}
		}
		m.files[path] = &memoryFile{m, data}
		r, err := store.CheckOn(m, dir, false)
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Problems) == 0 && !bytes.HasPrefix(data, whole.files[path].data) {
			t.Errorf("an acknowledged segment was changed and nothing reported: %+v", r)
		}
	})
}

// Bytes that are proven to be a database are read by bbolt without a panic.
func FuzzDatabase(f *testing.F) {
	dir := smallLog(f)
	data, err := os.ReadFile(filepath.Join(dir, "log.db"))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data, uint32(0), byte(0))
	f.Add(data[:8192], uint32(4096), byte(1))
	scratch := f.TempDir()
	f.Fuzz(func(t *testing.T, data []byte, at uint32, with byte) {
		if len(data) == 0 || len(data) > 1<<20 {
			return
		}
		data = bytes.Clone(data)
		data[int(at)%len(data)] ^= with
		if err := store.ProvePages(bytes.NewReader(data), int64(len(data))); err != nil {
			if !errors.Is(err, store.ErrDamaged) {
				t.Errorf("%v is not ErrDamaged", err)
			}
			return
		}
		path := filepath.Join(scratch, "db")
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := store.ReadDatabase(path); err != nil {
			t.Errorf("proven, and bbolt says %v", err)
		}
	})
}
