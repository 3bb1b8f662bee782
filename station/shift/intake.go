package shift

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"

	"example.org/panecal/station"
	"example.org/panecal/station/label"
	"example.org/panecal/station/papers"
	"example.org/panecal/store/record"
)

// Intake hands labels to a station, after the files of their product. Any
// goroutine may use it.
type Intake struct {
	Catalogue papers.Catalogue // at the start
	First     *station.Files   // in force until a label decides otherwise

	mu    sync.Mutex
	force *station.Files   // as far as labels have decided, nil at first
	later papers.Catalogue // that came since the start, nil for none
}

// Files are those that labels choose from now.
func (i *Intake) Files() papers.Catalogue {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.later != nil {
		return i.later
	}
	return i.Catalogue
}

// Read reads a label by the rules of the product that it belongs to.
func (i *Intake) Read(text string) (*station.Files, label.Label, error) { return i.Files().Read(text) }

// Serial is that of a label, or the label itself where it is none of ours.
func (i *Intake) Serial(text string) string { return i.Files().Serial(text) }

// Reworks are the codes of what may be done to the unit of a label.
func (i *Intake) Reworks(text string) []string {
	f, _, _ := i.Read(text)
	if f == nil {
		return nil
	}
	return slices.Sorted(maps.Keys(f.Product.Retest.Reworks))
}

// ErrRework: a code that is none of the product's reworks.
var ErrRework = errors.New("there is no such rework")

// Rework puts on record that a person did to the unit of a label what a code says.
// ErrRework: the label's product has others.
func (i *Intake) Rework(to Station, label, code, by string) error {
	if known := i.Reworks(label); len(known) > 0 && !slices.Contains(known, code) {
		return fmt.Errorf("%w as %q for %s: use one of %q", ErrRework, code, label, known)
	}
	if _, err := to.Append(&record.ReworkDone{Serial: i.Serial(label), Action: code, By: by}); err != nil {
		return fmt.Errorf("recording the rework of %s: %w", label, err)
	}
	return nil
}

// Renew works by new files from the next label on, and returns those that take
// the place of the ones in force; nil where nothing has changed.
func (i *Intake) Renew(all papers.Catalogue) *station.Files {
	was, force := i.Files(), i.InForce()
	if was.Same(all) {
		return nil
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	i.later = all
	for k, f := range was {
		if f == force {
			i.force = all[k]
		}
	}
	return i.force
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
