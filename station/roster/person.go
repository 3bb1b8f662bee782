package roster

import (
	"crypto/ed25519"
	"slices"
	"time"
)

// Person is one of the roster, by a pseudonym.
type Person struct {
	ID           string
	Roles        []Role
	TrainedUntil Day               // none: no training is asked for
	ValidUntil   Day               // none: until another revision
	Revoked      Day               // from this day on nothing of the person counts; none: not revoked
	Key          ed25519.PublicKey // nil for none
}

// Has reports whether the person has one of the roles.
func (p Person) Has(some ...Role) bool {
	return slices.ContainsFunc(some, func(r Role) bool { return slices.Contains(p.Roles, r) })
}

// Withdrawn reports whether the person was revoked by then.
func (p Person) Withdrawn(now time.Time, site *time.Location) bool {
	return !p.Revoked.IsZero() && p.Revoked.Left(now, site) <= 0
}

// Valid reports whether the person may do what the roles say at that time.
func (p Person) Valid(now time.Time, site *time.Location) bool {
	return !p.Withdrawn(now, site) && !p.ValidUntil.Over(now, site)
}

// Trained reports whether the training holds at that time.
func (p Person) Trained(now time.Time, site *time.Location) bool {
	return !p.TrainedUntil.Over(now, site)
}
