package store

import "example.org/panecal/store/record"

// Standings is how attempts and units stand after what moved them, for blocks of
// attempts that stand elsewhere than in a log's own files; see [NewBlock]. What moved
// a unit is told in its order.
type Standings struct{ s standing }

// NewStandings returns the standings before anything moved a unit.
func NewStandings() *Standings {
	return &Standings{standing{map[uint64]record.Disposition{}, map[string]whereabouts{}}}
}

// Beside returns the standings of another station with the same units: its attempts
// have numbers of their own.
func (s *Standings) Beside() *Standings {
	return &Standings{standing{map[uint64]record.Disposition{}, s.s.units}}
}

// Verdict takes in the disposition of an attempt.
func (s *Standings) Verdict(serial string, sequence uint64, p record.Purpose, d record.Disposition) {
	s.s.stands(serial, sequence, func(u *record.Standing) { u.Verdict(p, d) })
}

// Change takes in a change of disposition; attempt is the number of the attempt that
// it names, 0 for none.
func (s *Standings) Change(serial string, sequence, attempt uint64, to record.Disposition, firm bool) {
	s.s.add(nil, []change{{Sequence: sequence, Attempt: attempt, Serial: serial, To: to, Firm: firm}})
}

// Held returns how many units are on hold.
func (s *Standings) Held() int {
	n := 0
	for _, u := range s.s.units {
		if u.At == record.Hold {
			n++
		}
	}
	return n
}

// NewBlock returns a block of attempts of a station that stand elsewhere than in a
// log's own files; now tells how they stand, where that is asked for.
func NewBlock(c Columns, station string, part, parts int, now func() (*Standings, error)) *Block {
	return &Block{c, station, part, parts, func() (*standing, error) {
		s, err := now()
		if err != nil {
			return nil, err
		}
		return &s.s, nil
	}}
}
