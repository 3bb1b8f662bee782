package station_test

import (
	"bytes"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/station/estimate"
	"example.org/panecal/store/record"
)

// answer gives the consequence of an effect.
func (w *world) answer(e station.Effect) station.Fact {
	f, fails := w.failure(e)
	u := w.units[e.Nest]
	if !fails && u == nil {
		switch e.Job.(type) {
		case station.Identify, station.Report, station.ReadBlock, station.Capture, station.Void, station.Write, station.Restart, station.Mark, station.Halt:
			f, fails = silent, true
		}
	}
	if fails {
		if _, capture := e.Job.(station.Capture); capture && u != nil && f.Trouble != station.Short {
			u.emits = true // until somebody stops it
		}
		return failedAnswer(e.Job, f)
	}
	w.checkOrder(e, u)
	switch j := e.Job.(type) {
	case station.Restart:
		if u.forgets {
			u.block = nil
		}
		u.id.Session++
		return station.Identified{Identity: u.id}
	case station.Identify:
		u.id.Session++
		return station.Identified{Identity: u.id}
	case station.Report:
		return station.Reported{Status: protocol.Status{TempMilliCel: u.milliCel(), Faults: u.faults}}
	case station.ReadBlock:
		return station.BlockRead{Raw: bytes.Clone(u.block)}
	case station.Void:
		u.block = protocol.VoidBlock(j.Witness.Bytes())
		return station.BlockRead{Raw: bytes.Clone(u.block)}
	case station.Write:
		u.block = bytes.Clone(j.Block)
		if u.torn {
			u.block[40]++
		}
	case station.Mark:
		if !u.unmarks {
			u.block = bytes.Clone(j.Block)
		}
		return station.BlockRead{Raw: bytes.Clone(u.block)}
	case station.Halt:
		u.emits = false
	case station.Capture:
		return station.Captured{Capture: captureOf(u, j)}
	case station.Recall:
		if w.recall != nil {
			return station.Recalled{BySerial: w.recall(j.Serial)}
		}
		return station.Recalled{BySerial: w.about(func(s record.Subject) bool { return s.Serial == j.Serial }),
			ByUnitID: w.about(func(s record.Subject) bool { return j.UnitID != "" && s.UnitID == j.UnitID })}
	case station.Ask:
		if w.denies != "" {
			return station.Allowed{Failure: station.Failure{Trouble: station.Denied, Why: w.denies}}
		}
		return station.Allowed{}
	case station.Append:
		return station.Stored{Ref: w.append(j.Body)}
	case station.Save:
		w.saved += len(j.Captures)
		refs := make([]record.CaptureRef, len(j.Captures))
		for i, c := range j.Captures {
			refs[i].Name = c.Name
		}
		return station.Saved{Refs: refs}
	case station.EstimateEmpty:
		return station.EmptyEstimated{Leakage: &estimate.Leakage{Quantities: w.quantities(quantity.LeakageMax), Faults: w.accuse("empty")}}
	case station.EstimateTarget:
		return station.TargetEstimated{Offsets: &estimate.Offsets{Quantities: w.quantities(quantity.OffsetMean), Faults: w.accuse("target"), Apart: w.apart},
			Constants:    estimate.Constants{LeakageRate: []float64{0.01, 0.02}, OffsetMM: []float64{1.5, 1.5}, TempRefCel: 25},
			ProjectionMM: []float64{0.25}}
	case station.EstimateVerify:
		return station.VerifyEstimated{Verification: &estimate.Verification{Quantities: w.quantities(quantity.VerifyError), Faults: w.accuse("verify")}}
	}
	return station.Done{}
}

// checkMove: a motion stands inside an attempt, and is asked for by the step that it
// belongs to.
func (w *world) checkMove(e station.Effect, j station.Move) {
	w.t.Helper()
	begun, ended := 0, 0
	for i, r := range w.log {
		switch b := r.Body.(type) {
		case *record.AttemptIntent:
			if b.Run.Nest == j.Nest.Name {
				begun = i + 1
			}
		case *record.Attempt:
			if b.Run.Nest == j.Nest.Name {
				ended = i + 1
			}
		}
	}
	step := w.step(e.Nest)
	if begun <= ended || (step != station.Emptying || j.To != station.TargetOut) && (step != station.Moving || j.To == station.TargetOut) {
		w.t.Errorf("%s in step %v, not inside an attempt", describe(e), step)
	}
}

// checkOrder is the order that the station promises: what a job does to a
// unit has the record that allows it.
func (w *world) checkOrder(e station.Effect, u *unit) {
	w.t.Helper()
	allowed := true
	switch j := e.Job.(type) {
	case station.Void, station.Capture:
		intent := w.latest(func(b record.Body) bool {
			i, ok := b.(*record.AttemptIntent)
			return ok && i.Run.UnitID == u.id.UnitID
		})
		result := w.latest(func(b record.Body) bool {
			a, ok := b.(*record.Attempt)
			return ok && a.Run.UnitID == u.id.UnitID
		})
		allowed = intent > result
	case station.Write:
		b, err := protocol.ParseBlock(j.Block)
		if err != nil {
			w.t.Errorf("writing %v", err)
			return
		}
		body, _ := b.Body()
		allowed = w.latest(func(b record.Body) bool {
			i, ok := b.(*record.WriteIntent)
			return ok && bytes.Equal(i.Body, body)
		}) == int(b.Witness.Sequence)
	case station.Mark:
		b, err := protocol.ParseBlock(j.Block)
		if err != nil {
			w.t.Errorf("marking %v", err)
			return
		}
		b.State = protocol.Written
		written, _ := b.Marshal()
		allowed = w.latest(func(b record.Body) bool {
			a, ok := b.(*record.Attempt)
			return ok && a.Outcome == station.Passed && bytes.Equal(a.Constants.Written, written) && bytes.Equal(a.Constants.ReadBack, written)
		}) > 0
	}
	if !allowed {
		w.t.Errorf("%s without the record that allows it", describe(e))
	}
}

// latest is the sequence of the newest record of a kind, 0 for none.
func (w *world) latest(is func(record.Body) bool) int {
	for i := len(w.log) - 1; i >= 0; i-- {
		if is(w.log[i].Body) {
			return i + 1
		}
	}
	return 0
}

func failedAnswer(j station.Job, f station.Failure) station.Fact {
	switch j.(type) {
	case station.Identify, station.Restart:
		return station.Identified{Failure: f}
	case station.Report:
		return station.Reported{Failure: f}
	case station.ReadBlock, station.Void, station.Mark:
		return station.BlockRead{Failure: f}
	case station.Capture:
		return station.Captured{Failure: f}
	case station.Recall:
		return station.Recalled{Failure: f}
	case station.Ask:
		return station.Allowed{Failure: f}
	case station.Append:
		return station.Stored{Failure: f}
	case station.Save:
		return station.Saved{Failure: f}
	case station.EstimateEmpty:
		return station.EmptyEstimated{Failure: f}
	case station.EstimateTarget:
		return station.TargetEstimated{Failure: f}
	case station.EstimateVerify:
		return station.VerifyEstimated{Failure: f}
	}
	return station.Done{Failure: f}
}

func (w *world) quantities(n quantity.Name) quantity.Set {
	v, set := w.values[n]
	if !set {
		v = 0.01
	}
	return quantity.Set{n: quantity.Measured{Value: quantity.Value{V: v, U: 0.001}}}
}

func (w *world) accuse(capture string) (list []estimate.Fault) {
	if f := w.faults[capture]; len(f) > 0 {
		w.faults[capture] = f[1:]
		if f[0] != "" {
			list = append(list, estimate.Fault{Code: f[0], Capture: capture})
		}
	}
	return list
}

func captureOf(u *unit, j station.Capture) *protocol.Capture {
	r := j.Request
	c := &protocol.Capture{ID: r.ID, Kind: r.Kind, Shots: r.Shots * int64(r.Frames), Frames: r.Frames, TempMilliCel: 25_000,
		End: protocol.Complete, CountMax: 1<<32 - 1}
	rate := 0.05
	switch {
	case u.rate > 0:
		rate = u.rate
	case u.target:
		rate = 0.2
	}
	if r.Kind == protocol.Ranges {
		for range 2 {
			c.Ranges = append(c.Ranges, protocol.RangeZone{Signal: int64(rate * 1e9), SignalU: 1e5, Ranged: true, Range: 300_000, RangeU: 100})
		}
		return c
	}
	n := uint32(rate * float64(c.Shots))
	c.Totals = []uint32{n, n}
	if r.Kind == protocol.Histograms {
		c.Counts = make([]uint32, 64)
		c.Counts[4], c.Counts[36] = n, n
	}
	return c
}
