// Package crash keeps what is needed to find faults of the program itself: a
// file for each panic that was caught, in which nothing of units, people or keys
// is; and the note of a store that failed, which names the unit.
package crash

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"sync"
	"time"

	"example.org/panecal/station/runner"
)

// Most is how many files one process leaves: a fault that comes back every
// second must not fill the disk that the log needs.
const Most = 20

// Book keeps the faults of one process. It may be used from any goroutine.
type Book struct {
	folder  string // of the files; the system's for temporary files where it cannot be written
	program string

	mu    sync.Mutex
	count int
	first any
	files []string
}

// New is a book whose files go into a folder; program names the version.
func New(folder, program string) *Book { return &Book{folder: folder, program: program} }

// Caught writes the file of one panic.
func (c *Book) Caught(what any, stack []byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.count++; c.count == 1 {
		c.first = what
	}
	if c.count > Most {
		return
	}
	for _, folder := range []string{c.folder, os.TempDir()} {
		if name, err := c.write(folder, what, stack); err == nil {
			c.files = append(c.files, name)
			return
		}
	}
}

// Guard runs fn; a panic in it is an error that wraps runner.ErrInternal.
func (c *Book) Guard(fn func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			c.Caught(p, debug.Stack())
			err = fmt.Errorf("%w: %v", runner.ErrInternal, p)
		}
	}()
	return fn()
}

// Written reports whether any file could be written.
func (c *Book) Written() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(c.files) > 0
}

// Err is nil, or says what was caught and where it is written down.
func (c *Book) Err() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.count == 0 {
		return nil
	}
	times := ""
	if c.count > 1 {
		times = fmt.Sprintf(", and %d more", c.count-1)
	}
	if len(c.files) == 0 {
		return fmt.Errorf("%w: %v%s; no file could be written about it", runner.ErrInternal, c.first, times)
	}
	return fmt.Errorf("%w: %v%s: details are in %s; send that with the station's diagnostic log to whoever maintains panecal here",
		runner.ErrInternal, c.first, times, strings.Join(c.files, ", "))
}

// write writes crash-TIME.txt into folder: the program's version, what failed
// and where.
func (c *Book) write(folder string, what any, stack []byte) (string, error) {
	now := time.Now().UTC()
	text := fmt.Sprintf("%s\n%s %s/%s\n%s\nprocess %d\n\n%v\n\n%s", c.program, runtime.Version(), runtime.GOOS, runtime.GOARCH,
		now.Format(time.RFC3339Nano), os.Getpid(), what, stack)
	name := filepath.Join(folder, "crash-"+now.Format("2006-01-02T15-04-05.000000000Z")+".txt")
	f, err := os.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o640)
	if err != nil {
		return "", fmt.Errorf("writing about a fault: %w", err)
	}
	_, err = f.WriteString(text)
	return name, errors.Join(err, f.Close())
}
