//go:build linux

package main

import (
	"context"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/link"
	"example.org/panecal/station"
	"example.org/panecal/station/product"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// stopwatch notes when requests were unanswered and when the log was written.
type stopwatch struct {
	mu    sync.Mutex
	calls []call
	log   []entry
}

// call is one job on the line, from its first byte out to its last byte in.
type call struct {
	name       string
	begin, end time.Time
}

type entry struct {
	begin, end time.Time
	bytes      int
}

func (w *stopwatch) clear() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.calls, w.log = nil, nil
}

// account is what the station took for a unit by itself.
type account struct {
	station, verdict, log time.Duration
	sizes                 []int // of the frames appended after the verify capture
}

func (w *stopwatch) account(b *testing.B, verdict time.Time) account {
	b.Helper()
	w.mu.Lock()
	defer w.mu.Unlock()
	var a account
	var last *call // of the unit's own, once it is there
	var verified time.Time
	for i := range w.calls {
		c := &w.calls[i]
		if c.end.After(verdict) {
			break
		}
		if c.name == "status" && i > 0 && last == nil {
			last = &w.calls[i-1] // it said who it is
		}
		if last == nil {
			continue
		}
		gap := c.begin.Sub(last.end)
		if !(c.name == "look" && last.name == "look") { // hands bring the target
			a.station += gap
			if !verified.IsZero() {
				a.verdict += gap
			}
		}
		if c.name == "verify" {
			verified = c.end
		}
		last = c
	}
	if last == nil || verified.IsZero() {
		b.Fatalf("a verdict without a verify capture: %+v", w.calls)
	}
	a.station += verdict.Sub(last.end)
	a.verdict += verdict.Sub(last.end)
	for _, e := range w.log {
		if e.begin.After(verified) && e.end.Before(verdict) {
			a.log += e.end.Sub(e.begin)
			a.sizes = append(a.sizes, e.bytes)
		}
	}
	return a
}

// timedDialer is dialer with a watch on the port.
type timedDialer struct {
	watch *stopwatch
	line  product.Line
}

func (d timedDialer) Dial(ctx context.Context, n product.Nest) (station.Line, error) {
	l, err := link.Open(ctx, n.Port, link.Options{Baud: d.line.Baud, OpenText: d.line.OpenText, CloseText: d.line.CloseText})
	if err != nil {
		return nil, err
	}
	port := &timedPort{Port: l, opened: time.Now()}
	return &timedLine{&line{Client: protocol.NewClient(port, protocol.Options{Baud: d.line.Baud}), link: l}, port, d.watch}, nil
}

// timedPort knows when the first byte went out and the last came in.
type timedPort struct {
	protocol.Port
	opened      time.Time
	first, last atomic.Int64 // ns since then; first is 0 before there is one
}

func (p *timedPort) Write(b []byte) (int, error) {
	p.first.CompareAndSwap(0, int64(time.Since(p.opened)))
	return p.Port.Write(b)
}

func (p *timedPort) Read(b []byte) (int, error) {
	n, err := p.Port.Read(b)
	if n > 0 {
		p.last.Store(int64(time.Since(p.opened)))
	}
	return n, err
}

type timedLine struct {
	station.Line
	port  *timedPort
	watch *stopwatch
}

// time watches one job; what it returns ends it.
func (l *timedLine) time(name string) func() {
	p := l.port
	p.first.Store(0)
	return func() {
		l.watch.mu.Lock()
		defer l.watch.mu.Unlock()
		l.watch.calls = append(l.watch.calls, call{name, p.opened.Add(time.Duration(p.first.Load())), p.opened.Add(time.Duration(p.last.Load()))})
	}
}

func (l *timedLine) Identify(ctx context.Context) (protocol.Identity, error) {
	defer l.time("identify")()
	return l.Line.Identify(ctx)
}

func (l *timedLine) Status(ctx context.Context) (protocol.Status, error) {
	defer l.time("status")()
	return l.Line.Status(ctx)
}

func (l *timedLine) Capture(ctx context.Context, q protocol.CaptureRequest, report func(protocol.Progress)) (*protocol.Capture, error) {
	name := "capture"
	switch {
	case q.Kind == protocol.Totals:
		name = "look"
	case q.Compensated:
		name = "verify"
	}
	defer l.time(name)()
	return l.Line.Capture(ctx, q, report)
}

func (l *timedLine) ReadConstants(ctx context.Context) ([]byte, error) {
	defer l.time("read")()
	return l.Line.ReadConstants(ctx)
}

func (l *timedLine) Stage(ctx context.Context, block []byte) error {
	defer l.time("stage")()
	return l.Line.Stage(ctx, block)
}

func (l *timedLine) Commit(ctx context.Context, block []byte) error {
	defer l.time("commit")()
	return l.Line.Commit(ctx, block)
}

// timedLog is a store with a watch on what is made durable.
type timedLog struct {
	*store.Store
	watch *stopwatch
}

func (l timedLog) Append(body record.Body) (record.Ref, error) {
	begin := time.Now()
	ref, err := l.Store.Append(body)
	end := time.Now()
	data, _, _ := record.Encode(record.Entry{Ref: ref, Time: begin, Body: body})
	l.watch.note(begin, end, len(data))
	return ref, err
}

func (l timedLog) AppendCapture(c record.Capture) (record.CaptureRef, error) {
	begin := time.Now()
	ref, err := l.Store.AppendCapture(c)
	l.watch.note(begin, time.Now(), int(ref.Length))
	return ref, err
}

func (w *stopwatch) note(begin, end time.Time, bytes int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.log = append(w.log, entry{begin, end, bytes})
}
