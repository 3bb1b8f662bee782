package store_test

import (
	"errors"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.org/panecal/store"
)

// memory is a disk that keeps everything in memory.
type memory struct {
	mu    sync.Mutex
	files map[string]*memoryFile
	// real, if set, is where files are looked for that are not in memory.
	real store.Disk
}

type memoryFile struct {
	m    *memory
	data []byte
}

// load returns a disk with the files of dir.
func load(t testing.TB, dir string) *memory {
	t.Helper()
	m := &memory{files: map[string]*memoryFile{}}
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		m.files[filepath.Join(dir, e.Name())] = &memoryFile{m, b}
	}
	return m
}

func (m *memory) Open(path string) (store.File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if f, ok := m.files[path]; ok {
		return f, nil
	}
	if m.real != nil {
		return m.real.Open(path)
	}
	return nil, &fs.PathError{Op: "open", Path: path, Err: os.ErrNotExist}
}

func (m *memory) Create(path string) (store.File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if _, ok := m.files[path]; ok {
		return nil, os.ErrExist
	}
	f := &memoryFile{m: m}
	m.files[path] = f
	return f, nil
}

func (m *memory) Update(path string) (store.File, error) {
	m.mu.Lock()
	f, ok := m.files[path]
	m.mu.Unlock()
	if ok {
		return f, nil
	}
	return m.Create(path)
}

func (m *memory) Rename(from, to string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	f, ok := m.files[from]
	if !ok {
		return os.ErrNotExist
	}
	m.files[to] = f
	delete(m.files, from)
	return nil
}

func (m *memory) Remove(path string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if _, ok := m.files[path]; !ok {
		return os.ErrNotExist
	}
	delete(m.files, path)
	return nil
}

func (m *memory) List(dir string) ([]string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var names []string
	for _, p := range slices.Sorted(maps.Keys(m.files)) {
		if filepath.Dir(p) == dir {
			names = append(names, filepath.Base(p))
		}
	}
	return names, nil
}

func (m *memory) SyncDir(string) error            { return nil }
func (m *memory) Linked(string, store.File) error { return nil }
func (m *memory) Free(string) (uint64, error)     { return 1 << 40, nil }

func (f *memoryFile) ReadAt(b []byte, off int64) (int, error) {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if off >= int64(len(f.data)) {
		return 0, io.EOF
	}
	n := copy(b, f.data[off:])
	if n < len(b) {
		return n, io.EOF
	}
	return n, nil
}

func (f *memoryFile) WriteAt(b []byte, off int64) (int, error) {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if need := int(off) + len(b); need > len(f.data) {
		f.data = append(f.data, make([]byte, need-len(f.data))...)
	}
	return copy(f.data[off:], b), nil
}

func (f *memoryFile) Truncate(n int64) error {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	f.data = f.data[:n]
	return nil
}

func (f *memoryFile) Size() (int64, error) {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	return int64(len(f.data)), nil
}

func (f *memoryFile) Sync() error  { return nil }
func (f *memoryFile) Close() error { return nil }

// failing is a disk of which one call fails: the one numbered at, and all
// later ones if always is set. A write that fails leaves half of itself.
// Calls that only read are counted if reads is set.
type failing struct {
	store.Disk
	reads  bool
	mu     sync.Mutex
	at     int // 0: none
	always bool
	err    error
	calls  int
	failed int
}

type failingFile struct {
	store.File
	d *failing
}

// fails counts a call and says whether it fails.
func (d *failing) fails() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.calls++
	if d.at > 0 && (d.calls == d.at || d.always && d.calls > d.at) {
		d.failed++
		return d.err
	}
	return nil
}

// arm makes the at-th call from now on fail; 0 none.
func (d *failing) arm(at int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.at, d.calls, d.failed = at, 0, 0
}

func (d *failing) count() (calls, failed int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.calls, d.failed
}

func (d *failing) wrap(f store.File, err error) (store.File, error) {
	if err != nil {
		return nil, err
	}
	return &failingFile{f, d}, nil
}

func (d *failing) Create(path string) (store.File, error) {
	if err := d.fails(); err != nil {
		return nil, err
	}
	return d.wrap(d.Disk.Create(path))
}

func (d *failing) Update(path string) (store.File, error) {
	if err := d.fails(); err != nil {
		return nil, err
	}
	return d.wrap(d.Disk.Update(path))
}

func (d *failing) Rename(from, to string) error {
	if err := d.fails(); err != nil {
		return err
	}
	return d.Disk.Rename(from, to)
}

func (d *failing) SyncDir(dir string) error {
	if err := d.fails(); err != nil {
		return err
	}
	return d.Disk.SyncDir(dir)
}

func (d *failing) failsReading() error {
	if !d.reads {
		return nil
	}
	return d.fails()
}

func (d *failing) Open(path string) (store.File, error) {
	if err := d.failsReading(); err != nil {
		return nil, err
	}
	return d.wrap(d.Disk.Open(path))
}

func (d *failing) List(dir string) ([]string, error) {
	if err := d.failsReading(); err != nil {
		return nil, err
	}
	return d.Disk.List(dir)
}

func (f *failingFile) ReadAt(b []byte, off int64) (int, error) {
	if err := f.d.failsReading(); err != nil {
		return 0, err
	}
	return f.File.ReadAt(b, off)
}

func (f *failingFile) Size() (int64, error) {
	if err := f.d.failsReading(); err != nil {
		return 0, err
	}
	return f.File.Size()
}

func (d *failing) Linked(path string, f store.File) error {
	if err := d.failsReading(); err != nil {
		return err
	}
	if ff, ok := f.(*failingFile); ok {
		f = ff.File
	}
	return d.Disk.Linked(path, f)
}

func (f *failingFile) WriteAt(b []byte, off int64) (int, error) {
	if err := f.d.fails(); err != nil {
		n, werr := f.File.WriteAt(b[:len(b)/2], off)
		return n, errors.Join(err, werr)
	}
	return f.File.WriteAt(b, off)
}

func (f *failingFile) Sync() error {
	if err := f.d.fails(); err != nil {
		return err
	}
	return f.File.Sync()
}

// watchful is a disk that knows what was written and not yet synced.
type watchful struct {
	store.Disk
	mu    sync.Mutex
	dirty map[string]bool // files and directories
}

type watchfulFile struct {
	store.File
	d    *watchful
	path string
}

func (d *watchful) set(path string, dirty bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.dirty[path] = dirty
}

// unsynced returns the names of segments of a kind, or the directory, that a
// power cut now could take something acknowledged from: derived files are made
// beside it, at any time.
func (d *watchful) unsynced(dir, prefix string) []string {
	d.mu.Lock()
	defer d.mu.Unlock()
	var names []string
	for path, dirty := range d.dirty {
		if dirty && (path == dir || strings.HasPrefix(filepath.Base(path), prefix) && filepath.Ext(path) == ".seg") {
			names = append(names, filepath.Base(path))
		}
	}
	return names
}

func (d *watchful) wrap(path string, f store.File, err error) (store.File, error) {
	if err != nil {
		return nil, err
	}
	return &watchfulFile{f, d, path}, nil
}

func (d *watchful) Create(path string) (store.File, error) {
	f, err := d.Disk.Create(path)
	return d.wrap(path, f, err)
}

func (d *watchful) Update(path string) (store.File, error) {
	f, err := d.Disk.Update(path)
	return d.wrap(path, f, err)
}

func (d *watchful) Rename(from, to string) error {
	d.mu.Lock()
	d.dirty[to] = d.dirty[from]
	delete(d.dirty, from)
	// Head file and index are renamed beside the acknowledgement and no part of it.
	d.dirty[filepath.Dir(to)] = d.dirty[filepath.Dir(to)] || filepath.Ext(to) == ".seg"
	d.mu.Unlock()
	return d.Disk.Rename(from, to)
}

func (d *watchful) SyncDir(dir string) error {
	d.set(dir, false)
	return d.Disk.SyncDir(dir)
}

func (d *watchful) Linked(path string, f store.File) error {
	return d.Disk.Linked(path, f.(*watchfulFile).File)
}

func (f *watchfulFile) WriteAt(b []byte, off int64) (int, error) {
	f.d.set(f.path, true)
	return f.File.WriteAt(b, off)
}

func (f *watchfulFile) Sync() error {
	f.d.set(f.path, false)
	return f.File.Sync()
}
