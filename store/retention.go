package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"example.org/panecal/store/record"
)

// ErrRemoved: the raw capture was removed, by a rule of the station's
// configuration and on record. It wraps ErrNotFound.
var ErrRemoved = fmt.Errorf("%w: it was removed", ErrNotFound)

// Retention says which raw captures are kept; the zero value keeps all.
type Retention struct {
	Since time.Time // older files of captures go; zero: none
	Bytes int64     // where all files are larger together, the oldest go; 0: none
	Rule  string    // as the configuration has it, for the record
}

// RemoveCaptures removes whole files of raw captures, the oldest first, never
// the one that is written. What goes is on record before it goes, and what a
// crash left of it goes the next time. It returns how many files were removed.
func (s *Store) RemoveCaptures(keep Retention) (int, error) {
	n, err := s.removeCaptures(keep)
	if err != nil {
		err = fmt.Errorf("removing raw captures: %w", err)
	}
	return n, err
}

func (s *Store) removeCaptures(keep Retention) (int, error) {
	gone, err := s.removed()
	if err != nil {
		return 0, err
	}
	all, err := segments(s.disk, s.dir, captureKind)
	if err != nil {
		return 0, err
	}
	last := s.acknowledged().CaptureSegment
	var still []uint32
	var sizes []int64
	total, left := int64(0), 0
	for _, n := range all {
		if gone[n] && n < last {
			left++
			continue
		}
		info, err := os.Stat(filepath.Join(s.dir, captureKind.name(n)))
		if err != nil {
			return 0, err
		}
		still, sizes, total = append(still, n), append(sizes, info.Size()), total+info.Size()
	}
	b := &record.CapturesRemoved{Rule: keep.Rule}
	for i, n := range still {
		if n >= last || i+1 == len(still) {
			break
		}
		next, err := openSegment(s.disk, s.dir, captureKind, still[i+1])
		if err != nil {
			return 0, err
		}
		until := next.header.Created // no capture of this file is younger
		if err := next.Close(); err != nil {
			return 0, err
		}
		if !(keep.Bytes > 0 && total-b.Bytes > keep.Bytes || until.Before(keep.Since)) {
			break
		}
		b.Segments, b.Bytes, b.Before = append(b.Segments, n), b.Bytes+sizes[i], until
	}
	if len(b.Segments) > 0 {
		if _, err := s.Append(b); err != nil {
			return 0, err
		}
		for _, n := range b.Segments {
			gone[n] = true
		}
	} else if left == 0 {
		return 0, nil
	}
	removed := 0
	for _, n := range all {
		if !gone[n] || n >= last {
			continue
		}
		if rerr := s.disk.Remove(filepath.Join(s.dir, captureKind.name(n))); ignoreMissing(rerr) != nil {
			err = errors.Join(err, rerr) // somebody reads it: the next time
			continue
		}
		removed++
	}
	return removed, errors.Join(err, s.disk.SyncDir(s.dir))
}
