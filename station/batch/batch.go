// Package batch is the operator of a run without a screen: it hands labels over
// one by one, waits for what comes of each, and tells how all of it ended.
package batch

import (
	"context"
	"errors"
	"slices"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/station/shift"
)

// Batch hands labels to a station one after the other, a queue for each nest,
// and waits for what comes of them. It is the operator of a run without a
// screen, and belongs to one goroutine.
type Batch struct {
	o     Options
	turns []turn
	end   End
	begun int // of Order
}

// Options are what a batch works with; Station, Intake, Queues, Verdicts
// and Tell are needed.
type Options struct {
	Station  shift.Station
	Intake   *shift.Intake
	Queues   [][]string             // of labels, one for each nest
	Verdicts <-chan station.Verdict // from the station, in order
	Operator string                 // signs on before and off after it; "" for nobody
	Again    bool                   // a unit that passed runs again
	Rework   string                 // code of what was done to the units since they failed, "" for nothing
	Tell     func(Told)             // to whoever stands at the line
	// Refused is told of each label that gets no verdict, once, and of its
	// nest; nil: Tell is.
	Refused func(nest int, t Told)
	// Order, where there is one, has an entry for each label of Queues: its nest.
	// Labels then have their turn one at a time, in this order, and Begin is told
	// before each, from 0.
	Order []int
	Begin func(n int)
	// Seat is told when a label was handed over, for simulated hands; nil for
	// real ones.
	Seat func(nest int, label string)
}

// Told is something about the unit of a label: what its hands have to do, or
// why it does not run. Code is "" where it was refused for no reason given.
type Told struct {
	Label string
	Code  station.Code
	Args  station.Args
}

// End is how a batch ended.
type End uint8

// The ends, the graver the later: of several units the gravest speaks.
const (
	AllReleased End = iota
	NotReleased     // a unit was not released; where nothing is written, one did not pass
	NotTaken        // a unit or its label was refused, or the station stopped
	NoPort          // a nest's port cannot be opened
	Faulty          // the store or the program failed: a verdict may be in doubt
)

// turn is what a nest still has to do.
type turn struct {
	labels []string
	handed bool // its first label
	at     time.Time
	told   station.Code // last hands code told about the label in hand
	over   bool         // its verdict or refusal came; the next waits for an empty nest
}

// New makes a batch that has not begun.
func New(o Options) *Batch {
	b := &Batch{o: o}
	for _, labels := range o.Queues {
		b.turns = append(b.turns, turn{labels: labels})
	}
	return b
}

// Run starts the station and returns how the batch ended: when every label has
// its verdict or was refused, or the station cannot go on. start runs the
// station until its context ends and tells what came of it; snapshots come from
// it and end with it. Each verdict is given to show. The error is the
// station's own, or show's.
func (b *Batch) Run(ctx context.Context, start func(context.Context) <-chan error, snapshots <-chan station.Snapshot, show func(station.Verdict) error) (End, error) {
	const method = "command line"
	if b.o.Operator != "" {
		if err := shift.SignOn(b.o.Station, b.o.Operator, method, false, nil); err != nil {
			return b.end, err
		}
	}
	if err := b.reworked(); err != nil {
		return b.end, err
	}
	err := b.run(ctx, start, snapshots, show)
	// Signing off says that every verdict was seen. After a fault, of the
	// store above all, one may be in doubt: it is then shown again.
	if b.o.Operator != "" && err == nil && b.end != Faulty {
		err = shift.SignOn(b.o.Station, b.o.Operator, method, true, nil)
	}
	return b.end, err
}

// reworked puts on record what was done to the units before they run.
func (b *Batch) reworked() error {
	for _, label := range slices.Concat(b.o.Queues...) {
		if b.o.Rework == "" {
			return nil
		}
		if err := b.o.Intake.Rework(b.o.Station, label, b.o.Rework, b.o.Operator); err != nil {
			return err
		}
	}
	return nil
}

func (b *Batch) run(ctx context.Context, start func(context.Context) <-chan error, snapshots <-chan station.Snapshot, show func(station.Verdict) error) error {
	inner, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	over := start(inner)
	var failed error
	for {
		select {
		case v := <-b.o.Verdicts:
			failed = errors.Join(failed, b.take(v, show))
		case s, open := <-snapshots:
			if open {
				for len(b.o.Verdicts) > 0 { // they are older than the snapshot
					failed = errors.Join(failed, b.take(<-b.o.Verdicts, show))
				}
				b.look(s)
				if b.done() {
					cancel(errDone)
				}
				continue
			}
			for len(b.o.Verdicts) > 0 {
				failed = errors.Join(failed, b.take(<-b.o.Verdicts, show))
			}
			err := errors.Join(failed, <-over)
			b.leftOver()
			if err == nil && ctx.Err() != nil {
				err = context.Cause(ctx)
			}
			return err
		}
		if b.done() {
			cancel(errDone)
		}
	}
}

var errDone = errors.New("the batch is done")

// take shows a verdict and notes what it means for the end.
func (b *Batch) take(v station.Verdict, show func(station.Verdict) error) error {
	good := v.Marked
	switch v.Purpose {
	case station.Audit, station.Check, station.Study: // nothing is written into the unit
		good = v.Outcome == station.Passed
	}
	if !good {
		b.note(NotReleased)
	}
	for i := range b.turns {
		t := &b.turns[i]
		if t.handed && len(t.labels) > 0 && b.o.Intake.Serial(t.labels[0]) == v.Serial {
			t.over = true
		}
	}
	return show(v)
}

// refuse ends the wait for a label's unit without a verdict.
func (b *Batch) refuse(nest int, t Told, e End) {
	if b.o.Refused != nil {
		b.o.Refused(nest, t)
	} else {
		b.o.Tell(t)
	}
	b.note(e)
}

// leftOver refuses what had no turn before the station came to its end.
func (b *Batch) leftOver() {
	for i := range b.turns {
		t := &b.turns[i]
		for k, label := range t.labels {
			if k > 0 || !t.over {
				b.refuse(i, Told{Label: label, Code: station.BrokenShutdown}, NotTaken)
			}
		}
		t.labels = nil
	}
}

func (b *Batch) note(e End) { b.end = max(b.end, e) }

func (b *Batch) done() bool {
	return !slices.ContainsFunc(b.turns, func(t turn) bool { return len(t.labels) > 1 || len(t.labels) == 1 && !t.over })
}

// look does for each nest what a person at it would do now.
func (b *Batch) look(s station.Snapshot) {
	for _, stop := range s.Stops {
		b.stopped(stop)
	}
	for i, n := range s.Nests {
		t := &b.turns[i]
		if len(t.labels) == 0 {
			continue
		}
		free := free(n)
		switch {
		case t.over:
			if len(t.labels) > 1 && free {
				*t = turn{labels: t.labels[1:]}
			}
		case !t.handed:
			if free && b.due(i, s) {
				t.handed, t.at = true, s.At
				b.o.Intake.Hand(b.o.Station, i, t.labels[0])
				if b.o.Seat != nil {
					b.o.Seat(i, t.labels[0])
				}
			}
		case n.Step == station.Confirming:
			b.confirm(i, n)
		case n.Step == station.Turned:
			b.refused(i, n)
		default:
			b.labelRefused(i, s)
			b.guide(i, s)
		}
	}
}

// free tells whether a nest can take a label.
func free(n station.NestView) bool {
	return n.Step == station.Vacant || n.Step == station.Unlabelled
}

// due says whether it is a nest's turn, and begins it. Units of turns before are
// out of their nests: one of them may be the next.
func (b *Batch) due(nest int, s station.Snapshot) bool {
	if b.o.Order == nil {
		return true
	}
	for i, t := range b.turns {
		if t.handed && !(t.over && (free(s.Nests[i]) || s.Nests[i].Step == station.Stopped)) {
			return false
		}
	}
	for b.begun < len(b.o.Order) { // a nest that stopped has no labels left
		if t := b.turns[b.o.Order[b.begun]]; len(t.labels) > 1 || len(t.labels) == 1 && !t.over {
			break
		}
		b.begun++
	}
	if b.begun == len(b.o.Order) || b.o.Order[b.begun] != nest {
		return false
	}
	if b.o.Begin != nil {
		b.o.Begin(b.begun)
	}
	b.begun++
	return true
}

func (b *Batch) confirm(i int, n station.NestView) {
	if b.o.Again {
		b.o.Station.Go(i)
		return
	}
	if t := &b.turns[i]; !t.over {
		t.over = true
		b.refuse(i, Told{Label: n.Label, Code: station.HandsConfirm}, NotTaken)
	}
}

func (b *Batch) refused(i int, n station.NestView) {
	told := Told{Label: n.Label}
	if n.Trouble != nil {
		told.Code, told.Args = n.Trouble.Code, n.Trouble.Args
	}
	b.turns[i].over = true
	b.refuse(i, told, NotTaken)
}

// labelRefused finds out that the label itself was not taken.
func (b *Batch) labelRefused(i int, s station.Snapshot) {
	t := &b.turns[i]
	for _, m := range s.Messages {
		if m.Code.Meaning().Class == station.Refused && !m.At.Before(t.at) && (m.Nest == i || m.Nest == station.NoNest) && s.Nests[i].Label == "" {
			t.over = true
			b.refuse(i, Told{t.labels[0], m.Code, m.Args}, NotTaken)
			return
		}
	}
}

func (b *Batch) stopped(stop station.Stop) {
	end := NotTaken
	switch stop.Code {
	case station.StopPort:
		end = NoPort
	case station.StopStore, station.StopWorker:
		end = Faulty
	}
	for i := range b.turns {
		t := &b.turns[i]
		if t.labels == nil || t.over && len(t.labels) == 1 || stop.Nest != station.NoNest && stop.Nest != i {
			continue
		}
		for k, label := range t.labels {
			if k > 0 || !t.over {
				b.refuse(i, Told{label, stop.Code, stop.Args}, end)
			}
		}
		t.labels, t.over = t.labels[:1], true
	}
}

// seatWithin is how long a unit may take to be seen before its hands are told
// to seat it: in most runs it sits there already, and what follows, such as a
// refusal, is then the first that is said.
const seatWithin = time.Second

// guide tells people at the line what their hands have to do.
func (b *Batch) guide(i int, s station.Snapshot) {
	t := &b.turns[i]
	if s.Hands.Nest != i || s.Hands.Code == t.told || s.Hands.Code == station.HandsWait {
		return
	}
	switch s.Hands.Code {
	case station.HandsSeat, station.HandsSeatHere, station.HandsStarting:
		if s.At.Sub(t.at) < seatWithin {
			return
		}
	}
	t.told = s.Hands.Code
	b.o.Tell(Told{t.labels[0], s.Hands.Code, s.Hands.Args})
}
