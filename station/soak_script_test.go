package station_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"time"
)

// A simulated day is a script: deeds of people and faults of things, drawn
// beforehand from one number and nothing else. What a deed chooses from (a
// nest, a unit, a byte) is settled by its own numbers when it is done, so that
// any deed may be left out and the rest still makes a day. That is how a
// script that breaks a promise is made short.

// deed is one thing that happens.
type deed struct {
	what    string
	a, b, c int
	wait    time.Duration // before it
}

func (d deed) String() string {
	return fmt.Sprintf("after %v: %s (%d, %d, %d)", d.wait, d.what, d.a, d.b, d.c)
}

// mood is how often what goes wrong on a day, of a thousand deeds each.
type mood struct {
	name                               string
	people, line, unit, store, program int
}

func moods() []mood {
	return []mood{
		{"quiet", 0, 0, 0, 0, 0},
		{"clumsy people", 200, 0, 0, 0, 5},
		{"bad line", 20, 200, 20, 0, 5},
		{"bad units", 20, 30, 200, 0, 5},
		{"bad store", 10, 10, 10, 150, 10},
		{"bad computer", 20, 20, 10, 30, 120},
		{"all at once", 100, 100, 60, 40, 30},
	}
}

// deedsOf lists what can go wrong, by whose fault.
var deedsOf = map[string][]string{
	"people": {"scan another label", "scan twice", "scan junk", "scan a nest's label", "name a nest", "seat it elsewhere",
		"exchange units of two nests", "replace the unit in a nest", "take a unit out", "reseat", "hand in the field",
		"press go", "press skip", "swap labels of two units", "wrong box", "walk away", "seat without a scan"},
	"line":    {"job fails", "job fails", "job fails", "cable", "cable back", "slow line"},
	"unit":    {"unit resets", "unit falls silent", "torn commit", "half-written block", "commit that lies", "mark that does not stay", "stop not heard", "stray light", "unit of another product"},
	"store":   {"append fails", "append fails for good", "append fails after writing", "append fails for ever", "space is back", "slow disk"},
	"program": {"power cut", "kill", "close and start", "computer sleeps", "nest's server fails", "new files", "clock a year ahead"},
}

// script draws a day. The same number gives the same script.
func script(seed uint64, deeds int) (mood, []deed) {
	r := rand.New(rand.NewPCG(seed, 0x5ca1e))
	all := moods()
	m := all[r.IntN(len(all))]
	var list []deed
	for range deeds {
		d := deed{what: "follow", a: r.IntN(1 << 16), b: r.IntN(1 << 16), c: r.IntN(1 << 16),
			wait: time.Duration(50+r.IntN(700)) * time.Millisecond}
		draw := r.IntN(1000)
		for _, part := range []struct {
			whose string
			share int
		}{{"people", m.people}, {"line", m.line}, {"unit", m.unit}, {"store", m.store}, {"program", m.program}} {
			if draw < part.share {
				names := deedsOf[part.whose]
				d.what = names[r.IntN(len(names))]
				break
			}
			draw -= part.share
		}
		list = append(list, d)
	}
	return m, list
}

// keep leaves a script with the deeds at these places; the time of the others
// passes all the same.
func keep(all []deed, places []int) []deed {
	some := slices.Clone(all)
	for i := range some {
		if _, kept := slices.BinarySearch(places, i); !kept {
			some[i].what = ""
		}
	}
	for len(some) > 0 && some[len(some)-1].what == "" {
		some = some[:len(some)-1]
	}
	return some
}

func commaList(places []int) string {
	return strings.Trim(strings.ReplaceAll(fmt.Sprint(places), " ", ","), "[]")
}
