package station_test

import (
	"context"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
	"example.org/panecal/station/roster"
	"example.org/panecal/store/record"
)

// TestWalk is a shift of 40 units at the real screen, in virtual time, with the
// mistakes that hands make; what each frame says is held against what the hands
// have to know then.
func TestWalk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, leave := context.WithCancel(t.Context())
		s := usual()
		s.nests, s.reworks = 3, 2
		k := &walk{world: newWorld(t, s)}
		r, err := roster.Read("roster.toml", []byte(walkRoster))
		if err != nil {
			t.Fatal(err)
		}
		people, err := roster.ReadPeople("people.toml", fmt.Appendf(nil, walkPeople, walkPIN))
		if err != nil {
			t.Fatal(err)
		}
		k.book = &roster.Book{Roster: r, People: people, Site: time.UTC}
		k.open(ctx)
		k.begin(s)
		for _, part := range []func(*walk, settings){walkIn, walkScans, walkMistakes, walkRework, walkStop, walkBoxes, walkRestart, walkOut} {
			part(k, s)
		}
		released := map[string]bool{}
		for _, v := range k.shown {
			released[v.Serial] = released[v.Serial] || v.Released()
		}
		if n := len(released); n != 40 {
			t.Errorf("%d units had a verdict: %v", n, released)
		}
		t.Logf("%d frames", k.frames)
		leave()
		<-k.done
		_ = k.keys.Close()
		synctest.Wait()
	})
}

// The verifier of PIN 493716, 1 pass of 64 KiB.
const walkPIN = "$argon2id$v=19$m=64,t=1,p=1$N5nqp6l3vd1NqVQ068+W0Q$/0sbWZCpQ7O0F/1PS96+a1dI1L/5+ynJgideUyLlyCg"

// good takes unit n through nest i, and looks at each frame on its way.
func (k *walk) good(n, i int) {
	k.t.Helper()
	label, name := walkLabel(n), fmt.Sprintf("nest-%d", i+1)
	u := k.measured(n, i)
	k.lapse(3 * time.Second)
	k.see("Take "+label+" out of "+name+": passed.", "bin 1")
	k.clearNest(i, u)
	k.lapse(3 * time.Second)
}

// measured takes unit n to its verdict in nest i.
func (k *walk) measured(n, i int) *unit {
	k.t.Helper()
	label, name := walkLabel(n), fmt.Sprintf("nest-%d", i+1)
	u := newUnit("u"+label, label)
	k.scan(label, "Put "+label+" into ", "Open: "+label)
	k.seat(i, u)
	k.lapse(700 * time.Millisecond)
	for range 40 {
		if k.step(i) == station.Targeting {
			break
		}
		k.lapse(500 * time.Millisecond)
	}
	k.see("N"+name[1:]+": bring the target. It stays until the result shows.", label)
	u.target = true
	k.attend(i)
	k.lapse(0)
	return u
}

// walkIn is the way to the first label: who comes, on what.
func walkIn(k *walk, _ settings) {
	k.see("Scan your badge to sign on.")
	k.scan("A1", "This badge is not in the roster.")
	k.scan("123456", "This badge is not in the roster.", "-123456")
	k.scan("900003", "lead is not an operator here.")
	k.scan("900001", "Invisible laser radiation", "Local rules and the site's laser safety officer decide.")
	k.scan("A1", "Answer this first")
	k.enter("Scan the work order.")
	k.scan("A1", "This is the label of a unit: A1.")
	k.scan("WO-7", "Scan or type how many units the work order has.")
	k.scan("A2", "This is no number of units: A2.")
	k.typed("40", "No box is open. Scan the number of a box.")
	k.scan("A1", "No box is open for good units.", "-Open: A1")
	k.scan("493716", "This badge is not in the roster.", "-Box 493716") // a PIN is no box
	k.scan("K-1", "Box K-1 is open", "Scan the next label.", "order 0/40", "box K-1: 0/20")
}

// walkScans are units 1 to 10, and slips of scanner and hands.
func walkScans(k *walk, _ settings) {
	k.good(1, 0)
	k.see("order 1/40", "box K-1: 1/20", "Scan the next label.")
	k.scan("?!", "The label cannot be read", "-[A-Z]")
	k.scan("a2", "Capital and small letters are exchanged.")
	k.scan("CMD NOSUCH", "There is no command NOSUCH.")
	k.lapse(11 * time.Second)
	k.scan("A2", "Put A2 into nest-1, nest-2 or nest-3.")
	k.scan("A2", "Label A2 is open already.")
	k.scan("A3", "Label A3 replaces A2.")
	k.seat(1, newUnit("uA2", "A2")) // the other one, by mistake
	k.lapse(5 * time.Second)
	k.attend(1)
	k.lapse(3 * time.Second)
	k.see("Label A3 and the unit in nest-2 contradict each other")
	k.clearNest(1, newUnit("", ""))
	k.lapse(3 * time.Second)
	k.good(4, 0)
	// Seated before its label.
	u := newUnit("uA5", "A5")
	k.seat(2, u)
	k.lapse(2 * time.Second)
	k.see("Nest-3: take out, scan, put back.")
	k.clearNest(2, u)
	k.good(5, 2)
	for n := 6; n <= 8; n++ { // taken out before anybody can read it
		u := k.measured(n, n%3)
		k.clearNest(n%3, u)
		k.lapse(0)
		k.see(walkLabel(n) + ": PASS, bin 1")
		k.lapse(11 * time.Second)
	}
	k.good(9, 0)
	k.good(10, 1)
}

// walkMistakes are units 11 to 16.
func walkMistakes(k *walk, _ settings) {
	// The target is left in.
	u := newUnit("uA11", "A11")
	u.target = true
	k.faults["empty"] = append(k.faults["empty"], "stray")
	k.scan("A11", "Put A11 into")
	k.seat(0, u)
	k.lapse(3 * time.Second)
	k.see("take the target away")
	u.target = false
	k.attend(0)
	k.lapse(0)
	k.lapse(3 * time.Second)
	k.see("Take A11 out of nest-1: passed.")
	k.clearNest(0, u)
	k.lapse(3 * time.Second)
	// A unit that does not answer.
	k.scan("A12", "Put A12 into")
	k.scan("nest-2", "Put A12 into nest-2.")
	k.lapse(6 * time.Second)
	k.see("Reseat A12 in nest-2.")
	k.lapse(6 * time.Second)
	k.see("A12 does not answer.", "hold")
	k.enter()
	// An attempt is ended by its label, twice.
	k.scan("A13", "Put A13 into")
	k.seat(0, newUnit("uA13", "A13"))
	k.lapse(time.Second)
	k.scan("CMD SKIP", "End the attempt in nest-1, on record as aborted?")
	k.scan("CMD SKIP", "The attempt was ended by the operator.")
	k.clearNest(0, newUnit("", ""))
	k.lapse(3 * time.Second)
	k.good(13, 0)
	// A label that cannot be read: the unit says who it is.
	u = newUnit("uA14", "A14")
	k.seat(1, u)
	k.lapse(2 * time.Second)
	k.scan("CMD UNREADABLE", "The unit in nest-2 says that it is A14.")
	k.attend(1)
	k.lapse(3 * time.Second)
	k.see("Take A14 out of nest-2: passed.")
	k.clearNest(1, u)
	// A pause.
	k.scan("CMD PAUSE", "Nobody works now.")
	k.scan("A15", "Answer this first; A15 was not taken.")
	k.lapse(20 * time.Minute)
	k.scan("CMD PAUSE", "Scan the next label.")
	k.good(15, 0)
	k.good(16, 1)
	k.scan("CMD HOLDS", "These units are on hold.", "A3", "A12")
	k.scan("CMD FIGURES", "WO-7: order", "First pass by nest:")
	k.enter("Scan the next label.")
}

// walkRework are units 17 and 18: one is mended, one as often as it may be.
func walkRework(k *walk, _ settings) {
	fail := func(n int) {
		k.values[quantity.LeakageMax] = 0.3
		u := k.measured(n, 0)
		delete(k.values, quantity.LeakageMax)
		k.see("Wipe the window.")
		k.clearNest(0, u)
		k.lapse(3 * time.Second)
	}
	fail(17)
	u := newUnit("uA17", "A17")
	k.scan("A17", "Put A17 into")
	k.seat(0, u)
	k.lapse(time.Second)
	k.see("A17 was sent to rework, and nothing says that it was mended.")
	k.scan("CMD REWORK POLISHED", "There is no rework POLISHED here; there is WIPED.")
	k.scan("CMD REWORK WIPED", "Rework WIPED of A17 is on record; scan and seat it.")
	k.clearNest(0, u)
	k.lapse(3 * time.Second)
	k.good(17, 0)
	k.scan("CMD REWORK WIPED", "Scan the unit's label first, then the rework code.")
	fail(18)
	for i := range 2 {
		k.scan("A18", "Put A18 into")
		k.scan("CMD REWORK WIPED", "Rework WIPED of A18 is on record")
		k.values[quantity.LeakageMax] = 0.3
		k.seat(0, newUnit("uA18", "A18"))
		k.lapse(time.Second)
		k.attend(0)
		delete(k.values, quantity.LeakageMax)
		k.lapse(0)
		if i == 1 {
			k.see("The unit failed again after 2 reworks. Put the unit on hold")
		}
		k.clearNest(0, newUnit("", ""))
		k.lapse(3 * time.Second)
	}
}

// walkStop are units 19 to 22: three fail the same way, and a lead lifts the stop.
func walkStop(k *walk, _ settings) {
	for n := 19; n <= 21; n++ {
		k.values[quantity.LeakageMax] = 0.3
		u := k.measured(n, 2)
		delete(k.values, quantity.LeakageMax)
		k.clearNest(2, u)
		k.lapse(3 * time.Second)
	}
	k.see("Nest-3: 3 units in a row failed the same way: dirty.", "stopped")
	k.scan("900003", "Type your six digits")
	k.scan("493716", "A PIN is typed by hand, never scanned.")
	k.typed("493717", "This PIN is wrong. Tries left: 4.")
	k.typed("12", "Type the six digits of the PIN")
	k.typed("493716", "The stop of nest-3 is lifted.", "-3 units in a row")
	k.good(22, 2)
}

// walkBoxes are units 23 to 34: a box is full.
func walkBoxes(k *walk, _ settings) {
	n := 23
	for ; k.machine.Snapshot().Box.Good < 19; n++ {
		k.good(n, n%3)
	}
	u := k.measured(n, 0)
	k.lapse(3 * time.Second)
	k.see("Box K-1: 20/20")
	k.clearNest(0, u)
	k.lapse(3 * time.Second)
	k.see("Box K-1 is full. Scan the number of the next box.")
	n++
	k.scan(walkLabel(n), "No box is open for good units.")
	k.scan("K-1", "Box K-1 is full. Scan the number of another box.")
	k.scan("K-2", "Box K-2 is open")
	for ; n <= 34; n++ {
		k.good(n, n%3)
	}
}

// walkRestart are units 35 to 38: the station is started anew in the middle.
func walkRestart(k *walk, s settings) {
	k.good(35, 0)
	before := k.glass.text()
	k.scan("A36", "Put A36 into")
	k.seat(1, newUnit("uA36", "A36"))
	k.lapse(time.Second)
	k.begin(s)
	k.see("Scan your badge to sign on.", "order ")
	k.scan("900001")
	k.enter("Scan the work order.", "= WO-7")
	k.enter("how many units", "/ 40")
	k.enter("The attempt of A36 in nest-2 was cut off")
	delete(k.units, 1)
	k.lapse(3 * time.Second)
	if after := k.glass.text(); after == "" || before == "" {
		k.t.Error("an empty frame")
	}
	k.see("box K-2:", "Scan the next label.")
	for n := 36; n <= 38; n++ {
		k.good(n, n%3)
	}
}

// walkOut are the last units, and the hand-over.
func walkOut(k *walk, _ settings) {
	k.good(39, 0)
	k.good(40, 1)
	k.good(2, 2) // whose label was replaced at first
	k.scan("CMD OFF", "Press Enter, then the next operator scans a badge.", "WO-7, 40 units", "WO-7: order 34/40, 6 to go", "Good units: 34 in this shift")
	for _, e := range k.log {
		if b, ok := e.Body.(*record.Boxed); ok && b.Box == "" {
			k.t.Errorf("a unit in no box: %+v", b)
		}
	}
}
