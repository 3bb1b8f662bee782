package conform

import (
	"bytes"
	"errors"
	"time"

	"example.org/panecal/protocol"
)

func powerChecks() []check {
	return []check{
		{"emitter and watchdog", []string{"7.1", "7.2", "5.3.8"}, checkWatchdog},
		{"stop", []string{"5.7.2", "4.4.5"}, checkStop},
		{"console", []string{"2.3", "2.5", "7.4"}, checkConsole},
		{"ten seconds of silence", []string{"2.4"}, checkIdle},
		{"restart", []string{"4.3.5", "5.1.1", "5.7.1", "7.4", "2.6"}, checkRestart},
		{"faults of the hardware", []string{"5.2.2", "7.6", "5.3.8"}, checkFaults},
		{"a damaged block", []string{"5.6.9", "6.2"}, checkDamagedBlock},
		{"power cuts", []string{"5.6.6", "5.1.1"}, checkPowerCuts},
	}
}

// checks is the whole table. Every clause of SPEC.md that can be tried is in
// it, or is tried with every answer.
func checks() []check {
	var all []check
	for _, group := range [][]check{{{"the first void", []string{"5.6.7"}, checkFirstVoid}}, requestChecks(), packetChecks(), captureChecks(), constantsChecks(), powerChecks()} {
		all = append(all, group...)
	}
	return all
}

// always are the clauses that every answer is held against.
func always() []string {
	return []string{"1.2", "1.3", "3.1.1", "3.1.2", "3.1.3", "3.2.1", "3.2.3", "3.3.1", "3.3.2", "3.3.3", "3.3.4", "3.3.7",
		"4.1.1", "4.1.2", "4.1.4", "4.5.1", "4.5.2", "4.5.3", "4.5.4", "4.5.5"}
}

// reopen opens protocol mode again, without a session. The console may echo
// the text until something is answered.
func (r *run) reopen() {
	r.write([]byte(r.opt.OpenText))
	r.pause(20 * time.Millisecond)
	r.drain()
}

// gone wants the session to be gone: refused with code 4 and session 0.
func (r *run) gone(clause, when string) bool {
	old := r.session
	r.session = 0
	id := r.newID()
	h, ok := r.one(id, protocol.OpStatus, envelope(id, old, protocol.OpStatus, pairs{}))
	r.textOK = false
	return ok && r.want(clause, h.Code == protocol.CodeNoSession && h.Session == 0, "%s the old session's status has code %d, session %d", when, h.Code, h.Session)
}

func checkConsole(r *run) {
	if !r.console {
		r.skip("the unit has no console", "2.3", "2.5")
		return
	}
	// Mute: whatever looks like typing gets no echo and no prompt.
	for _, text := range []string{"help\r\n", "\r\n\r\n", "\x03\x04\x1b[A", "status\n"} {
		r.write([]byte(text))
		r.settle()
		r.tried("2.5")
	}
	if _, ok := r.alive(); !ok {
		r.fail("2.5", "behind typed text a request is not answered")
	}
	if r.opt.CloseText == "" {
		r.skip("no text is given that closes protocol mode", "2.3")
		return
	}
	if _, ok := r.start(r.main(), r.forEver(), 1); !ok {
		return
	}
	r.textOK = true
	r.write([]byte(r.opt.CloseText))
	r.pause(50 * time.Millisecond)
	r.dark("7.4", "while protocol mode is closed")
	r.hush("2.3", "while protocol mode is closed")
	r.write([]byte("\r\n")) // away with the half line that the console made of it
	r.reopen()
	r.want("2.3", r.gone("2.4", "after protocol mode was closed"), "the opening text opens nothing")
	if !r.begin() {
		return
	}
	if s, ok := r.status(); ok {
		r.want("7.4", !s.EmitterOn && s.Capture == 0, "after protocol mode was closed: emitter %v, capture %d", s.EmitterOn, s.Capture)
	}
	// Directly behind the opening text.
	r.textOK = true
	r.write([]byte(r.opt.CloseText))
	r.pause(50 * time.Millisecond)
	r.drain()
	r.reopen()
	r.textOK = true // a console may echo all that it is sent
	r.write([]byte(r.opt.CloseText))
	r.pause(50 * time.Millisecond)
	r.hush("2.3", "after the closing text came directly behind the opening text")
	r.write([]byte("\r\n"))
	r.reopen()
	r.begin()
}

func checkIdle(r *run) {
	const limit = 10 * time.Second
	if !r.console {
		// It stays open for ever; 2.4 asks nothing of such a unit.
		r.skip("the unit has no console", "2.4")
		return
	}
	r.pause(limit - 700*time.Millisecond)
	_, ok := r.alive()
	r.want("2.4", ok, "protocol mode is closed after less than 10 s without a request")
	r.textOK = true
	r.pause(limit + 700*time.Millisecond)
	r.hush("2.4", "after more than 10 s without one")
	r.reopen()
	r.gone("2.4", "after 10 s of silence")
}

// reborn waits for a unit that begins anew, asking nothing of it before it
// has to be ready, and looks at what it has kept.
func (r *run) reborn(how string) bool {
	r.running = false
	r.textOK = true
	r.pause(2 * time.Second)
	if r.console {
		r.hush("2.4", "before the opening text, "+how)
		r.reopen()
	} else {
		r.drain()
		r.textOK = false
	}
	gone := r.gone("4.3.5", how)
	if !r.console {
		r.want("2.6", gone, "%s the unit does not answer at once", how)
	}
	if !gone {
		return false
	}
	before := r.id
	if !r.begin() {
		return false
	}
	r.want("5.1.1", r.id == before, "%s the identity is another", how)
	if s, ok := r.status(); ok {
		r.want("7.4", !s.EmitterOn, "the emitter is on %s", how)
		r.want("4.3.5", s.Capture == 0, "%s capture %d is held", how, s.Capture)
	}
	return true
}

func checkRestart(r *run) {
	if r.console {
		r.skip("the unit has a console", "2.6")
	}
	block := r.block(protocol.Released, 15)
	if !r.writeBlock("5.6.4", block) {
		return
	}
	r.ask(&protocol.Stage{Length: len(block), Data: block[:part]})
	if _, ok := r.start(r.main(), r.forEver(), 1); !ok {
		return
	}
	capture := r.capture
	r.textOK = r.console // it may greet right behind its answer
	h, ok := r.ask(&protocol.Restart{})
	if !r.want("5.7.1", ok && h.Code == protocol.CodeOK, "restart is not answered, or with code %d", h.Code) {
		return
	}
	r.textOK = true
	r.pause(firstByte + r.opt.Grace)
	r.dark("7.4", "100 ms after restart was answered")
	if !r.reborn("after a restart") {
		r.fail("5.7.1", "2 s after a restart the unit is not ready")
		return
	}
	r.code("4.3.5", protocol.CodeNoCapture, &protocol.AskProgress{Capture: capture})
	if h, ok := r.ask(&protocol.Stage{Length: len(block), Offset: part, Data: block[part : part+1]}); ok {
		s, good := h.Body.(*protocol.Staged)
		r.want("4.3.5", good && s.Held == 0, "a restart leaves staged bytes")
	}
	r.inForce("5.7.1", block, "after a restart")
}

func checkFaults(r *run) {
	err := r.opt.Bench.Fault(0)
	s, ok := r.status()
	if !ok {
		return
	}
	r.want("5.2.2", s.Faults>>5&0x7ff == 0, "faults 0x%08X have bits between 5 and 15", s.Faults)
	if r.unable(err, "7.6", "5.3.8") {
		return
	}
	defer func() { _ = r.opt.Bench.Fault(0) }() // a bench that could once can again; status tells below
	for bit, what := range map[uint32]string{0: "emitter", 1: "detector"} {
		if _, ok := r.start(r.main(), r.forEver(), 1); !ok {
			return
		}
		r.pause(30 * time.Millisecond)
		if err := r.opt.Bench.Fault(1 << bit); err != nil {
			r.fail("7.6", "%v", err)
			return
		}
		r.pause(20 * time.Millisecond)
		r.dark("7.6", "with a fault of the "+what)
		if s, ok := r.status(); ok {
			r.want("5.2.2", s.Faults&0xffff&^4 == 1<<bit, "with a fault of the %s the faults are 0x%08X", what, s.Faults)
			r.want("7.6", !s.EmitterOn, "with a fault of the %s the emitter is on", what)
		}
		if p, ok := r.progress(r.capture); ok {
			r.want("5.3.8", p.End == protocol.UnitFault, "with a fault of the %s the capture has reason %d, not 4", what, p.End)
			r.want("7.6", p.End == protocol.UnitFault, "with a fault of the %s the capture has reason %d, not 4", what, p.End)
		}
		// A capture that cannot be made: code 10, or ended at once.
		if h, ok := r.ask(&protocol.CaptureRequest{ID: r.nextCapture(), Kind: r.main(), Shots: r.forEver(), Frames: 1, Compensated: r.comp(r.main())}); ok {
			p, started := h.Body.(*protocol.Progress)
			r.want("7.6", h.Code == protocol.CodeFault || started && p.End == protocol.UnitFault, "a capture with a fault of the %s is answered with code %d", what, h.Code)
		}
		r.stop()
		if err := r.opt.Bench.Fault(0); err != nil {
			r.fail("7.6", "%v", err)
			return
		}
	}
	if s, ok := r.status(); ok {
		r.want("5.2.2", s.Faults&3 == 0, "healed, the faults are 0x%08X", s.Faults)
	}
}

func checkDamagedBlock(r *run) {
	b := r.constants(16)
	clear(b.Leakage)
	clear(b.LeakageBins)
	for z := range b.Offsets {
		b.Offsets[z] = 50 << 16
	}
	block, err := b.Marshal()
	if err != nil || !r.writeBlock("5.6.4", block) {
		return
	}
	if r.unable(r.opt.Bench.Damage(), "5.6.9", "6.2") {
		return
	}
	got, ok := r.readConstants()
	r.want("5.6.9", ok && len(got) == len(block) && !bytes.Equal(got, block), "a damaged block is not given out as it is")
	if s, ok := r.status(); ok {
		r.want("5.6.9", s.Faults&4 != 0, "with a damaged block the faults are 0x%08X", s.Faults)
		r.want("5.2.2", s.Faults&4 != 0, "with a damaged block the faults are 0x%08X", s.Faults)
	}
	if r.id.Kinds.Has(protocol.Ranges) && r.id.CompensationOff {
		bare, ok1 := r.ranges(false)
		with, ok2 := r.ranges(true)
		if ok1 && ok2 {
			none := func(int) float64 { return 0 }
			r.alike("5.6.9", "with a damaged block", bare, with, none)
			r.alike("6.2", "with a damaged block", bare, with, none)
		}
	}
	r.writeBlock("5.6.4", block)
	if s, ok := r.status(); ok {
		r.want("5.6.9", s.Faults&4 == 0, "with a good block again the faults are 0x%08X", s.Faults)
	}
}

// checkPowerCuts cuts the power at every step of the way of a block into
// force, and after the answer that says that it is.
func checkPowerCuts(r *run) {
	if _, err := r.opt.Bench.CutAt(0); errors.Is(err, ErrUnable) {
		r.textOK = true
		if r.unable(r.opt.Bench.Power(false), "5.6.6") {
			r.textOK = false
			return
		}
		r.pause(50 * time.Millisecond)
		before := r.id
		if r.unable(r.opt.Bench.Power(true), "5.6.6") || !r.begin() {
			return
		}
		r.want("5.1.1", r.id == before, "after a power cut the identity is another")
	}
	one, two := r.block(protocol.Written, 17), r.block(protocol.Released, 18)
	for range 2 { // both ways: the memory may have two places
		if !r.cuts(one, two, &protocol.Commit{Length: len(two), CRC: lastFour(two)}) ||
			!r.cuts(two, one, &protocol.Commit{Length: len(one), CRC: lastFour(one)}) {
			return
		}
	}
	witness := r.constants(19).Witness.Bytes()
	_ = r.cuts(one, protocol.VoidBlock(witness), &protocol.Void{Witness: witness}) && r.cuts(one, protocol.VoidBlock(nil), &protocol.Void{})
}

// lasts cuts the power, or restarts, long after code 0.
func (r *run) lasts(block []byte) {
	r.textOK = r.console
	err := r.opt.Bench.Power(false)
	if err == nil {
		r.pause(50 * time.Millisecond)
		err = r.opt.Bench.Power(true)
	} else if errors.Is(err, ErrUnable) {
		r.ask(&protocol.Restart{})
		err = nil
	}
	if err != nil {
		r.fail("5.6.6", "%v", err)
		return
	}
	r.pause(150 * time.Millisecond)
	r.textOK = true
	if !r.begin() {
		r.fail("5.6.6", "the unit does not come back from a power cut")
		return
	}
	r.inForce("5.6.6", block, "after a power cut")
}

// cuts lets the power fail while the new block replaces the old one.
func (r *run) cuts(old, new []byte, how protocol.RequestBody) bool {
	_, isVoid := how.(*protocol.Void)
	_, armErr := r.opt.Bench.CutAt(0)
	byHand := errors.Is(armErr, ErrUnable)
	steps := 64
	if byHand {
		steps = 6
	}
	for step := 1; step <= steps; step++ {
		if !r.writeBlock("5.6.4", old) || !isVoid && !r.stage(new) {
			return false
		}
		if !byHand {
			if _, err := r.opt.Bench.CutAt(step); err != nil {
				r.fail("5.6.6", "%v", err)
				return false
			}
		}
		id := r.newID()
		r.textOK = true
		r.sendAs(id, how.Op(), r.payloadOf(id, how))
		r.open[0].may = true
		said, answered := protocol.CodeBusy, false
		if byHand {
			r.pause(time.Duration(step-1) * time.Duration(r.id.CommitMS+1) * time.Millisecond / 4)
			if step == 6 { // answered, then cut
				r.open = nil
				h, ok := r.insist(id, how.Op(), r.payloadOf(id, how))
				said, answered = h.Code, ok
			}
			r.open = nil
			if err := r.opt.Bench.Power(false); err != nil {
				r.fail("5.6.6", "%v", err)
				return false
			}
			r.pause(50 * time.Millisecond)
			if err := r.opt.Bench.Power(true); err != nil {
				r.fail("5.6.6", "%v", err)
				return false
			}
		} else {
			for _, h := range r.answers() {
				said, answered = h.Code, true
				if h.Code == protocol.CodeBusy {
					r.pause(time.Duration(h.BusyMS) * time.Millisecond)
				}
			}
			r.pause(100 * time.Millisecond)
		}
		happened := byHand
		if !byHand {
			var err error
			if happened, err = r.opt.Bench.CutAt(0); err != nil {
				r.fail("5.6.6", "%v", err)
				return false
			}
		}
		r.session = 0
		if !r.begin() {
			r.fail("5.6.6", "the unit does not come back from a power cut")
			return false
		}
		got, ok := r.readConstants()
		if !ok {
			return false
		}
		isOld, isNew := bytes.Equal(got, old), bytes.Equal(got, new)
		r.want("5.6.6", isOld || isNew, "after a power cut in step %d the unit holds neither the old block nor the new one", step)
		if answered && said == protocol.CodeOK {
			r.want("5.6.6", isNew, "code 0 was sent, and after a power cut in step %d the old block is in force", step)
		}
		if s, ok := r.status(); ok {
			r.want("5.6.6", s.Faults&4 == 0, "after a power cut in step %d the block is damaged", step)
		}
		if !isOld && !isNew {
			return false
		}
		if !happened { // the last step is behind us
			r.want("5.6.6", isNew, "without a power cut the new block is not in force")
			r.lasts(new)
			break
		}
	}
	return true
}
