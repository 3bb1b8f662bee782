package store

import (
	"errors"
	"fmt"
	"sort"

	"example.org/panecal/store/record"
)

// Ends returns the last record of the log, its name and generation alone where
// it is empty, and the sequence after which its
// generation began, 0 for the first.
func (r *Reader) Ends() (head record.Ref, began uint64, err error) {
	if head, err = r.Head(); err != nil || head.Generation == 1 {
		return head, 0, err
	}
	if head.IsZero() { // an empty log has a name all the same
		s, err := openSegment(r.disk, r.dir, journalKind, 1)
		if err != nil {
			return head, 0, err
		}
		return record.Ref{Station: s.header.Station, Generation: s.header.Generation}, 0, s.Close()
	}
	numbers, err := segments(r.disk, r.dir, journalKind)
	if err != nil {
		return head, 0, fmt.Errorf("finding where the generation began: %w", err)
	}
	i := sort.Search(len(numbers), func(i int) bool {
		s, serr := openSegment(r.disk, r.dir, journalKind, numbers[i])
		if serr != nil {
			err = errors.Join(err, serr)
			return true
		}
		began := s.header.Generation >= head.Generation
		err = errors.Join(err, s.Close())
		return began
	})
	if err != nil || i == len(numbers) {
		return head, 0, err
	}
	s, err := openSegment(r.disk, r.dir, journalKind, numbers[i])
	if err != nil {
		return head, 0, err
	}
	return head, s.header.Sequence, s.Close()
}
