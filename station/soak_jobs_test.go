package station_test

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/station/estimate"
	"example.org/panecal/store/record"
)

// How the day carries out effects: what a job takes, what it does to the unit
// that lies in the nest by then, and what comes of it.

// ways are how a job can go wrong, in the order of deeds' numbers.
var ways = []string{"request lost", "answer lost", "reset before", "reset after", "denied", "short", "port lost", "panic", "half-way"}

func (d *day) carryOut(e station.Effect) {
	switch j := e.Job.(type) {
	case station.SetTimer:
		d.later(j.After, true, -2, func() { d.tell(e.Nest, e.Token, station.Expired{}) })
		d.watch.timer(e)
		return
	case station.Show:
		d.watch.shown(j.Verdict)
		return
	case station.Announce:
		d.watch.said(j.Message)
		return
	case station.Tell, station.Ignore, station.Keep:
		return
	case station.Append:
		d.watch.appending(j.Body)
		if a, ok := j.Body.(*record.Attempt); ok && d.bug == showFirst {
			d.watch.shown(station.Verdict{Serial: a.Run.Serial, Outcome: a.Outcome, Disposition: a.Judgement.Disposition,
				UnitID: a.Run.UnitID, Purpose: a.Run.Purpose, Sequence: uint64(len(d.ledger.entries) + 1), Generation: 1, Station: "cal-1",
				Code: station.NoticePassed, Instruction: "."})
		}
	}
	if _, halt := e.Job.(station.Halt); halt {
		d.halt(e.Nest)
	}
	r := &running{effect: e}
	_, r.capture = e.Job.(station.Capture)
	if onDevice(e.Job) {
		p := d.places[e.Nest]
		r.began, p.job = p.visit(), r
	}
	r.fault = d.strike(e)
	if r.capture {
		d.lightUp(r)
	}
	d.watch.ordered(e)
	d.later(d.takes(e, r), true, e.Nest, func() {
		if onDevice(e.Job) {
			if d.places[e.Nest].job != r {
				d.watch.answered(e)
				return // halted
			}
			d.places[e.Nest].job = nil
		}
		if r.fault != nil && r.fault.how == "panic" && onDevice(e.Job) {
			d.stopEmitter(e.Nest)
			d.tell(e.Nest, 0, station.Crashed{Why: "a planted panic"})
			d.watch.answered(e)
			d.tell(e.Nest, e.Token, failedAnswer(e.Job, station.Failure{Trouble: station.Broke, Why: "a planted panic"}))
			return
		}
		d.watch.answered(e)
		d.tell(e.Nest, e.Token, d.does(e.Nest, r))
	})
}

func onDevice(j station.Job) bool {
	switch j.(type) {
	case station.Open, station.Identify, station.Report, station.ReadBlock, station.Void, station.Capture, station.Write, station.Mark, station.Halt:
		return true
	}
	return false
}

// strike finds the fault that hits a job.
func (d *day) strike(e station.Effect) *armed {
	for i := range d.faults {
		f := &d.faults[i]
		if f.nest != e.Nest {
			continue
		}
		if f.job--; f.job < 0 {
			hit := *f
			d.faults = slices.Delete(d.faults, i, i+1)
			d.watch.struck(hit.how + " in " + jobName(e.Job))
			return &hit
		}
	}
	return nil
}

func (d *day) takes(e station.Effect, r *running) time.Duration {
	ms := 5
	silent := onDevice(e.Job) && (d.places[e.Nest].piece == nil || d.places[e.Nest].cable || d.now.Before(d.places[e.Nest].piece.deaf)) ||
		r.fault != nil && (r.fault.how == "request lost" || r.fault.how == "answer lost")
	switch j := e.Job.(type) {
	case station.Identify:
		if ms = 8; silent {
			if ms = 450; j.Quick {
				ms = 160
			}
			return time.Duration(ms) * time.Millisecond // nobody there is as silent on a slow line
		}
	case station.Capture:
		if ms = 500; j.Name == "look" {
			ms = 60
		}
	case station.Write, station.Mark:
		ms = 150
	case station.Void:
		ms = 70
	case station.Move:
		ms = 400
	}
	if silent {
		ms += 450
	}
	ms += d.chance(e.Nest, ms)
	if k := d.slow[e.Nest]; onDevice(e.Job) && k > 0 {
		ms *= k
	}
	switch e.Job.(type) {
	case station.Append, station.Save:
		if k := d.slow[-1]; k > 0 {
			ms += 1000 * k
		}
	}
	return time.Duration(ms) * time.Millisecond
}

// lightUp: a capture's request reaches the unit, or not.
func (d *day) lightUp(r *running) {
	p := d.places[r.effect.Nest]
	if p.piece == nil || p.cable || d.now.Before(p.piece.deaf) || p.greeted != p.visit() {
		return
	}
	if r.fault != nil && (r.fault.how == "request lost" || r.fault.how == "reset before" || r.fault.how == "denied") {
		return
	}
	p.piece.lit, p.piece.alive = d.now, d.now
}

// feed: the polls of a capture keep the emitter on up to now.
func (d *day) feed(nest int) {
	p := d.places[nest]
	if u := p.piece; u != nil && p.job != nil && p.job.capture && !p.job.cut && !p.cable && !d.now.Before(u.deaf) && d.machine != nil {
		u.alive = d.now
	}
}

// emitting says whether the emitter of the unit in a nest is on; the unit
// switches it off itself a second after the last request.
func (d *day) emitting(nest int) bool {
	d.feed(nest)
	u := d.places[nest].piece
	if u == nil || u.lit.IsZero() {
		return false
	}
	if d.now.Sub(u.alive) >= time.Second {
		u.lit = time.Time{}
	}
	return !u.lit.IsZero()
}

func (p *place) visit() visit {
	if p.piece == nil {
		return visit{}
	}
	return visit{p.piece, p.piece.power}
}

// halt ends the job that runs in a nest. A write that was under way may have
// come to its end.
func (d *day) halt(nest int) {
	p := d.places[nest]
	if p.job == nil {
		return
	}
	switch p.job.effect.Job.(type) {
	case station.Write, station.Void, station.Mark:
		if d.chance(nest, 2) == 0 {
			d.does(nest, p.job)
		}
	case station.Capture:
		d.stopEmitter(nest) // on its way out, as Device promises
	}
	p.job = nil
}

// stopEmitter sends a stop, which may not be heard.
func (d *day) stopEmitter(nest int) bool {
	p := d.places[nest].piece
	if p == nil || d.places[nest].cable || d.now.Before(p.deaf) || d.bug == forgetStop {
		return false
	}
	if p.stopless > 0 {
		p.stopless--
		d.watch.struck("stop not heard")
		return false
	}
	p.lit = time.Time{}
	return true
}

// does carries a job out on what lies in the nest by now.
func (d *day) does(nest int, r *running) station.Fact {
	e, how := r.effect, ""
	if r.fault != nil {
		how = r.fault.how
	}
	fail := func(t station.Trouble, why string) station.Fact {
		return failedAnswer(e.Job, station.Failure{Trouble: t, Why: why})
	}
	if !onDevice(e.Job) {
		return d.doesElsewhere(e, how)
	}
	p := d.places[nest]
	u := p.piece
	if _, open := e.Job.(station.Open); open {
		p.greeted = visit{}
		if p.cable || how == "port lost" {
			return fail(station.Broke, "no such port")
		}
		return station.Done{}
	}
	if p.cable || how == "port lost" || how == "panic" {
		p.greeted = visit{}
		if u != nil {
			u.flickered = true
		}
		return fail(station.Broke, "the line is gone")
	}
	if u == nil || d.now.Before(u.deaf) || how == "request lost" {
		if u != nil {
			u.flickered = true
		}
		if r.capture && u != nil && !u.lit.IsZero() {
			d.stopEmitter(nest)
		}
		return fail(station.Silent, "no answer")
	}
	if how == "reset before" {
		u.powerUp(d)
	}
	if how == "denied" {
		d.stopIf(r, nest)
		return fail(station.Denied, "the unit refuses")
	}
	if _, identify := e.Job.(station.Identify); identify {
		d.session++
		u.id.Session = d.session
		u.lit, u.alive = time.Time{}, d.now // a new session ends a capture
		p.greeted = p.visit()
		if how == "answer lost" {
			u.flickered = true
			return fail(station.Silent, "no answer")
		}
		if how == "reset after" {
			u.powerUp(d)
		}
		return station.Identified{Identity: u.id}
	}
	if _, halt := e.Job.(station.Halt); halt {
		if !d.stopEmitter(nest) && d.bug != forgetStop || how == "answer lost" {
			return fail(station.Silent, "no answer")
		}
		return station.Done{}
	}
	u.alive = d.now
	if p.greeted != p.visit() || r.began != p.visit() {
		return fail(station.Reset, "another session")
	}
	f := d.doesToUnit(nest, r, how, fail)
	switch how {
	case "answer lost":
		u.flickered = true
		if r.fault.byte%2 == 0 { // the stop that follows may be lost too
			d.stopIf(r, nest)
		}
		return fail(station.Silent, "no answer")
	case "reset after":
		u.powerUp(d)
	}
	return f
}

// stopIf: a capture that fails tells its unit to stop.
func (d *day) stopIf(r *running, nest int) {
	if r.capture {
		d.stopEmitter(nest)
	}
}

func (d *day) doesToUnit(nest int, r *running, how string, fail func(station.Trouble, string) station.Fact) station.Fact {
	p := d.places[nest]
	u := p.piece
	switch j := r.effect.Job.(type) {
	case station.Report:
		return station.Reported{Status: protocol.Status{TempMilliCel: 25_000}}
	case station.ReadBlock:
		if d.bug == skipReadBack && d.machine != nil && d.machine.Snapshot().Nests[nest].Step == station.ReadingBack {
			return station.BlockRead{Raw: bytes.Clone(d.watch.lastWritten[nest])}
		}
		return station.BlockRead{Raw: bytes.Clone(u.block)}
	case station.Void:
		u.block = protocol.VoidBlock(j.Witness.Bytes())
		return station.BlockRead{Raw: bytes.Clone(u.block)}
	case station.Write:
		d.watch.lastWritten[nest] = j.Block
		if !d.commit(u, j.Block, r) {
			return fail(station.Reset, "the supply dipped")
		}
	case station.Mark:
		if !u.unmarks && !d.commit(u, j.Block, r) {
			return fail(station.Reset, "the supply dipped")
		}
		if d.bug == skipReadBack {
			return station.BlockRead{Raw: bytes.Clone(j.Block)}
		}
		return station.BlockRead{Raw: bytes.Clone(u.block)}
	case station.Capture:
		u.lit = time.Time{}
		if how == "short" || r.cut {
			return fail(station.Short, "the capture ended early")
		}
		return station.Captured{Capture: d.counts(p, j)}
	}
	return station.Done{}
}

// commit is atomic in a sound unit; it says whether the unit lives on.
func (d *day) commit(u *piece, block []byte, r *running) bool {
	at := u.torn
	if r.fault != nil && r.fault.how == "half-way" {
		at = 1 + r.fault.byte%max(1, len(block)-1)
	}
	switch {
	case u.lies:
		d.watch.struck("commit that lies")
		return true
	case at > 0 && u.half:
		n := 1 + (at-1)%len(block)
		u.block = append(bytes.Clone(block[:n]), tail(u.block, n)...)
		d.watch.struck(fmt.Sprintf("half-written at byte %d", n))
		u.torn = 0
		return true
	case at > 0: // a sound unit keeps the old block, or has the new one whole
		if at >= len(block) {
			u.block = bytes.Clone(block)
		}
		u.torn = 0
		d.watch.struck("torn commit")
		u.powerUp(d)
		return false
	}
	u.block = bytes.Clone(block)
	return true
}

func tail(b []byte, n int) []byte {
	if n >= len(b) {
		return nil
	}
	return b[n:]
}

func (u *piece) powerUp(*day) {
	u.power++
	u.lit = time.Time{}
	u.deaf = time.Time{}
}

// What a capture of this world tells: the leakage of the unit that lies there,
// whether a target stands before it, the unit's offset.
const (
	binLeak, binTarget, binOffset = 4, 20, 31
	offsetScale                   = 1000
)

func (d *day) counts(p *place, j station.Capture) *protocol.Capture {
	q, u := j.Request, p.piece
	c := &protocol.Capture{ID: q.ID, Kind: q.Kind, Shots: q.Shots * int64(q.Frames), Frames: q.Frames, TempMilliCel: 25_000,
		End: protocol.Complete, CountMax: 1<<32 - 1}
	rate := u.leak
	if p.target {
		rate += 0.2
	}
	if p.hand {
		rate += 0.7
	}
	n := uint32(rate * float64(c.Shots))
	c.Totals = []uint32{n, n}
	if q.Kind == protocol.Histograms {
		c.Counts = make([]uint32, 64)
		for z := range 2 {
			c.Counts[32*z+binLeak] = uint32(math.Round(u.leak * float64(c.Shots)))
			c.Counts[32*z+binOffset] = uint32(math.Round((u.offset + 100) * offsetScale))
			if p.target {
				c.Counts[32*z+binTarget] = 1
			}
			if p.hand {
				c.Counts[32*z+binTarget] = 2
			}
		}
	}
	return c
}

// doesElsewhere carries out what concerns no unit.
func (d *day) doesElsewhere(e station.Effect, how string) station.Fact {
	if how == "panic" || how == "port lost" {
		d.watch.troubled = true
		return failedAnswer(e.Job, station.Failure{Trouble: station.Broke, Why: "a planted fault"})
	}
	set := func(n quantity.Name, v, u float64) quantity.Set {
		return quantity.Set{n: quantity.Measured{Value: quantity.Value{V: v, U: u}}}
	}
	switch j := e.Job.(type) {
	case station.Append:
		ref, err := d.ledger.append(d.now, j.Body)
		if err != nil { // as the Runner does: the same once more
			d.watch.struck("append fails: " + j.Body.Kind().String())
			ref, err = d.ledger.append(d.now, j.Body)
		}
		if err != nil {
			d.watch.troubled = true
			return station.Stored{Failure: station.Failure{Trouble: station.Broke, Why: err.Error()}}
		}
		d.watch.stored(ref, j.Body)
		return station.Stored{Ref: ref}
	case station.Save:
		if d.ledger.failing.times < 0 {
			d.watch.troubled = true
			return station.Saved{Failure: station.Failure{Trouble: station.Broke, Why: errDisk.Error()}}
		}
		return station.Saved{Refs: make([]record.CaptureRef, len(j.Captures))}
	case station.Recall:
		return station.Recalled{BySerial: slices.Clone(d.ledger.bySerial[j.Serial]), ByUnitID: slices.Clone(d.ledger.byUnit[j.UnitID])}
	case station.Ask:
		if how == "denied" {
			return station.Allowed{Failure: station.Failure{Trouble: station.Denied, Why: "held by quality"}}
		}
		return station.Allowed{}
	case station.Move:
		if how != "" {
			return station.Done{Failure: station.Failure{Trouble: station.Silent, Why: "the slide does not move"}}
		}
		d.places[e.Nest].target = j.To != station.TargetOut
	case station.EstimateEmpty:
		h := j.Histogram
		l := &estimate.Leakage{Quantities: set(quantity.LeakageMax, float64(h.Counts[binLeak])/float64(h.Shots), 1e-4)}
		if h.Counts[binTarget] > 0 {
			l.Faults = []estimate.Fault{{Code: estimate.FaultStray, Capture: "empty"}}
		}
		return station.EmptyEstimated{Leakage: l}
	case station.EstimateTarget:
		h := j.Histogram
		offset := float64(h.Counts[binOffset])/offsetScale - 100
		o := &estimate.Offsets{Quantities: set(quantity.OffsetMean, offset, 0.1)}
		switch h.Counts[binTarget] {
		case 0:
			return station.TargetEstimated{Failure: station.Failure{Trouble: station.Broke, Why: "no signal in any zone"}}
		case 2:
			o.Faults = []estimate.Fault{{Code: estimate.FaultFrames, Capture: "target"}}
		}
		leak := j.Leakage.Quantities[quantity.LeakageMax].V
		return station.TargetEstimated{Offsets: o, Constants: estimate.Constants{LeakageRate: []float64{leak, leak},
			OffsetMM: []float64{offset, offset}, TempRefCel: 25}}
	case station.EstimateVerify:
		left := float64(j.Histogram.Counts[binOffset])/offsetScale - 100 - j.Constants.OffsetMM[0]
		v := &estimate.Verification{Quantities: set(quantity.VerifyError, left, 0.1)}
		if j.Histogram.Counts[binTarget] != 1 {
			v.Faults = []estimate.Fault{{Code: estimate.FaultFrames, Capture: "verify"}}
		}
		return station.VerifyEstimated{Verification: v}
	}
	return station.Done{}
}
