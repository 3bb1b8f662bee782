package store

import (
	"errors"
	"os"
	"path/filepath"
	"time"

	"example.org/panecal/store/record"
)

// Patrol reads the segments of an open store over while the station works, a
// segment a call, so that damage is found before somebody needs what it hit. One
// goroutine uses it.
type Patrol struct {
	store *Store
	state round
	// gone are the capture segments that were removed on record.
	gone map[uint32]bool
}

// round is how far a patrol has come; it stands in a file of the store, so that
// many starts a day make no more than one round.
type round struct {
	Began   time.Time `json:"began"`
	Journal uint32    `json:"journal"` // segments read in this round
	Capture uint32    `json:"capture"`
	Over    bool      `json:"over"`
}

const (
	roundName  = "round"
	roundEvery = 24 * time.Hour // from one round's begin to the next
)

// NewPatrol goes on where the last one of this store was.
func (s *Store) NewPatrol() *Patrol {
	p := &Patrol{store: s}
	if b, err := readAll(s.disk, filepath.Join(s.dir, roundName), 1<<16); err != nil || unseal(b, &p.state) != nil {
		p.state = round{} // it costs a round
	}
	return p
}

// Due says whether there is something to read now.
func (p *Patrol) Due(now time.Time) bool {
	return !p.state.Over || now.Sub(p.state.Began) >= roundEvery || now.Before(p.state.Began)
}

func (p *Patrol) checker() (*checker, error) {
	s := p.store
	m := s.acknowledged()
	c := &checker{disk: s.disk, dir: s.dir, mark: m, store: m.Store, known: true}
	c.report.Station = m.Station
	if p.gone == nil {
		gone, err := s.removed()
		if err != nil {
			return nil, err
		}
		p.gone = gone
	}
	return c, nil
}

// Seals says which segments are missing, or do not follow from the one before as
// their headers have it. It reads no record.
func (p *Patrol) Seals() ([]Problem, error) {
	c, err := p.checker()
	if err != nil {
		return nil, err
	}
	for _, k := range []struct {
		kind segmentKind
		last uint32
	}{{journalKind, c.mark.Journal}, {captureKind, c.mark.CaptureSegment}} {
		before := int64(0) // size of the segment before, -1 where it is not known
		for n := uint32(1); n <= k.last; n++ {
			if k.kind == captureKind && p.gone[n] {
				before = -1
				continue
			}
			s, err := openSegment(c.disk, c.dir, k.kind, n)
			if errors.Is(err, os.ErrNotExist) {
				err = &DamageError{File: k.kind.name(n), Offset: -1, What: segmentMissing}
			}
			if err != nil {
				if before = -1; c.take(err) != nil {
					return nil, err
				}
				continue
			}
			size, err := s.Size()
			if h := s.header; err == nil && h.Store != c.store {
				c.problem(s.name, 0, "the segment belongs to another store")
			} else if err == nil && before >= 0 && n > 1 && h.PrevEnd > before {
				c.problem(k.kind.name(n-1), before, "the file was cut: the next segment says that it is longer")
			}
			if err = errors.Join(err, s.Close()); err != nil {
				return nil, err
			}
			before = size
		}
	}
	return c.report.Problems, nil
}

// Next reads one segment and says what in it is not as it was written; over that
// the round has come to its end.
func (p *Patrol) Next(now time.Time) (found []Problem, over bool, err error) {
	if p.state.Over || p.state.Began.IsZero() {
		p.state, p.gone = round{Began: now.UTC()}, nil
	}
	c, err := p.checker()
	if err != nil {
		return nil, false, err
	}
	s := &segmentCheck{checker: c, bare: true}
	var end uint32 // the last segment
	switch {
	case p.state.Journal < c.mark.Journal:
		p.state.Journal++
		s.kind, s.number, end, s.markEnd = journalKind, p.state.Journal, c.mark.Journal, c.mark.JournalEnd
	case p.state.Capture < c.mark.CaptureSegment:
		p.state.Capture++
		s.kind, s.number, end, s.markEnd = captureKind, p.state.Capture, c.mark.CaptureSegment, c.mark.CaptureEnd
	default:
		p.state.Over = true
		return nil, true, p.keep()
	}
	if s.last = s.number == end; !s.last {
		s.markEnd = 0
	}
	if s.kind == captureKind && p.gone[s.number] {
		return nil, false, p.keep()
	}
	if err := s.check(); err != nil {
		return nil, false, err
	}
	if s.kind == journalKind {
		p.follow(s)
	}
	return s.report.Problems, false, p.keep()
}

// follow holds the ends of a segment against what the headers say of them.
func (p *Patrol) follow(s *segmentCheck) {
	c := s.checker
	if s.report.Records == 0 {
		return
	}
	if h := s.began; h.Number != 0 {
		if what := follows(s.first, s.firstPrevious, h.Sequence, h.Hash); what != "" {
			s.badRecord(s.name(), s.first.Sequence, s.firstAt, what)
		}
	}
	next, err := openSegment(c.disk, c.dir, journalKind, s.number+1)
	if err != nil {
		return // missing or damaged: told when its turn comes
	}
	h := next.header
	_ = next.Close() // it was only read
	if head := s.report.Head; h.Sequence != head.Sequence || h.Hash != head.Hash {
		s.badRecord(s.name(), head.Sequence, -1, "the segment does not end with the record that the next one follows")
	}
}

func (p *Patrol) keep() error {
	b, err := seal(p.state)
	if err == nil {
		err = replaceUnsynced(p.store.disk, filepath.Join(p.store.dir, roundName), b)
	}
	return err
}

// removed are the capture segments that were removed, on record.
func (r *Reader) removed() (map[uint32]bool, error) {
	gone := map[uint32]bool{}
	err := r.Records(Kind, record.KindCapturesRemoved.String(), func(e record.Entry) error {
		if b, ok := e.Body.(*record.CapturesRemoved); ok {
			for _, n := range b.Segments {
				gone[n] = true
			}
		}
		return nil
	})
	return gone, err
}
