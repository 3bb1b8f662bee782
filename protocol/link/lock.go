package link

import (
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// HeldError says that a port is in use.
type HeldError struct {
	Address string
	Holder  string // who holds it, as the holder wrote it; may be empty
}

func (e *HeldError) Error() string {
	if e.Holder == "" {
		return e.Address + " is in use by another program"
	}
	return fmt.Sprintf("%s is in use by %s", e.Address, e.Holder)
}

// lock is a held lock file. The system lets go of it when the process ends,
// however it ends; the file stays, because removing it would let two holders
// in.
type lock struct{ f *os.File }

// takeLock takes the lock of an adapter. Names that lead to the same device
// share one lock.
func takeLock(dir, address string) (*lock, error) {
	if dir == "" {
		dir = os.TempDir()
	}
	name := address
	if real, err := filepath.EvalSymlinks(address); err == nil {
		name = real
	}
	sum := sha256.Sum256([]byte(strings.ToLower(name)))
	path := filepath.Join(dir, fmt.Sprintf("panecal-%x.lock", sum[:8]))
	f, err := openLock(path)
	if err != nil {
		return nil, fmt.Errorf("locking: %w", err)
	}
	held, err := tryLock(f)
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("locking %s: %w", path, err)
	}
	if !held {
		defer f.Close()
		var text [200]byte
		n, _ := f.ReadAt(text[:], 0) // a lock without a name is still held
		holder, _, _ := strings.Cut(string(text[:n]), "\n")
		return nil, &HeldError{Address: address, Holder: holder}
	}
	// For people; a lock file of another user may not be writable.
	if f.Truncate(0) == nil {
		fmt.Fprintf(f, "process %d (%s)\n", os.Getpid(), filepath.Base(os.Args[0]))
	}
	return &lock{f}, nil
}

func (l *lock) release() {
	unlock(l.f)
	l.f.Close()
}
