// Package hold keeps a file for one process at a time, and says who has it.
//
// The system lets go of a held file when its process ends, however it ends. The
// file stays: one that is deleted or replaced is no lock. It locks nothing else,
// not across computers, and not between two that agree on no file. Holds of one
// process exclude each other too. Functions are safe for concurrent use; a Hold
// is its owner's. Errors are those of the system, but for [HeldError].
package hold

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"example.org/panecal/limits/guard"
)

// ErrHeld is what every HeldError wraps.
var ErrHeld = errors.New("held by another process")

// Holder is who holds a file.
type Holder struct {
	Host    string    `json:"host"`
	PID     int       `json:"pid"`
	Since   time.Time `json:"since"`
	Command string    `json:"command"`
}

// String names the holder for a message.
func (h Holder) String() string {
	if h.PID == 0 {
		return "an unnamed process"
	}
	return fmt.Sprintf("%s, process %d on %s since %s", h.Command, h.PID, h.Host, h.Since.UTC().Format(time.RFC3339))
}

// HeldError says who holds the file. It wraps ErrHeld.
type HeldError struct{ Holder Holder }

// Error names the holder.
func (e *HeldError) Error() string { return "held by " + e.Holder.String() }

// Unwrap returns ErrHeld.
func (e *HeldError) Unwrap() error { return ErrHeld }

// Hold is a file that is held.
type Hold struct{ f *os.File }

// Take holds the file at path, made with mode if it is missing, in the name of
// command, or returns a HeldError. A link is not followed where the system can
// say so. A file that cannot be written, being another user's or on a full
// disk, is held all the same, by an unnamed process.
func Take(path string, mode fs.FileMode, command string, now time.Time) (*Hold, error) {
	f, err := openFile(path, mode)
	if err != nil {
		return nil, err
	}
	if err := try(f); err != nil {
		if errors.Is(err, errBusy) {
			err = &HeldError{read(f)}
		} else {
			err = fmt.Errorf("locking %s: %w", path, err)
		}
		return nil, errors.Join(err, f.Close())
	}
	write(f, command, now)
	return &Hold{f}, nil
}

// Wait is Take that waits for a file to be let go, at most for patience.
func Wait(path string, mode fs.FileMode, command string, now func() time.Time, patience time.Duration) (*Hold, error) {
	const pause = 5 * time.Millisecond
	for tries := patience / pause; ; tries-- {
		h, err := Take(path, mode, command, now())
		if err == nil || !errors.Is(err, ErrHeld) || tries <= 0 {
			return h, err
		}
		time.Sleep(pause)
	}
}

// By says who holds the file at path, and false if nobody does. It takes it for
// a moment and changes nothing.
func By(path string) (Holder, bool, error) {
	f, err := guard.Open(path, os.O_RDONLY, 0)
	if errors.Is(err, fs.ErrNotExist) {
		return Holder{}, false, nil
	}
	if err != nil {
		return Holder{}, false, err
	}
	defer f.Close()
	err = try(f)
	if errors.Is(err, errBusy) {
		return read(f), true, nil
	}
	if err == nil {
		err = free(f)
	}
	return Holder{}, false, err
}

// write names the holder, for people.
func write(f *os.File, command string, now time.Time) {
	host, err := os.Hostname()
	if err != nil {
		host = "unknown"
	}
	b, err := json.Marshal(Holder{Host: host, PID: os.Getpid(), Since: now.UTC(), Command: command})
	if err == nil && f.Truncate(0) == nil {
		_, _ = f.WriteAt(append(b, '\n'), 0)
	}
}

// read returns who holds the file; the zero Holder where it does not say.
func read(f *os.File) Holder {
	var h Holder
	b := make([]byte, 4096)
	n, _ := f.ReadAt(b, 0) // a short read is the normal case
	if json.Unmarshal(b[:n], &h) != nil {
		return Holder{}
	}
	return h
}

// File returns what tells whether the path still names the file that is held:
// it may have been deleted, and another process may hold the one that took its
// place.
func (h *Hold) File() (path string, info fs.FileInfo, err error) {
	info, err = h.f.Stat()
	return h.f.Name(), info, err
}

// Release lets the file go and takes the holder's name out of it. A nil Hold
// holds nothing.
func (h *Hold) Release() error {
	if h == nil {
		return nil
	}
	_ = h.f.Truncate(0) // where the name could be written
	return errors.Join(free(h.f), h.f.Close())
}
