package station_test

import (
	"slices"
	"strings"
	"time"

	"example.org/panecal/station"
)

// deedTable says what each deed does. "follow" is a person who does what the
// screen says.
func deedTable() map[string]func(*day, deed) {
	return map[string]func(*day, deed){
		"follow":             func(d *day, x deed) { d.follow(x) },
		"scan another label": func(d *day, x deed) { d.scan(station.NoNest, d.lot[x.a%lotSize].sticker) },
		"scan twice": func(d *day, x deed) {
			if d.hand != nil {
				d.scan(station.NoNest, d.hand.sticker)
				d.scan(station.NoNest, d.hand.sticker)
			}
		},
		"scan junk": func(d *day, x deed) {
			d.scan(station.NoNest, []string{"", "A", "\x1b[2J", "Gerät", strings.Repeat("A1", 3000), "a1\x00", "A1 "}[x.a%7])
		},
		"scan a nest's label": func(d *day, x deed) {
			n := x.a % d.set.nests
			if u := d.places[n].piece; u != nil && d.machine != nil && d.machine.Snapshot().Label != u.sticker {
				u.blamed = true // the label that is open is said to be this unit's, which carries another
			}
			d.scan(station.NoNest, "NEST-"+string('1'+rune(n)))
		},
		"name a nest": func(d *day, x deed) {
			if n := x.a % d.set.nests; d.hand != nil && d.places[n].piece == nil {
				d.scan(n, d.hand.sticker)
			}
		},
		"seat it elsewhere": func(d *day, x deed) {
			if d.hand != nil {
				d.seat(x.a%d.set.nests, d.hand)
			}
		},
		"seat without a scan": func(d *day, x deed) {
			if u := d.lot[x.b%lotSize]; u.in < 0 && u != d.hand {
				d.seat(x.a%d.set.nests, u)
			}
		},
		"exchange units of two nests": func(d *day, x deed) {
			a, b := x.a%d.set.nests, x.b%d.set.nests
			one, two := d.places[a].piece, d.places[b].piece
			if a == b {
				return
			}
			d.lift(a)
			d.lift(b)
			if one != nil {
				d.seat(b, one)
			}
			if two != nil {
				d.seat(a, two)
			}
		},
		"replace the unit in a nest": func(d *day, x deed) {
			if u := d.lot[x.b%lotSize]; u.in < 0 && d.places[x.a%d.set.nests].piece != nil {
				d.seat(x.a%d.set.nests, u)
			}
		},
		"take a unit out": func(d *day, x deed) { d.lift(x.a % d.set.nests) },
		"reseat": func(d *day, x deed) {
			if u := d.places[x.a%d.set.nests].piece; u != nil {
				d.seat(x.a%d.set.nests, u)
			}
		},
		"hand in the field": func(d *day, x deed) {
			p := d.places[x.a%d.set.nests]
			p.hand = true
			d.later(time.Duration(100+x.b%2000)*time.Millisecond, false, -2, func() { p.hand = false })
		},
		"press go":   func(d *day, x deed) { d.tell(x.a%d.set.nests, 0, station.Go{}) },
		"press skip": func(d *day, x deed) { d.tell(x.a%d.set.nests, 0, station.Skip{}) },
		"swap labels of two units": func(d *day, x deed) {
			one, two := d.lot[x.a%lotSize], d.lot[x.b%lotSize]
			one.sticker, two.sticker = two.sticker, one.sticker
			one.blamed, two.blamed = true, true
		},
		"wrong box": func(d *day, x deed) {
			if u := d.places[x.a%d.set.nests].piece; u != nil {
				d.lift(x.a % d.set.nests)
				u.box = "any"
			}
		},
		"walk away": func(d *day, x deed) { d.pass(time.Duration(5+x.a%65) * time.Second) },

		"job fails": func(d *day, x deed) {
			d.faults = append(d.faults, armed{nest: x.a % d.set.nests, job: x.b % 25, how: ways[x.c%len(ways)], byte: x.a})
		},
		"cable": func(d *day, x deed) {
			p := d.places[x.a%d.set.nests]
			d.feed(x.a % d.set.nests)
			p.cable, p.greeted = true, visit{}
			if p.piece != nil {
				p.piece.flickered = true
			}
			d.watch.struck("cable pulled")
			d.later(time.Duration(x.b%5000)*time.Millisecond, false, -2, func() { p.cable = false })
		},
		"cable back": func(d *day, x deed) { d.places[x.a%d.set.nests].cable = false },
		"slow line": func(d *day, x deed) {
			n := x.a % d.set.nests
			d.slow[n] = 2 + x.b%9
			d.later(10*time.Second, false, -2, func() { delete(d.slow, n) })
		},

		"unit resets": func(d *day, x deed) {
			d.withPiece(x, func(u *piece) { d.watch.struck("reset"); u.powerUp(d) })
		},
		"unit falls silent": func(d *day, x deed) {
			d.withPiece(x, func(u *piece) {
				d.watch.struck("silence")
				d.feed(u.in)
				u.deaf = d.now.Add(time.Duration(x.b%8000) * time.Millisecond)
			})
		},
		"torn commit":             func(d *day, x deed) { d.withPiece(x, func(u *piece) { u.torn = 1 + x.b%200 }) },
		"half-written block":      func(d *day, x deed) { d.withPiece(x, func(u *piece) { u.torn, u.half = 1+x.b%200, true }) },
		"commit that lies":        func(d *day, x deed) { d.withPiece(x, func(u *piece) { u.lies = !u.lies }) },
		"mark that does not stay": func(d *day, x deed) { d.withPiece(x, func(u *piece) { u.unmarks = !u.unmarks }) },
		"stop not heard":          func(d *day, x deed) { d.withPiece(x, func(u *piece) { u.stopless += 1 + x.b%3 }) },
		"stray light":             func(d *day, x deed) { d.places[x.a%d.set.nests].target = x.b%2 == 0 },
		"unit of another product": func(d *day, x deed) {
			d.withPiece(x, func(u *piece) {
				u.brokenProduct = !u.brokenProduct
				u.id.Product = map[bool]string{true: "feeder-9", false: "feeder-2"}[u.brokenProduct]
			})
		},

		"append fails":               func(d *day, x deed) { d.ledger.failing = failing{1, false} },
		"append fails for good":      func(d *day, x deed) { d.ledger.failing = failing{2, x.a%2 == 0} },
		"append fails after writing": func(d *day, x deed) { d.ledger.failing = failing{1, true} },
		"append fails for ever":      func(d *day, x deed) { d.ledger.failing = failing{-1, false} },
		"space is back":              func(d *day, x deed) { d.ledger.failing = failing{} },
		"slow disk": func(d *day, x deed) {
			d.slow[-1] = 1 + x.a%5
			d.later(10*time.Second, false, -2, func() { delete(d.slow, -1) })
		},

		"power cut": func(d *day, x deed) {
			if d.machine == nil {
				return
			}
			d.watch.struck("power cut")
			d.die()
			d.lost = true
			if x.a%2 == 0 { // the units hang on the same supply
				for _, p := range d.places {
					if p.piece != nil {
						p.piece.powerUp(d)
					}
				}
			}
		},
		"kill": func(d *day, x deed) {
			if d.machine != nil {
				d.watch.struck("kill")
				d.die()
			}
		},
		"close and start": func(d *day, x deed) { d.close() },
		"computer sleeps": func(d *day, x deed) { d.sleep(time.Duration(500+x.a%60_000) * time.Millisecond) },
		"nest's server fails": func(d *day, x deed) {
			n := x.a % d.set.nests
			d.watch.struck("nest's server fails")
			d.stopEmitter(n)
			d.tell(n, 0, station.Crashed{Why: "a planted panic"})
		},
		"new files": func(d *day, x deed) {
			d.files = d.set.files(d.t)
			d.tell(station.NoNest, 0, station.TakeUp{Files: d.files})
		},
		"clock a year ahead": func(d *day, x deed) {
			if x.a%16 == 0 {
				d.sleep(365 * 24 * time.Hour)
			} else {
				d.sleep(10 * time.Second)
			}
		},
	}
}

func (d *day) withPiece(x deed, do func(*piece)) {
	if u := d.places[x.a%d.set.nests].piece; u != nil {
		do(u)
	}
}

// sleep stops everything in the computer; units and hands go on.
func (d *day) sleep(span time.Duration) {
	if d.machine == nil {
		return
	}
	d.watch.struck("computer sleeps")
	for i := range d.happen {
		if d.happen[i].station {
			d.happen[i].at = d.happen[i].at.Add(span)
		}
	}
	for i, p := range d.places {
		if p.job != nil {
			d.feed(i)
			p.job.cut = true
		}
	}
	d.pass(span)
	d.watch.slept(span)
}

func (d *day) scan(nest int, text string) {
	// A unit that was seated without a scan a moment ago is not seen yet, and
	// cannot be told from one that comes after the scan.
	if d.machine != nil {
		s := d.machine.Snapshot()
		for i, p := range d.places {
			if s.Label == "" && s.Nests[i].Step == station.Vacant && p.piece != nil && p.piece.sticker != text {
				p.piece.blamed = true
			}
		}
	}
	for n, label := range d.watch.owed {
		if label == text {
			delete(d.watch.owed, n)
		}
	}
	d.tell(nest, 0, station.Scanned{Text: text})
}

// lift takes what lies in a nest out of it.
func (d *day) lift(nest int) {
	p := d.places[nest]
	if u := p.piece; u != nil {
		u.in, u.lit = -1, time.Time{}
		p.piece = nil
		p.target = p.target && d.set.fixture
	}
}

// seat puts a unit into a nest; what lies there is taken out first.
func (d *day) seat(nest int, u *piece) {
	d.lift(nest)
	if u.in >= 0 {
		d.lift(u.in)
	}
	if d.hand == u {
		d.hand = nil
	}
	u.powerUp(d)
	u.in, u.box, u.flickered, u.seated = nest, "", false, d.now
	d.places[nest].piece = u
	if d.machine != nil {
		s := d.machine.Snapshot()
		if text := s.Nests[nest].Label; text != u.sticker && (text != "" || s.Label != u.sticker && s.Label != "") {
			// With another label open or waiting here: where nothing can tell,
			// the label goes with the wrong unit, and so does that label's own.
			u.blamed = true
		}
	}
}

// withLabel finds the unit that carries a label.
func (d *day) withLabel(text string) *piece {
	for _, u := range d.lot {
		if u.sticker == text {
			return u
		}
	}
	return nil
}

// follow does the one thing that the screen says.
func (d *day) follow(x deed) {
	if d.machine == nil {
		if x.a%3 == 0 { // somebody makes room on the disk
			d.ledger.failing = failing{}
		}
		d.boot(d.lost)
		d.lost = false
		return
	}
	s := d.machine.Snapshot()
	h := s.Hands
	var p *place
	if h.Nest >= 0 {
		p = d.places[h.Nest]
	}
	switch h.Code {
	case station.HandsScan:
		if d.hand == nil {
			d.hand = d.nextPiece(x)
		}
		if d.hand != nil {
			d.scan(station.NoNest, d.hand.sticker)
		}
	case station.HandsSeat:
		names := strings.Split(h.Args.Nest, ", ")
		n := slices.IndexFunc(s.Nests, func(v station.NestView) bool { return v.Name == names[0] })
		if u := d.withLabel(h.Args.Label); u != nil && n >= 0 {
			d.seat(n, u)
		}
	case station.HandsSeatHere:
		if u := d.withLabel(h.Args.Label); u != nil && p.piece != u {
			d.seat(h.Nest, u)
		}
	case station.HandsReseat:
		if u := d.withLabel(h.Args.Label); u != nil {
			d.seat(h.Nest, u)
		}
	case station.HandsTakeOut, station.HandsTurned, station.HandsPassed, station.HandsFailed, station.HandsHeld:
		if h.Code == station.HandsTakeOut && x.c%4 != 0 && d.hand == nil { // in a hurry
			if d.hand = d.nextPiece(x); d.hand != nil {
				d.scan(station.NoNest, d.hand.sticker)
			}
			return
		}
		if p.piece == nil {
			d.tell(h.Nest, 0, station.Go{})
			return
		}
		u := p.piece
		if v := s.Nests[h.Nest].Verdict; v != nil {
			d.watch.boxed(u, *v)
		}
		d.lift(h.Nest)
		if h.Code == station.HandsTakeOut && d.hand == nil {
			d.hand = u
		}
	case station.HandsClear:
		p.target, p.hand = false, false
	case station.HandsTarget, station.HandsTargetIn:
		p.target = true
	case station.HandsConfirm:
		if x.b%2 == 0 {
			d.scan(station.NoNest, h.Args.Label)
		} else {
			d.lift(h.Nest)
		}
	case station.HandsReject:
		d.scan(station.NoNest, h.Args.Label)
	case station.HandsEmitter:
		if p.piece != nil { // the switch takes its power
			p.piece.lit = time.Time{}
		}
		d.tell(h.Nest, 0, station.Unpowered{})
	case station.HandsStopped:
		d.lead(s)
	}
}

// nextPiece takes a unit off the bench: a new one, now and then one that ran.
func (d *day) nextPiece(x deed) *piece {
	u := d.lot[d.next%lotSize]
	if x.c%5 == 0 {
		u = d.lot[x.b%lotSize]
	} else {
		d.next++
	}
	if u.in >= 0 {
		return nil
	}
	return u
}

// lead lifts stops; the station's own takes a restart.
func (d *day) lead(s station.Snapshot) {
	for _, stop := range s.Stops {
		if stop.Nest == station.NoNest {
			d.close()
			return
		}
	}
	for _, stop := range s.Stops {
		d.tell(stop.Nest, 0, station.LiftStop{By: "lead-1", Method: "badge"})
	}
}
