package desk

import (
	"sync/atomic"

	"example.org/panecal/limits/whatif"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Sample picks attempts spread over the log, of as many as there turn out to be:
// those of the highest ranks.
type Sample struct {
	most int
	rank atomic.Int64 // the least that is taken
	at   []place
}

// NewSample returns a sample of so many attempts at most.
func NewSample(most int) *Sample { return &Sample{most: most} }

// place is where an attempt stands.
type place struct {
	generation uint32
	sequence   uint64
	station    string
}

// Offer offers an attempt.
func (s *Sample) Offer(r *store.Row) {
	if s.takes(int64(r.Sequence)) {
		s.add([]place{{r.Generation, r.Sequence, r.Station}})
	}
}

func (s *Sample) takes(sequence int64) bool {
	return s.most > 0 && whatif.Rank(sequence) >= int(s.rank.Load())
}

// pick returns what may be taken of some attempts. Several calls may run at a time,
// also beside add.
func (s *Sample) pick(station string, b whatif.Rows, picked []bool) ([]place, error) {
	if s.most == 0 {
		return nil, nil
	}
	var list []place
	var generation []int64
	sequence, err := b.Ints("sequence", nil)
	if err != nil {
		return nil, err
	}
	for i, p := range picked {
		if !p || !s.takes(sequence[i]) {
			continue
		}
		if generation == nil {
			if generation, err = b.Ints("generation", nil); err != nil {
				return nil, err
			}
		}
		list = append(list, place{uint32(generation[i]), uint64(sequence[i]), station})
	}
	return list, nil
}

// add takes what was picked.
func (s *Sample) add(list []place) {
	for _, p := range list {
		if s.takes(int64(p.sequence)) {
			s.at = append(s.at, p)
		}
	}
	for len(s.at) >= 2*s.most && s.most > 0 {
		s.rank.Add(1)
		n := 0
		for _, p := range s.at {
			if s.takes(int64(p.sequence)) {
				s.at[n] = p
				n++
			}
		}
		s.at = s.at[:n]
	}
}

// Units reads the records of those that were picked.
func (s *Sample) Units(log Log) ([]whatif.Unit, error) {
	step := max(1, (len(s.at)+s.most-1)/max(s.most, 1))
	var list []whatif.Unit
	for i := 0; i < len(s.at); i += step {
		p := s.at[i]
		e, err := log.AtStation(p.station, p.generation, p.sequence)
		if err != nil {
			return nil, err
		}
		if a, ok := e.Body.(*record.Attempt); ok {
			list = append(list, whatif.Unit{Nest: a.Run.Nest, Set: a.Set()})
		}
	}
	return list, nil
}
