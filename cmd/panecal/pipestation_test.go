package main

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"net"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"example.org/panecal/cmd/panecal/plant"
	"example.org/panecal/cmd/panecal/sample"
	"example.org/panecal/limits"
	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/product"
	"example.org/panecal/station/runner"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// pipeStation is a whole station but for its serial line: the real runner,
// estimator and store with the sample files, one nest, simulated units on
// net.Pipe. It lives in a bubble of virtual time.
type pipeStation struct {
	t         testing.TB
	files     *station.Files
	store     *store.Store
	connector *simunit.Connector
}

// edit changes a sample file before it is read; old must be in it.
type edit struct{ file, old, new string }

func newPipeStation(t testing.TB, name string, edits ...edit) *pipeStation {
	t.Helper()
	f := sampleFiles(t, name, func(s *product.Sheet) { s.Nests = s.Nests[:1] }, edits...)
	folder := filepath.Join(t.TempDir(), "store")
	s := newStore(t, folder, f.Sheet.Station)
	connector, err := simunit.NewConnector()
	if err != nil {
		t.Fatal(err)
	}
	return &pipeStation{t: t, files: f, store: s, connector: connector}
}

// sampleFiles reads the files that a new station is given, with another sheet.
func sampleFiles(t testing.TB, name string, change func(*product.Sheet), edits ...edit) *station.Files {
	t.Helper()
	p, err := product.Read(name, sampleFile(t, name+".product.toml", edits))
	if err != nil {
		t.Fatal(err)
	}
	l, err := limits.Read(name, sampleFile(t, name+".limits.toml", edits))
	if err != nil {
		t.Fatal(err)
	}
	sheet, err := product.ReadSheet("station", sampleFile(t, "station.sheet.toml", edits))
	if err != nil {
		t.Fatal(err)
	}
	change(sheet)
	f, err := station.NewFiles(p, l, sheet)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func newStore(t testing.TB, folder, name string) *store.Store {
	t.Helper()
	if err := store.Create(folder, store.Options{Station: name}); err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(folder, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func sampleFile(t testing.TB, name string, edits []edit) []byte {
	t.Helper()
	data, err := fs.ReadFile(sample.Files, name)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range edits {
		if e.file != name {
			continue
		}
		if !bytes.Contains(data, []byte(e.old)) {
			t.Fatalf("%s does not say %q", name, e.old)
		}
		data = bytes.Replace(data, []byte(e.old), []byte(e.new), 1)
	}
	return data
}

// pipeLine is a client on its end of a pipe.
type pipeLine struct {
	*protocol.Client
	port net.Conn
}

func (l *pipeLine) Close() error { return l.port.Close() }

// Dial opens the nest's line.
func (s *pipeStation) Dial(context.Context, product.Nest) (station.Line, error) {
	near, far := net.Pipe()
	go func() { _ = s.connector.Serve(context.Background(), far) }() // ends with its line
	return &pipeLine{protocol.NewClient(near, protocol.Options{}), near}, nil
}

// pipeUnit makes the i-th unit of a model, lying beside the nest.
func pipeUnit(t testing.TB, m simunit.Model, i int, seed uint64, o simunit.Options) *simunit.Unit {
	t.Helper()
	n, err := plant.NewUnit(m.Product, i, seed, simunit.Options{})
	if err != nil {
		t.Fatal(err)
	}
	o.Serial, o.Out = n.Serial(), true
	u, err := simunit.New(m, seed, o)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// hands do what the station asks for.
func hands(r *runner.Runner, u *simunit.Unit) {
	s := r.Snapshot()
	if s.Nests[0].Step == station.Confirming {
		r.Go(0)
	}
	switch s.Hands.Code {
	case station.HandsClear:
		u.SetScene(simunit.Scene{})
	case station.HandsTarget, station.HandsTargetIn:
		u.SetScene(simunit.Scene{TargetMM: plant.TargetMM, Reflectance: plant.Reflectance})
	}
}

// run takes a unit through the station, from its label to its verdict, and
// returns the record. The unit lies beside the nest before and after.
func (s *pipeStation) run(purpose station.Purpose, u *simunit.Unit) *record.Attempt {
	s.t.Helper()
	verdicts := make(chan station.Verdict, 1)
	r, err := runner.New(station.Config{
		Station: s.files.Sheet.Station, Purpose: purpose, Files: s.files, Software: version, HandsTime: time.Minute,
	}, runner.Options{Dial: s, Log: s.store, Past: s.store, OnVerdict: func(v station.Verdict) { verdicts <- v }})
	if err != nil {
		s.t.Fatal(err)
	}
	ctx, cancel := context.WithCancelCause(context.Background())
	over := make(chan error, 1)
	go func() { over <- r.Run(ctx) }()
	r.Scan(0, u.Serial())
	s.connector.Attach(u)
	u.Seat(simunit.Seating{})

	var v station.Verdict
	seen := false
	for range 1200 { // of virtual time
		time.Sleep(50 * time.Millisecond)
		hands(r, u)
		if seen = len(verdicts) > 0; seen {
			v = <-verdicts
			break
		}
	}
	last := r.Snapshot()
	u.TakeOut()
	u.SetScene(simunit.Scene{})
	cancel(errors.New("the unit is done"))
	if err := <-over; err != nil {
		s.t.Fatal(err)
	}
	if !seen {
		s.t.Fatalf("%s: no verdict: %+v, messages %+v", u.Serial(), last.Nests[0], last.Messages)
	}
	entries, err := s.store.BySerial(u.Serial())
	if err != nil {
		s.t.Fatal(err)
	}
	for _, e := range slices.Backward(entries) {
		if a, ok := e.Body.(*record.Attempt); ok {
			if e.Ref.Sequence != v.Sequence || !v.Released() {
				s.t.Fatalf("%s: verdict %+v, record %v with problems %+v", u.Serial(), v, e.Ref, a.Problems)
			}
			return a
		}
	}
	s.t.Fatalf("%s: verdict %+v without a record", u.Serial(), v)
	return nil
}

// raw are the captures of an attempt as the log keeps them, in the form that
// the estimator takes: of histograms, and of the unit's own ranges with its
// compensation off and on.
type raw struct {
	empty, target               *estimate.Histogram
	emptySummary, targetSummary *estimate.Summary
	unit, verify                *estimate.Summary
}

func (s *pipeStation) raw(a *record.Attempt) raw {
	s.t.Helper()
	var out raw
	for _, ref := range a.Captures {
		c, err := s.store.Capture(ref)
		if err != nil {
			s.t.Fatal(err)
		}
		h, q := inputsOf(c)
		switch {
		case c.Name == "empty":
			out.empty, out.emptySummary = h, q
		case c.Name == "verify":
			out.verify = q
		case out.target != nil && q != nil:
			out.unit = q
		default:
			out.target, out.targetSummary = h, q
		}
	}
	return out
}

func inputsOf(c *record.Capture) (*estimate.Histogram, *estimate.Summary) {
	temp := float64(c.TempMilliCel) / 1000
	if len(c.Signal) == 0 {
		h := &estimate.Histogram{Shots: c.Shots, Counts: c.Counts, TempCel: temp}
		for _, f := range c.FrameTotals {
			h.FrameTotals = append(h.FrameTotals, f)
		}
		return h, nil
	}
	q := &estimate.Summary{Shots: c.Shots, TempCel: temp}
	for z := range c.Signal {
		q.Zones = append(q.Zones, estimate.SummaryZone{Signal: c.Signal[z], SignalU: c.SignalU[z],
			Ambient: c.Ambient[z], AmbientU: c.AmbientU[z], RangeMM: c.RangeMM[z], RangeUMM: c.RangeUMM[z]})
	}
	return nil, q
}

// estimate computes an attempt once more from what the log keeps, and holds
// it against what the attempt's record says. The unit's own ranges are left
// out: leakage and offset are the station's.
func (s *pipeStation) estimate(a *record.Attempt) (*estimate.Estimator, *estimate.Leakage, *estimate.Offsets) {
	s.t.Helper()
	setup := s.files.Product.Setup
	setup.Corrects, setup.WorkingMM = estimate.CorrectsStation, nil
	e, err := estimate.New(setup)
	if err != nil {
		s.t.Fatal(err)
	}
	n := s.files.Sheet.Nests[0]
	ref := estimate.Reference{DistanceMM: n.DistanceMM, DistanceUMM: n.DistanceUMM, EndStop: n.EndStop}
	w := s.raw(a)
	var l *estimate.Leakage
	var o *estimate.Offsets
	if w.empty != nil {
		if l, err = e.Empty(*w.empty); err == nil {
			o, err = e.Target(l, *w.target, ref, nil)
		}
	} else if l, err = e.EmptySummary(*w.emptySummary); err == nil {
		o, err = e.TargetSummary(l, *w.targetSummary, ref)
	}
	if err != nil {
		s.t.Fatal(err)
	}
	for z := range l.Zones {
		if l.Zones[z].Leakage != a.Zones.Leakage[z] || o.Zones[z].OffsetMM != a.Zones.OffsetMM[z] {
			s.t.Errorf("%s zone %d: leakage %g, offset %g mm from the raw captures, %g, %g mm on record", a.Run.Serial, z,
				l.Zones[z].Leakage, o.Zones[z].OffsetMM, a.Zones.Leakage[z], a.Zones.OffsetMM[z])
		}
	}
	return e, l, o
}

// block parses a constants block.
func block(t testing.TB, written []byte) *protocol.Block {
	t.Helper()
	b, err := protocol.ParseBlock(written)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
