package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/screen"
	"example.org/panecal/store/record"
)

// crew stands between the screen and the station: what the shift's pages ask
// for goes on record and to the station from here, everything else passes
// through.
type crew struct {
	bench *bench
	box   *screen.Mailbox
	lang  *screen.Language
	scan  func(nest int, text string)
	files string // folder of the hand-overs, "" for none
	lot   string // of the units, from the command line

	mu     sync.Mutex
	shift  *screen.Shift
	person string // on record as signed on, "" for nobody
	wrote  string // the last hand-over's file
}

// entered takes what came in at the screen.
func (c *crew) entered(in screen.Input) {
	c.mu.Lock()
	defer c.mu.Unlock()
	before := c.shift.Page()
	var said screen.Said
	for _, d := range c.shift.Take(in, c.bench.runner.Snapshot()) {
		if s, ok := d.(screen.Said); ok {
			said = s
			continue
		}
		if err := c.do(d); err != nil {
			// Nothing after it may say that it is done.
			said = screen.Said{Text: c.lang.Tell(screen.NotRecorded, err.Error())}
			break
		}
	}
	if after := c.shift.Page(); said.Text != "" || before != nil || after != nil {
		c.box.Show(after, said)
	}
}

func (c *crew) do(d screen.Deed) error {
	switch d := d.(type) {
	case screen.Passed:
		c.pass(d.Input)
	case screen.SignedOn:
		return c.signOn(d.Person, "badge", d.Acknowledged)
	case screen.SignedOff:
		return c.signOff(d)
	case screen.Set:
		return c.settle(false)
	case screen.Left:
		return c.keep(&record.Note{By: c.person, Text: d.Text})
	case screen.Mended:
		return c.keep(&record.ReworkDone{Serial: c.serial(d.Label), Action: d.Code, By: c.person})
	}
	return nil
}

// keep puts a body on record.
func (c *crew) keep(b record.Body) error {
	if _, err := c.bench.store.Append(b); err != nil {
		return fmt.Errorf("recording %s: %w", b.Kind(), err)
	}
	return nil
}

// pass hands an entry to the station.
func (c *crew) pass(in screen.Input) {
	switch in.Kind {
	case screen.Label:
		c.scan(station.NoNest, in.Text)
	case screen.Go:
		// "Go on" answers the sentence that the hands just read.
		c.bench.runner.Go(c.bench.runner.Snapshot().Hands.Nest)
	case screen.Skip:
		c.bench.runner.Skip(in.Nest)
	}
}

// serial is that of a label, or the label where it has none.
func (c *crew) serial(text string) string {
	if f, ok := c.bench.files.of(text); ok {
		if l, err := f.Product.Label.Rules.Parse(text); err == nil {
			return l.Serial
		}
	}
	return text
}

func (c *crew) signOn(person, method string, cautions []string) error {
	if person == "" {
		person = "unknown"
	}
	if err := c.keep(&record.SignOn{Person: person, Role: "operator", Method: method, Acknowledged: cautions}); err != nil {
		return err
	}
	c.person = person
	return c.settle(true)
}

// settle puts what holds for the units that follow on record, and tells the
// station. anew: a shift begins.
func (c *crew) settle(anew bool) error {
	s, snap, f := c.shift.Settings(), c.bench.runner.Snapshot(), c.bench.inForce()
	body := &record.ShiftSettings{
		WorkOrder: s.WorkOrder, Quantity: s.Quantity, WindowLot: s.WindowLot, GasketLot: s.GasketLot, EmitterLot: s.EmitterLot,
		Lot: c.lot, Operator: c.person, Software: version, Purpose: snap.Purpose,
		Product: record.Revision{Name: f.Product.Name, Rev: f.Product.Revision, Signed: f.Product.Signed},
		Limits:  record.Revision{Name: f.Limits.Product, Rev: f.Limits.Revision, Signed: f.Limits.Signed},
		Sheet:   record.Revision{Name: f.Sheet.Station, Rev: f.Sheet.Revision, Signed: f.Sheet.Signed},
	}
	for _, n := range snap.Nests {
		body.Nests = append(body.Nests, n.Name)
	}
	if err := c.keep(body); err != nil {
		return err
	}
	c.bench.runner.Crew(station.Crew{Operator: c.person, WorkOrder: s.WorkOrder, Lot: c.lot,
		WindowLot: s.WindowLot, GasketLot: s.GasketLot, EmitterLot: s.EmitterLot, Anew: anew})
	return nil
}

// errInDoubt keeps people signed on.
var errInDoubt = errors.New("a record could not be written, so a verdict may be in doubt: nobody is signed off")

// inDoubt says whether a verdict may be in doubt. Signing off says that every
// verdict was seen; without it, what was not seen is shown again.
func (c *crew) inDoubt() bool {
	return slices.ContainsFunc(c.bench.runner.Snapshot().Stops, func(s station.Stop) bool { return s.Code == station.StopStore })
}

func (c *crew) signOff(d screen.SignedOff) error {
	if c.inDoubt() {
		return errInDoubt
	}
	err := c.keep(&record.SignOn{Person: c.person, Role: "operator", Off: true, Method: "screen"})
	return errors.Join(err, c.handOver(d))
}

// handOver writes the summary into a file of its own.
func (c *crew) handOver(d screen.SignedOff) error {
	c.person = ""
	if c.files == "" {
		return nil
	}
	if err := os.MkdirAll(c.files, 0o750); err != nil {
		return fmt.Errorf("making the folder of hand-overs: %w", err)
	}
	who := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '_'
	}, d.Person)
	c.wrote = filepath.Join(c.files, time.Now().UTC().Format("2006-01-02T15-04-05Z")+"-"+who+".txt")
	if err := writeNew(c.wrote, []byte(strings.Join(d.Summary, "\n")+"\n")); err != nil {
		return fmt.Errorf("writing the hand-over: %w", err)
	}
	return nil
}

// begin signs the person on who is known by other means than a badge, and
// shows the first page where there is one.
func (c *crew) begin(operator string) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if p := c.shift.Page(); p != nil {
		c.box.Show(p, screen.Said{})
		return nil
	}
	return c.signOn(operator, "command line", nil)
}

// end signs off whoever is still signed on, after the station has closed, and
// tells the hand-over. After a fault nobody is signed off.
func (c *crew) end(talk io.Writer, sound bool) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.person == "" {
		return nil
	}
	lines := c.shift.Summary(c.bench.runner.Snapshot(), time.Now())
	err := errInDoubt
	if sound {
		err = c.signOff(screen.SignedOff{Person: c.person, Summary: lines})
	}
	fmt.Fprintln(talk, strings.Join(lines, "\n"))
	if c.wrote != "" && err == nil {
		fmt.Fprintf(talk, "panecal: the hand-over is in %s\n", c.wrote)
	}
	return err
}
