package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"sync"
	"time"

	"example.org/panecal/station/runner"
)

// mostCrashes is how many files one process leaves: a fault that comes back
// every second must not fill the disk that the log needs.
const mostCrashes = 20

// crashes keeps what is needed to find faults of the program itself, a file
// for each panic that was caught. It may be used from any goroutine.
type crashes struct {
	folder string // of the files; the system's for temporary files where it cannot be written

	mu    sync.Mutex
	count int
	first any
	files []string
}

// caught writes the file of one panic.
func (c *crashes) caught(what any, stack []byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.count++; c.count == 1 {
		c.first = what
	}
	if c.count > mostCrashes {
		return
	}
	for _, folder := range []string{c.folder, os.TempDir()} {
		if name, err := writeCrash(folder, what, stack); err == nil {
			c.files = append(c.files, name)
			return
		}
	}
}

// guard runs fn; a panic in it is an error.
func (c *crashes) guard(fn func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			c.caught(p, debug.Stack())
			err = fmt.Errorf("%w: %v", runner.ErrInternal, p)
		}
	}()
	return fn()
}

// err is nil, or says what was caught and where it is written down.
func (c *crashes) err() error {
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

// writeCrash writes crash-TIME.txt into folder: the program's version, what
// failed and where. Nothing of units, people or keys is in it.
func writeCrash(folder string, what any, stack []byte) (string, error) {
	now := time.Now().UTC()
	text := fmt.Sprintf("panecal %s\n%s %s/%s\n%s\nprocess %d\n\n%v\n\n%s", version, runtime.Version(), runtime.GOOS, runtime.GOARCH,
		now.Format(time.RFC3339Nano), os.Getpid(), what, stack)
	name := filepath.Join(folder, "crash-"+now.Format("2006-01-02T15-04-05.000000000Z")+".txt")
	return name, writeNew(name, []byte(text))
}

// crashed tells of a panic that nobody caught on its way to main.
func crashed(where place, p any, stack []byte, talk io.Writer) int {
	c := &crashes{folder: where.crashFolder()}
	c.caught(p, stack)
	fmt.Fprintf(talk, "panecal: %v\n", c.err())
	if len(c.files) == 0 {
		fmt.Fprintf(talk, "%s\n", stack)
	}
	return exitInternal
}

// crashFolder is the folder that holds the store, if there is one.
func (p place) crashFolder() string {
	folder, err := p.storeFolder()
	if err == nil {
		folder = filepath.Dir(folder)
		_, err = os.Stat(folder)
	}
	if err != nil {
		return os.TempDir()
	}
	return folder
}

// internal says whether an error is a fault of the program itself.
func internal(err error) bool { return errors.Is(err, runner.ErrInternal) }
