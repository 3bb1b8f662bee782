package plant

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"

	"example.org/panecal/protocol/simunit"
)

// Rack is a row of simulated nests, each on a pseudo-terminal of its own, and
// the units that hands put into them. Any goroutine may use it once its nests
// are attached.
type Rack struct {
	Acts  []Act
	Ports []string // of the nests

	connectors []*simunit.Connector

	mu     sync.Mutex
	seated []*simunit.Unit // in each nest, or taken out of it last
}

// Attach makes so many nests, all empty, that last until ctx ends.
func (r *Rack) Attach(ctx context.Context, nests int) error {
	for range nests {
		s, err := simunit.NewConnector()
		if err != nil {
			return err
		}
		port, err := simunit.ServePTY(ctx, s)
		if err != nil {
			return err
		}
		r.Ports, r.connectors, r.seated = append(r.Ports, port), append(r.connectors, s), append(r.seated, nil)
	}
	return nil
}

// Seat puts the unit with that label into a nest. False: there is no such unit,
// or it lies in a nest.
func (r *Rack) Seat(nest int, label string) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, a := range r.Acts {
		if a.Unit.Serial() != label {
			continue
		}
		for i, u := range r.seated {
			if u == a.Unit && u.Seated() {
				return false
			} else if u == a.Unit {
				r.seated[i] = nil
				r.connectors[i].Detach()
			}
		}
		r.connectors[nest].Attach(a.Speaker)
		a.Unit.Seat(a.Seating)
		r.seated[nest] = a.Unit
		return true
	}
	return false
}

// Empty tells whether no unit lies in a nest.
func (r *Rack) Empty(nest int) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.seated[nest] == nil || !r.seated[nest].Seated()
}

// TakeOut takes out what lies in a nest. False: nothing does.
func (r *Rack) TakeOut(nest int) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.seated[nest] == nil || !r.seated[nest].Seated() {
		return false
	}
	r.seated[nest].TakeOut()
	return true
}

// NestName is what a nest is called: A, B, C.
func NestName(i int) string { return string(rune('A' + i)) }

// Move is what a hand did: it put the unit with a label into a nest, or took
// out what lay there.
type Move struct{ Nest, Label, Note string }

// Obey does what a typed line tells the hand, and says what it did.
func (r *Rack) Obey(line string) (done Move, err error) {
	words := strings.Fields(strings.ToUpper(line))
	if len(words) < 1 || len(words) > 2 {
		return done, fmt.Errorf("%q: type a label, a label and a nest, or a nest", line)
	}
	for i := range r.connectors {
		if done.Nest = NestName(i); words[0] != done.Nest {
			continue
		}
		if done.Note = "taken out"; !r.TakeOut(i) {
			return done, fmt.Errorf("nest %s is empty", done.Nest)
		}
		return done, nil
	}
	done.Label, done.Note = words[0], "put in"
	for i := range r.connectors {
		if done.Nest = NestName(i); !r.Empty(i) || len(words) == 2 && words[1] != done.Nest {
			continue
		}
		if !r.Seat(i, done.Label) {
			return done, fmt.Errorf("%s: no such unit lies beside the nests", done.Label)
		}
		return done, nil
	}
	if len(words) == 2 {
		return done, fmt.Errorf("nest %s is not empty, or there is none: nests are A to %s", words[1], NestName(len(r.connectors)-1))
	}
	return done, errors.New("no nest is empty")
}
