package roster

import (
	"strings"
	"time"
)

// Book is the roster with the badges beside it, as a station works with them.
type Book struct {
	*Roster
	*People
	Site *time.Location // whose days dates end with
}

// Badge finds the person whose badge a text is; false where it is nobody's of
// the roster.
func (b *Book) Badge(text string) (Person, bool) {
	line, ok := b.badge(strings.TrimSpace(text))
	if !ok {
		return Person{}, false
	}
	return b.Person(line.ID)
}

// Allows tells whether a PIN is that of the person; never where the person has
// none.
func (b *Book) Allows(id, pin string) bool {
	line, ok := b.Of(id)
	return ok && IsPIN(pin) && line.PIN.Fits(pin)
}

// Some tells whether anybody who may do something now has a PIN to do it with.
func (b *Book) Some(now time.Time, some ...Role) bool {
	for _, p := range b.Roster.People {
		if line, ok := b.Of(p.ID); ok && line.PIN != "" && p.Has(some...) && p.Valid(now, b.Site) {
			return true
		}
	}
	return false
}
