package store

import (
	"encoding/json"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"time"
)

// Kept is what a reader derives of whole stretches of a log, to have it at hand
// another time. It stands in the reader's own folder, a file a stretch, and can
// always be made anew.
type Kept struct {
	Name    string // of the files, such as "outline"
	Version int    // what was made under another one is made anew
	Make    func(*Stretch) ([]byte, error)
	// Making, if not nil, is told of each stretch of which it had to be made.
	Making func(part, parts int)
}

// keptFile is what is kept of one stretch.
type keptFile struct {
	name    string
	about   aboutKept
	content []byte
	making  func()
}

// aboutKept is what the file says of itself.
type aboutKept struct {
	stands               // of the last segment
	From       uint32    `json:"from"` // the first segment
	Version    int       `json:"version"`
	Rows       int       `json:"rows"`
	First      time.Time `json:"first_record"` // of an attempt, earliest and latest
	LastRecord time.Time `json:"last_record"`
}

const keptMagic = "PANECALK"

// keptOf says what there should be of a stretch; nil where nothing is kept.
func (c *columns) keptOf(s *Stretch, k *Kept) (*keptFile, error) {
	if !s.whole || k.Make == nil || c.own == "" || c.own == c.dir {
		return nil, nil
	}
	from, to := s.pieces[0].number, s.pieces[len(s.pieces)-1].number
	stands, err := c.sealed(to)
	if err != nil {
		return nil, err
	}
	f := &keptFile{name: fmt.Sprintf("%s-%08d-%08d.%s", journalKind, from, to, k.Name), about: aboutKept{stands: stands, From: from, Version: k.Version}}
	if k.Making != nil {
		f.making = func() { k.Making(s.Part, s.Parts) }
	}
	return f, nil
}

// read takes the file in, if it stands for the stretch, with buffer's help.
// excluded says that f picks none of its attempts.
func (k *keptFile) read(c *columns, s *Stretch, f *Filter, buffer *[]byte) (excluded, found bool) {
	if k == nil {
		return false, false
	}
	at, err := c.disk.Open(filepath.Join(c.own, k.name))
	if err != nil {
		return false, false
	}
	defer at.Close()
	size, err := at.Size()
	if err != nil || size > maxFrame {
		return false, false
	}
	*buffer = slices.Grow((*buffer)[:0], int(size))[:size]
	if n, err := at.ReadAt(*buffer, 0); n < int(size) && err != io.EOF || n != int(size) {
		return false, false
	}
	text, rest, ok := cutKept(*buffer)
	if !ok {
		return false, false
	}
	var a aboutKept
	if json.Unmarshal(text, &a) != nil || a.stands != k.about.stands || a.From != k.about.From || a.Version != k.about.Version || a.Rows < 0 {
		return false, false
	}
	s.rows, s.kept = a.Rows, rest
	return a.Rows == 0 || f.excludes(a.First, a.LastRecord), true
}

// cutKept returns what a file says of itself, and what it keeps.
func cutKept(b []byte) (about, content []byte, ok bool) {
	if len(b) < len(keptMagic) || string(b[:len(keptMagic)]) != keptMagic {
		return nil, nil, false
	}
	about, rest, err := cutFrame(b[len(keptMagic):])
	if err != nil {
		return nil, nil, false
	}
	content, rest, err = cutFrame(rest)
	return about, content, err == nil && len(rest) == 0
}

// tell fills in what is known of an opened stretch.
func (a *aboutKept) tell(s *Stretch) {
	a.Rows = s.rows
	for i := range s.pieces {
		p := &s.pieces[i]
		if p.block.Rows() == 0 {
			continue
		}
		if a.First.IsZero() || p.about.First.Before(a.First) {
			a.First = p.about.First
		}
		if p.about.Last.After(a.LastRecord) {
			a.LastRecord = p.about.Last
		}
	}
}

// keep writes the file. That it cannot be kept costs time only.
func (k *keptFile) keep(c *columns) {
	if k.making != nil {
		k.making()
	}
	text, err := json.Marshal(k.about)
	if err != nil || len(k.content) > maxFrame/2 {
		return
	}
	_ = c.write(k.name, appendFrame(appendFrame([]byte(keptMagic), text), k.content))
}
