package store_test

import (
	"errors"
	"maps"
	"os"
	"path/filepath"
	"strings"

	"example.org/panecal/store"
)

// recorder is a disk in memory that keeps every call that changes it, so that
// whatever a power cut after any of them may leave can be laid down.
//
// What a power cut leaves: a write survives for certain if its file was synced
// after it, a change of names if its directory was. Any subset of the others
// may survive, and of a write any part that ends at a sector of 512 bytes. A
// write that was there when a sync of its file failed is in limbo: the system
// may have forgotten it, and no later sync brings it down.
type recorder struct {
	memory
	base  map[string][]byte // durable at the beginning
	ops   []op
	ids   map[*memoryFile]int
	watch func() // called before each call that counts, for a look at other files
	// refuse makes the n-th sync from now fail, of a file or a directory.
	refuse int
	// deaf says that syncs of files do nothing and say they did.
	deaf bool
}

type opKind int

const (
	opWrite opKind = iota
	opSync
	opRefusedSync
	opMake // a name for a file
	opRename
	opRemove
	opSyncDir
)

// op is one call. node is the file that a call is about, path its name or the
// directory's, to where it is renamed.
type op struct {
	kind     opKind
	node     int
	path, to string
	off      int64
	data     []byte
}

type recordedFile struct {
	*memoryFile
	r    *recorder
	node int
}

func newRecorder(base map[string][]byte) *recorder {
	r := &recorder{base: base, ids: map[*memoryFile]int{}}
	r.files = map[string]*memoryFile{}
	for path, b := range base {
		r.files[path] = &memoryFile{&r.memory, append([]byte(nil), b...)}
	}
	return r
}

// node returns the number of a file; files of the beginning are known by name
// and numbered at their first use.
func (r *recorder) node(f *memoryFile, path string, made bool) int {
	id, ok := r.ids[f]
	if !ok {
		id = len(r.ids)
		r.ids[f] = id
		if _, old := r.base[path]; old && !made {
			r.ops = append(r.ops, op{kind: opMake, node: id, path: path, to: "base"})
		}
	}
	return id
}

func (r *recorder) note(o op) {
	if r.watch != nil {
		r.watch()
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.ops = append(r.ops, o)
}

// count is how many calls there are so far.
func (r *recorder) count() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.ops)
}

func (r *recorder) wrap(path string, f store.File, err error, made bool) (store.File, error) {
	m, ok := f.(*memoryFile)
	if err != nil || !ok {
		return f, err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	id := r.node(m, path, made)
	if made {
		r.ops = append(r.ops, op{kind: opMake, node: id, path: path})
	}
	return &recordedFile{m, r, id}, nil
}

func (r *recorder) Create(path string) (store.File, error) {
	f, err := r.memory.Create(path)
	return r.wrap(path, f, err, true)
}

func (r *recorder) Update(path string) (store.File, error) {
	r.mu.Lock()
	_, old := r.files[path]
	r.mu.Unlock()
	f, err := r.memory.Update(path)
	return r.wrap(path, f, err, !old)
}

func (r *recorder) Rename(from, to string) error {
	r.mu.Lock()
	f, ok := r.files[from]
	r.mu.Unlock()
	if !ok {
		return r.renameDir(from, to)
	}
	if err := r.memory.Rename(from, to); err != nil {
		return err
	}
	r.mu.Lock()
	id := r.node(f, from, false)
	r.mu.Unlock()
	r.note(op{kind: opRename, node: id, path: from, to: to})
	return nil
}

// renameDir renames a directory, and the real one with what is in it.
func (r *recorder) renameDir(from, to string) error {
	if err := os.Rename(from, to); err != nil {
		return err
	}
	r.mu.Lock()
	for path, f := range maps.Clone(r.files) {
		if name, ok := strings.CutPrefix(path, from+"/"); ok {
			delete(r.files, path)
			r.files[filepath.Join(to, name)] = f
		}
	}
	r.mu.Unlock()
	r.note(op{kind: opRename, node: -1, path: from, to: to})
	return nil
}

func (r *recorder) Remove(path string) error {
	r.mu.Lock()
	f, ok := r.files[path]
	id := 0
	if ok {
		id = r.node(f, path, false)
	}
	r.mu.Unlock()
	if err := r.memory.Remove(path); err != nil {
		return err
	}
	r.note(op{kind: opRemove, node: id, path: path})
	return nil
}

func (r *recorder) SyncDir(dir string) error {
	if r.refused() {
		return errRefused
	}
	r.note(op{kind: opSyncDir, path: dir})
	return nil
}

func (r *recorder) refused() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.refuse--
	return r.refuse == 0
}

func (f *recordedFile) WriteAt(b []byte, off int64) (int, error) {
	n, err := f.memoryFile.WriteAt(b, off)
	f.r.note(op{kind: opWrite, node: f.node, off: off, data: append([]byte(nil), b...)})
	return n, err
}

func (f *recordedFile) Sync() error {
	if f.r.refused() {
		f.r.note(op{kind: opRefusedSync, node: f.node})
		return errRefused
	}
	if !f.r.deaf {
		f.r.note(op{kind: opSync, node: f.node})
	}
	return nil
}

func (f *recordedFile) Truncate(int64) error { return errors.New("nothing in a store is cut") }

// unsure returns the calls among the first k that a power cut may undo.
func (r *recorder) unsure(k int) []int {
	limbo := map[int]bool{}
	var open []int
	for i, o := range r.ops[:k] {
		if o.to == "base" {
			continue
		}
		switch o.kind {
		case opWrite, opMake, opRename, opRemove:
			open = append(open, i)
		case opRefusedSync:
			for _, j := range open {
				if w := r.ops[j]; w.kind == opWrite && w.node == o.node {
					limbo[j] = true
				}
			}
		case opSync, opSyncDir:
			rest := open[:0]
			for _, j := range open {
				w := r.ops[j]
				sure := o.kind == opSync && w.kind == opWrite && w.node == o.node && !limbo[j] ||
					o.kind == opSyncDir && w.kind != opWrite && filepath.Dir(w.path) == o.path
				if !sure {
					rest = append(rest, j)
				}
			}
			open = rest
		}
	}
	return open
}

// A fate says what becomes of a call that a power cut may undo: bytes from
// to to of a write are on the disk, or else nothing is. Blank is a write of
// which only the length is.
type fate struct {
	lost     bool
	from, to int // of data, to 0 is all of it
	blank    bool
}

// lay returns the files after the first k calls, each of which has its fate.
func (r *recorder) lay(k int, fates map[int]fate) map[string][]byte {
	names := map[string]int{}
	content := map[int][]byte{}
	out := maps.Clone(r.base)
	for i, o := range r.ops[:k] {
		f := fates[i]
		if f.lost {
			continue
		}
		switch o.kind {
		case opMake:
			if o.to == "base" {
				content[o.node] = append([]byte(nil), r.base[o.path]...)
				delete(out, o.path)
			}
			names[o.path] = o.node
		case opWrite:
			b := content[o.node]
			from, to := f.from, f.to
			if to == 0 {
				to = len(o.data)
			}
			end := int(o.off) + to
			if f.blank {
				end = int(o.off) + len(o.data)
			}
			if end > len(b) {
				b = append(b, make([]byte, end-len(b))...)
			}
			if !f.blank {
				copy(b[int(o.off)+from:], o.data[from:to])
			}
			content[o.node] = b
		case opRename:
			if o.node < 0 {
				for path, n := range maps.Clone(names) {
					if name, ok := strings.CutPrefix(path, o.path+"/"); ok {
						delete(names, path)
						names[filepath.Join(o.to, name)] = n
					}
				}
				continue
			}
			if names[o.path] == o.node {
				delete(names, o.path)
			}
			delete(out, o.to)
			names[o.to] = o.node
		case opRemove:
			if n, ok := names[o.path]; ok && n == o.node {
				delete(names, o.path)
			}
			delete(out, o.path)
		}
	}
	for path, n := range names {
		out[path] = content[n]
	}
	return out
}

// onMemory returns a disk that holds files, and the real ones beside them.
func onMemory(files map[string][]byte) *memory {
	m := &memory{files: map[string]*memoryFile{}, real: store.OSDisk()}
	for path, b := range files {
		m.files[path] = &memoryFile{m, b}
	}
	return m
}

// errRefused is what a sync says that was made to fail.
var errRefused = errors.New("the sync fails")
