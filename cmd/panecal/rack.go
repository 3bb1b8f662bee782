package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"

	"github.com/spf13/cobra"

	"example.org/panecal/protocol/simunit"
)

// rack is a row of simulated nests, each on a pseudo-terminal of its own, and
// the units that hands put into them.
type rack struct {
	acts       []act
	ports      []string // of the nests
	connectors []*simunit.Connector

	mu     sync.Mutex
	seated []*simunit.Unit // in each nest, or taken out of it last
}

// attachNests makes so many nests, all empty, that last until ctx ends.
func (r *rack) attachNests(ctx context.Context, nests int) error {
	for range nests {
		s, err := simunit.NewConnector()
		if err != nil {
			return err
		}
		port, err := simunit.ServePTY(ctx, s)
		if err != nil {
			return deviceError(err)
		}
		r.ports, r.connectors, r.seated = append(r.ports, port), append(r.connectors, s), append(r.seated, nil)
	}
	return nil
}

// seat puts the unit with that label into a nest. False: there is no such unit,
// or it lies in a nest.
func (r *rack) seat(nest int, label string) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, a := range r.acts {
		if a.unit.Serial() != label {
			continue
		}
		for i, u := range r.seated {
			if u == a.unit && u.Seated() {
				return false
			} else if u == a.unit {
				r.seated[i] = nil
			}
		}
		r.connectors[nest].Attach(a.line)
		a.unit.Seat(a.seating)
		r.seated[nest] = a.unit
		return true
	}
	return false
}

// empty tells whether no unit lies in a nest.
func (r *rack) empty(nest int) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.seated[nest] == nil || !r.seated[nest].Seated()
}

// takeOut takes out what lies in a nest. False: nothing does.
func (r *rack) takeOut(nest int) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.seated[nest] == nil || !r.seated[nest].Seated() {
		return false
	}
	r.seated[nest].TakeOut()
	return true
}

// simulate serves empty nests until the context ends, and does with the units
// what is typed.
func (r *rack) simulate(c *cobra.Command, nests int, seed uint64, speed float64) error {
	ctx, out := c.Context(), c.OutOrStdout()
	for i := range r.acts {
		r.acts[i].options.Speed = speed
	}
	err := errors.Join(r.attachNests(ctx, nests), cast(r.acts, seed, simunit.Line{Baud: simBaud, Turnaround: simTurnaround}))
	for i, port := range r.ports {
		err = errors.Join(err, printLine(out, simulated{Schema: simSchema, Nest: nestName(i), Port: port}))
	}
	for _, a := range r.acts {
		if err != nil {
			return err
		}
		err = printLine(out, simulated{Schema: simSchema, Serial: a.unit.Serial(), Label: a.unit.Serial(), Product: a.product, Note: a.note})
	}
	typed := make(chan string)
	go func() { // ends with the input, for which nobody waits
		for lines := bufio.NewScanner(c.InOrStdin()); lines.Scan(); {
			select {
			case typed <- lines.Text():
			case <-ctx.Done():
				return
			}
		}
	}()
	for err == nil {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case line := <-typed:
			done, wrong := r.obey(line)
			if wrong != nil {
				fmt.Fprintf(c.ErrOrStderr(), "panecal: %v\n", wrong)
				continue
			}
			err = printLine(out, done)
		}
	}
	return err
}

func nestName(i int) string { return string(rune('A' + i)) }

// obey does what a typed line tells the hand, and says what it did.
func (r *rack) obey(line string) (done simulated, err error) {
	words := strings.Fields(strings.ToUpper(line))
	if len(words) < 1 || len(words) > 2 {
		return done, fmt.Errorf("%q: type a label, a label and a nest, or a nest", line)
	}
	done.Schema = simSchema
	for i := range r.connectors {
		if done.Nest = nestName(i); words[0] != done.Nest {
			continue
		}
		if done.Note = "taken out"; !r.takeOut(i) {
			return done, fmt.Errorf("nest %s is empty", done.Nest)
		}
		return done, nil
	}
	done.Label, done.Note = words[0], "put in"
	for i := range r.connectors {
		if done.Nest = nestName(i); !r.empty(i) || len(words) == 2 && words[1] != done.Nest {
			continue
		}
		if !r.seat(i, done.Label) {
			return done, fmt.Errorf("%s: no such unit lies beside the nests", done.Label)
		}
		return done, nil
	}
	if len(words) == 2 {
		return done, fmt.Errorf("nest %s is not empty, or there is none: nests are A to %s", words[1], nestName(len(r.connectors)-1))
	}
	return done, errors.New("no nest is empty")
}
