package shift

import (
	"cmp"
	"sync"

	"example.org/panecal/station"
	"example.org/panecal/station/papers"
)

// Intake hands labels to a station, after the files of their product. Any
// goroutine may use it.
type Intake struct {
	papers.Catalogue
	First *station.Files // in force until a label decides otherwise

	mu    sync.Mutex
	force *station.Files // as far as labels have decided, nil at first
}

// InForce returns the files that the next unit is for.
func (i *Intake) InForce() *station.Files {
	i.mu.Lock()
	defer i.mu.Unlock()
	return cmp.Or(i.force, i.First)
}

// Hand hands over what a scan said, after the files of its product where it
// is of another one than the last. nest is station.NoNest unless the label is
// for one.
func (i *Intake) Hand(to Station, nest int, text string) {
	if f, _, _ := i.Read(text); f != nil && f != i.InForce() {
		i.mu.Lock()
		i.force = f
		i.mu.Unlock()
		to.TakeUp(f)
	}
	to.Scan(nest, text)
}
