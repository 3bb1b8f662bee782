package station_test

import (
	"testing"

	"example.org/panecal/station"
)

// plant is a bug that is put in on purpose, between the machine and what it
// is connected with, to see that the simulation finds it.
type plant string

const (
	noBug        plant = ""
	dropSync     plant = "drop the sync"                  // a record is acknowledged before it is durable
	showFirst    plant = "show before record"             // a verdict is shown while its record is being made
	skipReadBack plant = "skip the read-back"             // what was written is taken for what is held
	forgetStop   plant = "forget stop"                    // emitters are not told to stop
	wrongNest    plant = "take a label in the wrong nest" // a unit that was seated first takes the open label
)

// misroute gives the open label to a nest that was not empty at the scan.
func (d *day) misroute(e station.Event) station.Event {
	f, ok := e.Fact.(station.Identified)
	if s := d.machine.Snapshot(); ok && f.Trouble == 0 && s.Label != "" && s.Nests[e.Nest].Step == station.Unlabelled {
		return station.Event{At: e.At, Nest: e.Nest, Fact: station.Scanned{Text: s.Label}}
	}
	return e
}

// TestSoakFindsPlantedBugs: each planted bug is found within a thousand
// attempts, by the promise that it breaks.
func TestSoakFindsPlantedBugs(t *testing.T) {
	for _, c := range []struct {
		bug     plant
		promise string
	}{{dropSync, "N"}, {showFirst, "S"}, {skipReadBack, "S"}, {forgetStop, "E"}, {wrongNest, "S"}} {
		t.Run(string(c.bug), func(t *testing.T) {
			sum := tally{struck: map[string]int{}}
			for seed := uint64(1); sum.attempts < 1000; seed++ {
				_, list := script(seed, soakDeeds)
				d := newDay(t, seed, c.bug)
				d.run(list)
				sum.add(d.watch.tally)
				if len(d.watch.broken) == 0 {
					continue
				}
				t.Logf("found after %d attempts: %s", sum.attempts, d.watch.broken[0])
				if d.watch.broken[0][:1] != c.promise {
					t.Errorf("want promise %s", c.promise)
				}
				return
			}
			t.Errorf("not found in %d attempts", sum.attempts)
		})
	}
}
