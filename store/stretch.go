package store

import (
	"errors"
	"fmt"
	"slices"
	"sync"

	"example.org/panecal/store/column"
)

// stretchWidth is how many sealed segments make a whole stretch.
const stretchWidth = 8

// Stretch is some thousand attempts of a log, column by column, in log order:
// those of some segments that follow each other. Its columns are those of a
// [Block]. It is valid during the call that it is given to, and during what that
// returns; one goroutine uses it at a time.
type Stretch struct {
	Station     string
	Part, Parts int // which part of the log it is, from 1, of how many

	rows    int
	whole   bool // of sealed segments, and as many as a stretch has
	kept    []byte
	pieces  []piece
	columns *columns
	now     func() (*standing, error)
}

// piece is a segment of a stretch. Its block is opened when it is wanted.
type piece struct {
	number uint32
	block  *column.Block
	about  *about
	file   file // nil where the block is in memory
	next   int  // place to look at if the block is no good
}

// Rows is how many attempts there are.
func (s *Stretch) Rows() int { return s.rows }

// Kept returns what [Kept].Make made of the stretch, now or another time; nil where
// it made nothing, where the stretch may grow, and where nothing can be kept. It
// must not be changed.
func (s *Stretch) Kept() []byte { return s.kept }

// OnHold says that the unit with this serial is on hold now, where the filter
// asked for those that are.
func (s *Stretch) OnHold(serial string) (bool, error) {
	return (&Block{now: s.now}).OnHold(serial)
}

// Floats returns a column of numbers, in into if that is long enough.
func (s *Stretch) Floats(name string, into []float64) ([]float64, error) {
	return columnOf(s, into, func(b *column.Block, into []float64) error {
		_, err := b.Floats(name, into)
		return err
	})
}

// Ints returns a column of whole numbers, in into if that is long enough.
func (s *Stretch) Ints(name string, into []int64) ([]int64, error) {
	return columnOf(s, into, func(b *column.Block, into []int64) error {
		_, err := b.Ints(name, into)
		return err
	})
}

// Texts returns a column of names, in into if that is long enough.
func (s *Stretch) Texts(name string, into []string) ([]string, error) {
	return columnOf(s, into, func(b *column.Block, into []string) error {
		_, err := b.Texts(name, into)
		return err
	})
}

// columnOf puts the columns of all pieces one behind the other.
func columnOf[T any](s *Stretch, into []T, read func(*column.Block, []T) error) ([]T, error) {
	into = slices.Grow(into[:0], s.rows)[:s.rows]
	at := 0
	for i := range s.pieces {
		p := &s.pieces[i]
		err := p.open(s.columns)
		for err == nil {
			n := p.block.Rows()
			if at+n > s.rows {
				return nil, fmt.Errorf("segments %d to %d have more than %d attempts", s.pieces[0].number, p.number, s.rows)
			}
			if err = read(p.block, into[at:at+n:at+n]); err == nil {
				at += n
				break
			}
			if !errors.Is(err, column.ErrDamaged) || p.file == nil {
				break
			}
			if err = p.close(); err == nil { // the next place, at last the records
				err = p.open(s.columns)
			}
		}
		if err != nil {
			return nil, err
		}
	}
	if at != s.rows {
		return nil, fmt.Errorf("segments from %d on have %d attempts, not %d", s.pieces[0].number, at, s.rows)
	}
	return into, nil
}

// open opens the block, if it is not open.
func (p *piece) open(c *columns) error {
	if p.block != nil {
		return nil
	}
	stands, err := c.sealed(p.number)
	if err != nil {
		return err
	}
	p.block, p.about, p.file, p.next, err = c.source(stands, p.next)
	return err
}

func (p *piece) close() error {
	f := p.file
	if f == nil {
		return nil // it is in memory
	}
	p.block, p.file = nil, nil
	return f.Close()
}

// openAll opens every piece, and counts the attempts; excluded says that f picks
// none of them.
func (s *Stretch) openAll(f *Filter) (excluded bool, err error) {
	s.rows, excluded = 0, true
	for i := range s.pieces {
		p := &s.pieces[i]
		if err := p.open(s.columns); err != nil {
			return false, err
		}
		s.rows += p.block.Rows()
		excluded = excluded && (p.about != nil && p.about.excludes(p.block, f))
	}
	return excluded, nil
}

func (s *Stretch) close() error {
	var errs []error
	for i := range s.pieces {
		errs = append(errs, s.pieces[i].close())
	}
	return errors.Join(errs...)
}

// Stretches gives the attempts of the whole log in stretches. Several calls of
// each run at a time; what they return, if it is not nil, is called in log order,
// one after the other. Stretches of another time than f picks are left out; the
// rest of f is for the caller. Of each whole stretch k makes what is kept; no
// record is read but those of the last segment.
func (r *Reader) Stretches(f Filter, k Kept, each func(*Stretch) (then func() error, err error)) error {
	last, station, recent, changes, err := r.newest()
	if err != nil || last == 0 {
		return err
	}
	// What is kept speaks for segments that nobody looks at.
	numbers, err := segments(r.disk, r.dir, journalKind)
	if err != nil {
		return err
	}
	for n := uint32(1); n < last; n++ {
		if int(n) > len(numbers) || numbers[n-1] != n {
			return &DamageError{File: journalKind.name(n), Offset: -1, What: segmentMissing}
		}
	}
	now := sync.OnceValues(func() (*standing, error) {
		s, err := r.standing(last, f.OnHold, recent, changes)
		return &s, err
	})
	var list []*Stretch
	add := func(whole bool, pieces ...piece) {
		list = append(list, &Stretch{Station: station, Part: len(list) + 1, whole: whole, pieces: pieces, columns: &r.columns, now: now})
	}
	for n := uint32(1); n < last; {
		width := uint32(1)
		if n+stretchWidth <= last {
			width = stretchWidth
		}
		var pieces []piece
		for range width {
			pieces = append(pieces, piece{number: n})
			n++
		}
		add(width == stretchWidth, pieces...)
	}
	if len(recent) > 0 {
		_, data, err := blockOf(stands{}, recent, nil)
		if err != nil {
			return err
		}
		b, err := column.Open(bytesAt(data), int64(len(data)))
		if err != nil {
			return err
		}
		add(false, piece{number: last, block: b})
	}
	for _, s := range list {
		s.Parts = len(list)
	}

	type result struct {
		s      *Stretch
		buffer *[]byte
		made   *keptFile
		then   func() error
	}
	var buffers sync.Pool
	work := func(i int) (result, error) {
		s := list[i]
		at, err := r.columns.keptOf(s, &k)
		if err != nil {
			return result{}, err
		}
		buffer, _ := buffers.Get().(*[]byte)
		if buffer == nil {
			buffer = new([]byte)
		}
		done := result{s: s, buffer: buffer}
		excluded, found := at.read(&r.columns, s, &f, buffer)
		if !found {
			if excluded, err = s.openAll(&f); err != nil {
				return done, err
			}
			if at != nil && !excluded {
				if s.kept, err = k.Make(s); err != nil {
					return done, err
				}
				at.content, done.made = s.kept, at
				at.about.tell(s)
			}
		}
		if !excluded {
			done.then, err = each(s)
		}
		return done, err
	}
	err = inOrder(len(list), work, func(done result) (err error) {
		if done.made != nil {
			done.made.keep(&r.columns)
		}
		if done.then != nil {
			err = done.then()
		}
		err = errors.Join(err, done.s.close())
		buffers.Put(done.buffer)
		return err
	})
	for _, s := range list {
		err = errors.Join(err, s.close()) // those whose turn did not come
	}
	return err
}
