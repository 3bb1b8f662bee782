package conform

import (
	"time"

	"example.org/panecal/protocol"
)

func checkWatchdog(r *run) {
	r.dark("7.1", "while no capture runs")
	// Fed by requests, it lets the light shine for longer than a second.
	if _, ok := r.start(r.main(), r.forEver(), 1); !ok {
		return
	}
	for range 4 {
		before := r.sentAt
		r.pause(860 * time.Millisecond)
		gap := time.Since(before) // at least what the unit waits
		p, ok := r.progress(r.capture)
		if !ok {
			return
		}
		if p.End != protocol.Running && gap > 890*time.Millisecond { // this machine was late
			if _, ok := r.start(r.main(), r.forEver(), 1); !ok {
				return
			}
			continue
		}
		if !r.want("7.2", p.End == protocol.Running, "asked after %d ms, the capture had ended with reason %d", gap.Milliseconds(), p.End) {
			return
		}
	}
	// Not fed, it ends: in silence, among garbage, among the requests of
	// another session.
	foreign := func() {
		id := r.newID()
		r.one(id, protocol.OpStatus, envelope(id, r.session^0x5555, protocol.OpStatus, pairs{}))
	}
	nothing := func() {}
	garbage := func() { r.write([]byte("\x00nobody reads this\x00")) }
	damaged := func() {
		p := packetOf(envelope(r.newID(), r.session, protocol.OpStatus, pairs{}))
		p[len(p)-2] ^= 4
		r.write(p)
	}
	for i, meanwhile := range []func(){nothing, garbage, damaged, foreign} {
		what := []string{"silence", "garbage", "damaged requests", "requests of another session"}[i]
		if i > 0 { // the capture from above goes on in silence
			if _, ok := r.start(r.main(), r.forEver(), 1); !ok {
				return
			}
		}
		asked := time.Now()
		for time.Since(asked) < time.Second+r.opt.Grace {
			meanwhile()
			r.pause(150 * time.Millisecond)
		}
		r.dark("7.2", "after a second of "+what)
		if s, ok := r.status(); ok {
			r.want("7.2", !s.EmitterOn, "after %d ms of %s the emitter is on", time.Since(asked).Milliseconds(), what)
		}
		if p, ok := r.progress(r.capture); ok {
			r.want("5.3.8", p.End == protocol.Watchdog, "after a second of %s the capture has reason %d, not 3", what, p.End)
			r.want("7.2", p.End == protocol.Watchdog, "after a second of %s the capture has reason %d, not 3", what, p.End)
		}
		r.stop()
	}
	if s, ok := r.status(); ok {
		r.want("7.1", !s.EmitterOn, "the emitter is on while no capture runs")
	}
}

func checkStop(r *run) {
	r.stop() // with nothing to stop
	// Staged before: a unit may refuse it while a capture runs (5.6.8).
	block := r.block(protocol.Written, 14)
	r.ask(&protocol.Stage{Length: len(block), Data: block[:part]})
	if _, ok := r.start(r.main(), r.forEver(), 1); !ok {
		return
	}
	r.pause(30 * time.Millisecond)
	r.stop()
	r.dark("5.7.2", "when stop is answered")
	s, ok := r.status()
	if !ok {
		return
	}
	r.want("5.7.2", !s.EmitterOn && s.Capture == r.capture, "after stop: emitter %v, capture %d", s.EmitterOn, s.Capture)
	p, ok := r.progress(r.capture)
	if !ok {
		return
	}
	r.want("5.7.2", p.End == protocol.Stopped, "after stop the capture has reason %d", p.End)
	for range 20 {
		r.stop()
	}
	if again, ok := r.progress(r.capture); ok {
		r.want("5.7.2", again == p, "more stops changed the capture held")
	}
	if h, ok := r.ask(&protocol.Stage{Length: len(block), Offset: part, Data: block[part : part+1]}); ok {
		s, good := h.Body.(*protocol.Staged)
		r.want("5.7.2", good && s.Held == part+1, "stop changed what is staged")
	}
}

// hush expects that a request stays without an answer.
func (r *run) hush(clause, when string) {
	r.drain()
	id := r.newID()
	r.transmit(packetOf(envelope(id, r.session, protocol.OpStatus, pairs{})))
	for {
		h, ok := r.next(time.Now().Add(2*firstByte + r.opt.Grace))
		if !ok {
			r.tried(clause)
			return
		}
		if h.ID == id {
			r.fail(clause, "a request is answered %s", when)
			return
		}
	}
}
