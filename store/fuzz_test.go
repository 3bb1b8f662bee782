package store_test

import (
	"bytes"
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

// Bytes that are taken for a file of the index give the answer that the records
// make, or are damage: no panic, nothing else.
func FuzzIndex(f *testing.F) {
	dir := smallLog(f)
	path := filepath.Join(dir, "journal-00000002.index")
	data := of(f, path)
	f.Add(data, uint32(0), byte(0))
	f.Add(data[:8192], uint32(4096), byte(1))
	whole := load(f, dir)
	f.Fuzz(func(t *testing.T, data []byte, at uint32, with byte) {
		if len(data) == 0 || len(data) > 1<<20 {
			return
		}
		data = bytes.Clone(data)
		data[int(at)%len(data)] ^= with
		m := &memory{files: map[string]*memoryFile{}}
		for p, file := range whole.files {
			m.files[p] = &memoryFile{m, file.data}
		}
		m.files[path] = &memoryFile{m, data}
		r, err := store.FollowOn(m, dir, "")
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		if list, err := r.BySerial("A"); err != nil || texts(list) != "one two one two " {
			t.Errorf("%s, %v", texts(list), err)
		}
	})
}
