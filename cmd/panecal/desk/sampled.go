package desk

import (
	"sync/atomic"

	"example.org/panecal/limits/whatif"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// sampled picks attempts spread over the log, of as many as there turn out to be:
// those of the highest ranks.
type sampled struct {
	most int
	rank atomic.Int64 // the least that is taken
	at   []place
}

// place is where an attempt stands.
type place struct {
	serial     string
	generation uint32
	sequence   uint64
}

// offer offers an attempt.
func (s *sampled) offer(r *store.Row) {
	if s.takes(int64(r.Sequence)) {
		s.add([]place{{r.Serial, r.Generation, r.Sequence}})
	}
}

func (s *sampled) takes(sequence int64) bool {
	return s.most > 0 && whatif.Rank(sequence) >= int(s.rank.Load())
}

// pick returns what may be taken of some attempts. Several calls may run at a time,
// also beside add.
func (s *sampled) pick(b whatif.Rows, picked []bool) ([]place, error) {
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
		list = append(list, place{"", uint32(generation[i]), uint64(sequence[i])})
	}
	return list, nil
}

// add takes what was picked.
func (s *sampled) add(list []place) {
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

// units reads the records of those that were picked.
func (s *sampled) units(log *store.Follower) ([]whatif.Unit, error) {
	step := max(1, (len(s.at)+s.most-1)/max(s.most, 1))
	var list []whatif.Unit
	for i := 0; i < len(s.at); i += step {
		p := s.at[i]
		e, err := log.At(p.generation, p.sequence)
		if err != nil {
			return nil, err
		}
		if a, ok := e.Body.(*record.Attempt); ok {
			list = append(list, whatif.Unit{Nest: a.Run.Nest, Set: a.Set()})
		}
	}
	return list, nil
}
