package decision

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/limits/release"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// Log is what the station has on record; *store.Store is one.
type Log interface {
	BySerial(serial string) ([]record.Entry, error)
	Get(record.Ref) (record.Entry, error)
	Attempts(store.Filter, []quantity.Name, func(*store.Row) error) error
}

// Desk carries orders out at one station, one after the other. All fields are
// needed but Serial and Spared.
type Desk struct {
	Station string                       // whose log it is
	Keys    func() (release.Keys, error) // of those who may decide now
	Log     Log
	// Append puts a record into the log; when it returns nil, the record survives a
	// power cut.
	Append func(record.Body) (record.Ref, error)

	Serial func(label string) string // what a label says; nil: a label is the serial
	Spared []string                  // serials of check units, which are nobody's product

	turn sync.Mutex
}

// Done is what came of an order.
type Done struct {
	Units   int      // that it moved
	Left    []string // a line for each unit that was chosen and left as it was
	Changes []*record.DispositionChange
	Told    string // in words
}

// Take carries out the order of a file. refused says why nothing of it was done;
// err that the log failed, and then the file has to be taken again.
func (d *Desk) Take(file []byte) (done Done, refused, err error) {
	keys, err := d.Keys()
	if err != nil {
		return Done{}, nil, err
	}
	o, signed, err := Open(file, keys)
	if err != nil {
		return Done{}, err, nil
	}
	return d.Do(o, file, signed)
}

// Do carries out an order of somebody who is known, by a file or, where that is
// nil, otherwise.
func (d *Desk) Do(o Order, file []byte, signed bool) (done Done, refused, err error) {
	d.turn.Lock()
	defer d.turn.Unlock()
	if o.Station != "" && o.Station != d.Station {
		return Done{}, fmt.Errorf("it is for station %q, this is %q", o.Station, d.Station), nil
	}
	serials, err := d.serials(o)
	if err != nil {
		return Done{}, nil, err
	}
	if len(serials) == 0 {
		return Done{}, fmt.Errorf("no unit of this log is chosen by: %s", o.Chosen), nil
	}
	return d.carry(o, serials, file, signed)
}

// Hold puts one unit on hold, by its serial or label, as somebody at the station
// says who is known there. The error also says why nothing was done.
func (d *Desk) Hold(label, reason, by string, at time.Time) (Done, error) {
	o, err := New(Order{Verb: Hold, Serial: label, Reason: reason, By: by}, at)
	if err != nil {
		return Done{}, err
	}
	done, refused, err := d.Do(o, nil, false)
	return done, errors.Join(refused, err)
}

// carry does what an order says for these units.
func (d *Desk) carry(o Order, serials []string, file []byte, signed bool) (done Done, refused, err error) {
	known := map[record.Ref]*record.Decision{}
	decided := func(ref record.Ref) (*record.Decision, error) {
		if r, ok := known[ref]; ok {
			return r, nil
		}
		e, err := d.Log.Get(ref)
		if err != nil {
			return nil, fmt.Errorf("reading the decision %s: %w", ref, err)
		}
		r, ok := e.Body.(*record.Decision)
		if !ok {
			return nil, fmt.Errorf("record %s is no decision", ref)
		}
		known[ref] = r
		return r, nil
	}
	var ref *record.Ref // of this very order, where it was cut off half way
	var bodies []record.Body
	again := 0
	for _, serial := range serials {
		if slices.Contains(d.Spared, serial) {
			done.Left = append(done.Left, serial+": a check unit is nobody's product")
			continue
		}
		list, err := d.Log.BySerial(serial)
		if err != nil {
			return Done{}, nil, err
		}
		u, err := weigh(list, decided)
		if err != nil {
			return Done{}, nil, err
		}
		if n := u.newest; n != nil && n.Decided.Equal(o.Time) && n.By == o.By && n.Verb == string(o.Verb) && n.Reason == o.Reason {
			ref = u.ref
			again++
			continue
		}
		b, why := o.body(&u, serial, nil)
		if b == nil {
			done.Left = append(done.Left, serial+": "+why)
			continue
		}
		bodies = append(bodies, b)
	}
	if len(bodies) == 0 {
		if again > 0 {
			done.Told = fmt.Sprintf("%s by %s: done before", o.Verb, o.By)
			return done, nil, nil
		}
		return Done{}, fmt.Errorf("no unit was moved: %s", first(done.Left)), nil
	}
	if ref == nil {
		r, err := d.Append(&record.Decision{Verb: string(o.Verb), Serial: o.single(serials), Chosen: o.Chosen.String(), Reason: o.Reason, By: o.By,
			Document: o.Document, Decided: o.Time, Units: len(bodies), Left: len(done.Left), Signed: signed, File: file})
		if err != nil {
			return Done{}, nil, err
		}
		ref = &r
	}
	for _, b := range bodies {
		switch b := b.(type) {
		case *record.DispositionChange:
			b.Decision = ref
			done.Changes = append(done.Changes, b)
		case *record.ReworkDone:
			b.Decision = ref
		}
		if _, err := d.Append(b); err != nil {
			return done, nil, err
		}
		done.Units++
	}
	done.Told = fmt.Sprintf("%s by %s: %d units", o.Verb, o.By, done.Units)
	if n := len(done.Left); n > 0 {
		done.Told += fmt.Sprintf(", %d left as they were (%s)", n, first(done.Left))
	}
	return done, nil, nil
}

func (o Order) single(serials []string) string {
	if o.Serial == "" {
		return ""
	}
	return serials[0]
}

// first shows the first of some lines, and how many more there are.
func first(lines []string) string {
	if len(lines) == 0 {
		return ""
	}
	if len(lines) == 1 {
		return lines[0]
	}
	return fmt.Sprintf("%s; and %d more", lines[0], len(lines)-1)
}

// serials are the units that an order is about, each once, in log order.
func (d *Desk) serials(o Order) ([]string, error) {
	if o.Chosen == nil {
		if d.Serial != nil {
			return []string{d.Serial(o.Serial)}, nil
		}
		return []string{o.Serial}, nil
	}
	return Serials(d.Log, o.Chosen)
}

// Serials are the units that a log has of a choice, each once, in log order.
func Serials(log interface {
	Attempts(store.Filter, []quantity.Name, func(*store.Row) error) error
}, c *Chosen) ([]string, error) {
	var list []string
	seen := map[string]bool{}
	err := log.Attempts(c.Filter(), nil, func(r *store.Row) error {
		if !r.Purpose.Decides() || r.Serial == "" || seen[r.Serial] {
			return nil
		}
		seen[r.Serial] = true
		list = append(list, r.Serial)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("choosing units: %w", err)
	}
	return list, nil
}
