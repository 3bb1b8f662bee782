package link

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"example.org/panecal/store/hold"
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

// takeLock takes the lock of an adapter. Names that lead to the same device
// share one lock.
func takeLock(dir, address string) (*hold.Hold, error) {
	if dir == "" {
		dir = os.TempDir()
	}
	name := address
	if real, err := filepath.EvalSymlinks(address); err == nil {
		name = real
	}
	sum := sha256.Sum256([]byte(strings.ToLower(name)))
	path := filepath.Join(dir, fmt.Sprintf("panecal-%x.lock", sum[:8]))
	const everybody = 0o666 // users of one computer share its ports
	h, err := hold.Take(path, everybody, filepath.Base(os.Args[0]), time.Now())
	if held := (*hold.HeldError)(nil); errors.As(err, &held) {
		e := &HeldError{Address: address}
		if held.Holder.PID != 0 {
			e.Holder = held.Holder.String()
		}
		return nil, e
	}
	if err != nil {
		return nil, fmt.Errorf("locking %s: %w", address, err)
	}
	return h, nil
}
