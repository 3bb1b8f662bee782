package station

// broken ends an attempt that cannot be finished: emitter off first, then on
// record.
func (m *Machine) broken(n *nest, c Code, why string) {
	m.rest(n)
	n.problem(m.now, c, why)
	n.att.code, n.att.detail = c, nil
	if why != "" {
		n.att.detail = Verbatim(why)
	}
	m.halt(n, func() { m.finish(n) })
}

// deviceTrouble is trouble with the unit within an attempt.
func (m *Machine) deviceTrouble(n *nest, f Failure) {
	code := BrokenLost
	switch f.Trouble {
	case Reset:
		code = BrokenReset
	case Denied:
		code = BrokenRefused
	case Garbled:
		code = BrokenGarbled
	case Unsound:
		code = BrokenUnsound
	}
	m.broken(n, code, f.Why)
}

// captureTrouble: a capture that ended early is taken again.
func (m *Machine) captureTrouble(n *nest, f Failure) {
	if f.Trouble == Short {
		m.bad(n, BadEnd, f.Why, nil)
		return
	}
	m.deviceTrouble(n, f)
}

// lookTrouble is captureTrouble while the field is watched: a look that ended
// early is one look less.
func (m *Machine) lookTrouble(n *nest, f Failure) {
	if f.Trouble == Short {
		m.sleep(n, lookEvery)
		return
	}
	m.deviceTrouble(n, f)
}

// voidTrouble: what the unit holds now is not known.
func (m *Machine) voidTrouble(n *nest, f Failure) {
	if f.Trouble == Denied {
		m.broken(n, BrokenRefused, f.Why)
		return
	}
	m.broken(n, BrokenContents, f.Why)
}

func (m *Machine) estimateTrouble(n *nest, f Failure) { m.broken(n, BrokenEstimate, f.Why) }

// fixtureTrouble ends the attempt and stops the nest.
func (m *Machine) fixtureTrouble(n *nest, f Failure) {
	n.stop = &Stop{Nest: n.index, Code: StopFixture, Args: Args{Nest: n.sheet.Name, Detail: Verbatim(f.Why)}, Since: m.now}
	m.broken(n, BrokenFixture, f.Why)
}

// crashed: what serves the nest failed inside the program. An attempt is
// ended on record, with the emitter off; then the nest is stopped.
func (m *Machine) crashed(n *nest, r *row, why string) {
	stop := &Stop{Nest: n.index, Code: StopWorker, Args: Args{Nest: n.sheet.Name, Detail: Verbatim(why)}, Since: m.now}
	switch {
	case n.step == Ended || n.step == Stopped:
		m.ignore(n.index, "the nest does not run")
	case r.attempt:
		n.stop = stop
		m.broken(n, BrokenInternal, why)
	case r.answer == kStored || r.answer == kSaved || n.step == Halting || n.step == Releasing ||
		n.step == Showing || n.step == Turned || n.step == Rejecting:
		// A record is under way or to be read, or a unit on its way to its
		// box; the nest stops after that.
		n.stop = stop
	default:
		n.stop = stop
		m.halt(n, func() { m.enterStopped(n) })
	}
}

// skip ends an attempt on the operator's word.
func (m *Machine) skip(n *nest) { m.broken(n, BrokenSkipped, "") }

// leaveAttempt ends an attempt at shutdown. Constants that are being written
// leave a unit of which nobody knows what it holds.
func (m *Machine) leaveAttempt(n *nest) {
	if n.step == Writing || n.step == Voiding {
		n.problem(m.now, BrokenContents, "closed while the unit's constants were changed")
	}
	m.broken(n, BrokenShutdown, m.closeWhy)
}

// leaveIdle ends a nest in which no attempt runs. A unit that is there is
// told to keep its emitter off.
func (m *Machine) leaveIdle(n *nest) {
	if n.unit.UnitID != "" {
		m.halt(n, func() { m.end(n) })
		return
	}
	m.end(n)
}
