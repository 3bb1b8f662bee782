package store

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"example.org/panecal/store/record"
)

// recollection is what a memory outside the store holds of one log: how far it
// was acknowledged when a verdict was last about to be shown, and where.
type recollection struct{ mark }

// memory keeps a recollection in a folder. Who uses it takes turns: the start,
// the journal's worker, the end.
type memory struct {
	disk   disk
	folder string // "" for none
	told   mark
	failed error // why it does not know of the last verdict
}

// ErrMemory: what this computer remembers of the log, outside the store, cannot
// be read or written, so no other attempt may begin.
var ErrMemory = errors.New("the memory outside the store")

// ErrRolledBack: an older copy of the log, or another one, stands where this
// computer remembers a log that had gone further. Errors that wrap it wrap
// ErrDamaged too.
var ErrRolledBack = errors.New("this is not the log that this computer remembers")

// ErrForked: the log went on without a run of the station that this computer
// remembers: two go on under one name. Errors that wrap it wrap ErrRolledBack.
var ErrForked = errors.New("two logs go on under one name")

// ErrMemoryMissing: this computer has remembered the log, and does not any more.
var ErrMemoryMissing = errors.New("what this computer remembered of the log is gone")

func memoryFile(folder string, store record.Hash) string {
	return filepath.Join(folder, store.String()[:32]+".head")
}

func readRecollection(d disk, path string) (recollection, error) {
	b, err := readAll(d, path, 1<<16)
	if err != nil {
		return recollection{}, err
	}
	var r recollection
	err = unseal(b, &r)
	if err == nil && r.Schema != markSchema {
		err = fmt.Errorf("schema %s", r.Schema)
	}
	if err != nil {
		return recollection{}, fmt.Errorf("%w: %s: %w", ErrMemory, path, err)
	}
	return r, nil
}

// tell makes the memory remember m, durably: file and folder are synced.
func (k *memory) tell(m mark) error {
	if k.folder == "" || k.told == m && k.failed == nil {
		return nil
	}
	k.failed = k.write(m)
	if k.failed != nil {
		return k.failed
	}
	k.told = m
	return nil
}

func (k *memory) write(m mark) error {
	fail := func(err error) error { return fmt.Errorf("%w cannot be written: %w", ErrMemory, err) }
	if err := os.MkdirAll(k.folder, dirMode); err != nil {
		return fail(err)
	}
	m.Schema = markSchema
	b, err := seal(recollection{m})
	if err != nil {
		return fail(err)
	}
	if err := replaceUnsynced(k.disk, memoryFile(k.folder, m.Store), b); err != nil {
		return fail(err)
	}
	if err := k.disk.SyncDir(k.folder); err != nil {
		return fail(err)
	}
	return nil
}

// shown says whether something may be shown or done once body is durable that
// no older copy of the log may forget: a verdict, a run of the station.
func shown(body record.Body) bool {
	switch body.Kind() {
	case record.KindAttempt, record.KindDispositionChange, record.KindStart:
		return true
	}
	return false
}

// ask refuses a log that ends before what the memory knows, or that is not the
// one it knows. A later generation is another matter: it began where its copy
// ended, and says so. m is the store's own head file.
func (k *memory) ask(ix *index, dir string, p position, m mark) error {
	if k.folder == "" {
		return nil
	}
	r, path, err := k.recall(p.Store, m.Memory)
	if errors.Is(err, os.ErrNotExist) {
		if m.keptBy(absolute(dir), thisHost()) {
			return fmt.Errorf("%w: %s", ErrMemoryMissing, memoryFile(m.Memory, p.Store))
		}
		return nil
	}
	if err != nil {
		return err
	}
	damaged := func(what string) error {
		return fmt.Errorf("%w: %w; %s remembers it", ErrRolledBack, &DamageError{File: string(journalKind), Offset: -1, What: what}, path)
	}
	switch {
	case r.Generation > p.Generation:
		return damaged(fmt.Sprintf("an older copy: generation %d of this log was written here, this is generation %d", r.Generation, p.Generation))
	case r.Generation < p.Generation || r.Sequence == 0:
		return nil
	case r.Start > 0 && r.Start <= p.Sequence:
		err := ix.look(func(v *view) error {
			_, err := v.record(place{r.Generation, r.Start}, &r.StartHash)
			return err
		})
		if errors.Is(err, ErrNotFound) || errors.Is(err, ErrDamaged) {
			return fmt.Errorf("%w: %w", ErrForked, damaged(r.forkText(path)))
		}
		if err != nil {
			return err
		}
	}
	switch {
	case r.Sequence > p.Sequence:
		return damaged(fmt.Sprintf("an older copy: it ends at record %d, but %d were acknowledged", p.Sequence, r.Sequence))
	}
	err = ix.look(func(v *view) error {
		_, err := v.record(place{r.Generation, r.Sequence}, &r.Hash)
		return err
	})
	if errors.Is(err, ErrNotFound) || errors.Is(err, ErrDamaged) {
		return damaged(fmt.Sprintf("another copy was written to: record %d is not the one that was acknowledged", r.Sequence))
	}
	return err
}

// recall reads the recollection: from the memory's folder, else from the one
// that the head file names, which another configuration may have named before.
func (k *memory) recall(store record.Hash, before string) (recollection, string, error) {
	path := memoryFile(k.folder, store)
	r, err := readRecollection(k.disk, path)
	if errors.Is(err, os.ErrNotExist) && before != "" && before != k.folder {
		path = memoryFile(before, store)
		r, err = readRecollection(k.disk, path)
	}
	return r, path, err
}

// keptBy says whether a memory was kept of the store at path, by this computer.
func (m mark) keptBy(path, host string) bool {
	return m.Memory != "" && m.Path == path && m.Host == host
}

// absolute is one name for one folder.
func absolute(path string) string {
	if p, err := filepath.Abs(path); err == nil {
		path = p
	}
	if p, err := filepath.EvalSymlinks(path); err == nil {
		path = p
	}
	return path
}

// thisHost names this computer, so that nobody misses a memory on another.
func thisHost() string {
	name, _ := os.Hostname()
	id, _ := os.ReadFile("/etc/machine-id")
	sum := sha256.Sum256(append([]byte(name+"\n"), id...))
	return fmt.Sprintf("%x", sum[:8])
}
