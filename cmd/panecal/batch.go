package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// batch hands labels to a station one after the other, a queue for each nest,
// and waits for what comes of them. It is the operator of a run without a
// screen.
type batch struct {
	bench *bench
	talk  io.Writer
	again bool // confirm that a unit that passed runs again
	turns []turn
	seat  func(nest int, label string) // simulated hands, nil for real ones
	// verdicts come from the runner, in order.
	verdicts chan station.Verdict
	worst    int // exit code so far
}

// turn is what a nest still has to do.
type turn struct {
	labels  []string
	scanned bool
	at      time.Time
	said    station.Code // last hands code told about the label in hand
	over    bool         // its verdict or refusal came; the next waits for an empty nest
}

func newBatch(again bool, talk io.Writer, nests int) *batch {
	return &batch{talk: talk, again: again, turns: make([]turn, nests), verdicts: make(chan station.Verdict, 256), worst: exitDone}
}

// run returns when every label has its verdict or was refused, or the station
// cannot go on. Each verdict is given to show.
func (b *batch) run(ctx context.Context, show func(station.Verdict) error) error {
	inner, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	over := b.bench.start(func() error { return b.bench.run(inner) })
	var failed error
	for {
		select {
		case v := <-b.verdicts:
			failed = errors.Join(failed, b.take(v, show))
		case s, open := <-b.bench.runner.Snapshots():
			if open {
				b.look(s)
				if b.done() {
					cancel(errDone)
				}
				continue
			}
			for len(b.verdicts) > 0 {
				failed = errors.Join(failed, b.take(<-b.verdicts, show))
			}
			err := errors.Join(failed, <-over)
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

// take shows a verdict and notes what it means for the exit code.
func (b *batch) take(v station.Verdict, show func(station.Verdict) error) error {
	switch {
	case v.Outcome == station.Aborted, v.Released():
	default:
		b.note(exitFailed)
	}
	for i := range b.turns {
		t := &b.turns[i]
		if t.scanned && len(t.labels) > 0 && b.bench.serialOf(t.labels[0]) == v.Serial {
			t.over = true
		}
	}
	return show(v)
}

// gravity orders exit codes: of several units the gravest speaks.
var gravity = []int{exitDone, exitFailed, exitRefused, exitDevice, exitRunTime}

func (b *batch) note(code int) {
	if slices.Index(gravity, code) > slices.Index(gravity, b.worst) {
		b.worst = code
	}
}

func (b *batch) done() bool {
	for i := range b.turns {
		t := b.turns[i]
		if len(t.labels) > 1 || len(t.labels) == 1 && !t.over {
			return false
		}
	}
	return true
}

// look does for each nest what a person at it would do now.
func (b *batch) look(s station.Snapshot) {
	for _, stop := range s.Stops {
		b.stopped(stop)
	}
	for i, n := range s.Nests {
		t := &b.turns[i]
		if len(t.labels) == 0 {
			continue
		}
		switch {
		case t.over:
			if len(t.labels) > 1 && (n.Step == station.Vacant || n.Step == station.Unlabelled) {
				t.labels = t.labels[1:]
				*t = turn{labels: t.labels}
			}
		case !t.scanned:
			if n.Step == station.Vacant || n.Step == station.Unlabelled {
				t.scanned, t.at = true, s.At
				b.bench.scan(i, t.labels[0])
				if b.seat != nil {
					b.seat(i, t.labels[0])
				}
			}
		case n.Step == station.Confirming:
			b.confirm(i, n)
		case n.Step == station.Turned:
			b.refused(i, n)
		default:
			b.scanRefused(i, s)
			b.guide(i, s)
		}
	}
}

func (b *batch) confirm(i int, n station.NestView) {
	if b.again {
		b.bench.runner.Go(i)
		return
	}
	t := &b.turns[i]
	if !t.over {
		fmt.Fprintf(b.talk, "panecal: %s: the unit has passed before; run it again with --again\n", n.Label)
	}
	t.over = true
	b.note(exitRefused)
}

func (b *batch) refused(i int, n station.NestView) {
	why := "the unit was refused"
	if n.Trouble != nil {
		why = n.Trouble.Code.Say(n.Trouble.Args) + " " + n.Trouble.Code.Do(n.Trouble.Args)
	}
	b.turns[i].over = true
	fmt.Fprintf(b.talk, "panecal: %s: %s\n", n.Label, why)
	b.note(exitRefused)
}

// scanRefused finds out that the label itself was not taken.
func (b *batch) scanRefused(i int, s station.Snapshot) {
	t := &b.turns[i]
	for _, m := range s.Messages {
		if m.Code.Meaning().Class == station.Refused && !m.At.Before(t.at) && (m.Nest == i || m.Nest == station.NoNest) && s.Nests[i].Label == "" {
			t.over = true
			fmt.Fprintf(b.talk, "panecal: %s: %s %s\n", t.labels[0], m.Code.Say(m.Args), m.Code.Do(m.Args))
			b.note(exitRefused)
			return
		}
	}
}

func (b *batch) stopped(stop station.Stop) {
	code := exitRefused
	switch stop.Code {
	case station.StopPort:
		code = exitDevice
	case station.StopStore, station.StopWorker:
		code = exitRunTime
	}
	for i := range b.turns {
		t := &b.turns[i]
		if t.labels == nil || t.over && len(t.labels) == 1 || stop.Nest != station.NoNest && stop.Nest != i {
			continue
		}
		fmt.Fprintf(b.talk, "panecal: %s: %s %s\n", t.labels[0], stop.Code.Say(stop.Args), stop.Code.Do(stop.Args))
		t.labels, t.over = t.labels[:1], true
		b.note(code)
	}
}

// guide tells people at the line what their hands have to do, on stderr.
func (b *batch) guide(i int, s station.Snapshot) {
	t := &b.turns[i]
	if s.Hands.Nest != i || s.Hands.Code == t.said || s.Hands.Code == station.HandsWait {
		return
	}
	t.said = s.Hands.Code
	fmt.Fprintf(b.talk, "panecal: %s: %s\n", t.labels[0], s.Hands.Code.Say(s.Hands.Args))
}

// serialOf reads the serial off a label as the station does.
func (b *bench) serialOf(text string) string {
	f, ok := b.files.of(text)
	if !ok {
		return text
	}
	l, err := f.Product.Label.Rules.Parse(text)
	if err != nil {
		return text
	}
	return l.Serial
}

// sign puts on record who is at the station; signing off says that every
// verdict so far has been seen.
func (b *bench) sign(operator string, off bool) error {
	if operator == "" {
		operator = "unknown"
	}
	if _, err := b.store.Append(&record.SignOn{Person: operator, Role: "operator", Off: off, Method: "command line"}); err != nil {
		return fmt.Errorf("recording who is at the station: %w", err)
	}
	return nil
}
