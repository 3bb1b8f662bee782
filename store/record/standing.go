package record

// Standing is where a unit stands, as its records tell one after the other. The
// zero value is a unit before any verdict.
type Standing struct {
	At Disposition
	// Firm: it was decided, and only a decision moves it.
	Firm bool
}

// Verdict takes in the disposition of an attempt, and says whether it moved the
// unit. The result of a check unit, a study or an audit decides nothing, and so
// does none.
func (s *Standing) Verdict(p Purpose, d Disposition) bool {
	if s.Firm || d == "" || !p.Decides() {
		return false
	}
	moved := s.At != d
	s.At = d
	return moved
}

// Change takes in a change of disposition, and says whether it moved the unit. A
// firm one that takes the unit off hold lets verdicts move it again; scrap stays.
func (s *Standing) Change(to Disposition, firm bool) bool {
	if s.Firm && (!firm || s.At == Scrap) {
		return false
	}
	moved := s.At != to
	s.At, s.Firm = to, firm && (to == Hold || to == Scrap)
	return moved
}
