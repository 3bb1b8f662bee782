package desk

import (
	"slices"
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/whatif"
)

// State is what pages show. It is changed by the program's one goroutine.
type State struct {
	*reading
	paint paint
	where *time.Location // of days and hours

	wanted    quantity.Name // that the next reading is to be of
	low, high *float64      // the limit as it was moved
	k         int
	lower     bool // arrows move the lower side
	answer    whatif.Answer
	note      string // what the last key came to
}

// inForce is the limit of the file, both sides open where it has none.
func (s *State) inForce() limits.Limit {
	for _, l := range s.file.Limits {
		if l.Name == s.quantity.Name {
			return l
		}
	}
	return limits.Limit{Definition: s.quantity}
}

// settle takes a new reading. The limit stays as it was moved if the quantity is
// the same.
func (s *State) settle(r *reading) error {
	same := s.reading != nil && s.quantity.Name == r.quantity.Name && s.file.Revision == r.file.Revision
	s.reading, s.wanted = r, r.quantity.Name
	if !same {
		l := r.moving.Limit()
		s.low, s.high, s.k = l.Low, l.High, int(l.K)
		s.lower = l.High == nil && l.Low != nil
	}
	return s.move()
}

// move works the answer out anew.
func (s *State) move() (err error) {
	s.answer, err = s.moving.Move(s.low, s.high, s.k)
	return err
}

// next chooses a quantity so many places on among those of limits, then the rest.
func (s *State) next(n int) {
	var list []quantity.Name
	for _, l := range s.file.Limits {
		list = append(list, l.Name)
	}
	for _, d := range quantity.All() {
		if !slices.Contains(list, d.Name) {
			list = append(list, d.Name)
		}
	}
	at := slices.Index(list, s.wanted)
	s.wanted = list[((at+n)%len(list)+len(list))%len(list)]
}
