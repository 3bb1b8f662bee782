package conform

import "slices"

// Covered are the clauses that some check or every answer tries.
func Covered() map[string]bool {
	all := map[string]bool{}
	for _, n := range always() {
		all[n] = true
	}
	for _, c := range checks() {
		for _, n := range c.clauses {
			all[n] = true
		}
	}
	return all
}

// For units of the tests that are wrong by design.
var (
	Stuff    = stuff
	Unstuff  = unstuff
	Checksum = checksum
	PacketOf = packetOf
	Framed   = framed
	Judge    = func(payload []byte) error {
		if f := judge(payload); f != nil {
			return f
		}
		return nil
	}
)

// Always says whether every answer is held against a clause.
func Always(clause string) bool { return slices.Contains(always(), clause) }
