package store

import (
	"errors"
	"os"
)

// bodies reads records from the segments, for the time of one question.
type bodies struct {
	disk disk
	dir  string
	open map[uint32]*segment
}

// maxBodies bounds how many segments one question holds open.
const maxBodies = 16

func (b *bodies) read(l location) ([]byte, error) {
	s := b.open[l.segment]
	if s == nil {
		if len(b.open) == maxBodies {
			if err := b.close(); err != nil {
				return nil, err
			}
		}
		var err error
		if s, err = openSegment(b.disk, b.dir, journalKind, l.segment); err != nil {
			if errors.Is(err, os.ErrNotExist) {
				err = &DamageError{File: journalKind.name(l.segment), Offset: -1, What: segmentMissing}
			}
			return nil, err
		}
		if b.open == nil {
			b.open = map[uint32]*segment{}
		}
		b.open[l.segment] = s
	}
	content, next, err := readFrame(s, l.offset, l.offset+l.length)
	if noFrame(err) || err == nil && next != l.offset+l.length {
		return nil, &DamageError{File: s.name, Offset: l.offset, What: "a record that was there cannot be read"}
	}
	if err != nil {
		return nil, err
	}
	if content, err = unpackRecord(content); err != nil {
		return nil, &DamageError{File: s.name, Offset: l.offset, What: err.Error()}
	}
	return content, nil
}

func (b *bodies) close() error {
	var err error
	for _, s := range b.open {
		err = errors.Join(err, s.Close())
	}
	b.open = nil
	return err
}
