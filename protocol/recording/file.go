package recording

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"sync"
	"unicode"

	"example.org/panecal/protocol"
)

// File is a port that a file keeps; nil records nothing.
type File struct {
	*Recorder
	close func() error
}

// To opens a recording of a line; an empty name gives nil. A file that exists
// is not written over.
func To(name string, port protocol.Port) (*File, error) {
	if name == "" {
		return nil, nil
	}
	file, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return nil, fmt.Errorf("recording the line: %w", err)
	}
	return &File{Record(port, file, nil), sync.OnceValue(file.Close)}, nil
}

// Over is the port to speak on: the recorder, or the line itself.
func (r *File) Over(port protocol.Port) protocol.Port {
	if r == nil {
		return port
	}
	return r
}

// Close ends the recording and says whether it is whole.
func (r *File) Close() error {
	if r == nil {
		return nil
	}
	return errors.Join(r.Err(), r.close())
}

// Files name the files that a station keeps its lines in. A line that
// is opened again begins another file: FILE, FILE.2, FILE.3; of several nests
// each has its own, FILE-NEST.
type Files struct {
	file  string
	nests int

	mu     sync.Mutex
	opened map[string]int
}

// NewFiles is nil, which keeps nothing, without a file. A file that is there
// already is an fs.ErrExist before anything runs.
func NewFiles(file string, nests []string) (*Files, error) {
	if file == "" {
		return nil, nil
	}
	r := &Files{file: file, nests: len(nests), opened: map[string]int{}}
	for _, n := range nests {
		if _, err := os.Lstat(r.name(n, 1)); !errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("recording the lines: %s: %w: name another file", r.name(n, 1), fs.ErrExist)
		}
	}
	return r, nil
}

func (r *Files) name(nest string, n int) string {
	name := r.file
	if r.nests > 1 {
		name += "-" + strings.Map(func(c rune) rune {
			if unicode.IsLetter(c) || unicode.IsDigit(c) || c == '.' {
				return c
			}
			return '_'
		}, nest)
	}
	if n > 1 {
		name += fmt.Sprintf(".%d", n)
	}
	return name
}

// Next is the file for a nest's line that is being opened, "" for none.
func (r *Files) Next(nest string) string {
	if r == nil {
		return ""
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.opened[nest]++
	return r.name(nest, r.opened[nest])
}
