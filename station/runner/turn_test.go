package runner_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station/internal/shrink"
	"example.org/panecal/store"
	"example.org/panecal/testdata/figures"
)

// turn is one unit's way through the station.
type turn struct {
	nest   int
	n      int // number of the unit
	wrong  bool
	fault  simunit.Fault
	hurt   []hurt
	inward bool
	people string // what a person does in the middle of it
	at     time.Duration
	after  string // what becomes of the program afterwards
}

func (x turn) String() string {
	text := fmt.Sprintf("unit %d into nest %d", x.n, x.nest+1)
	if x.wrong {
		text += ", with another's label"
	}
	if x.fault.Kind != "" {
		text += fmt.Sprintf(", %s at %v after %d", x.fault.Kind, x.fault.Op, x.fault.After)
	}
	if len(x.hurt) > 0 {
		text += fmt.Sprintf(", line hurt (inward %v) %+v", x.inward, x.hurt)
	}
	if x.people != "" {
		text += fmt.Sprintf(", %s after %v", x.people, x.at)
	}
	if x.after != "" {
		text += ", then " + x.after
	}
	return text
}

const stackNests = 2

// turns draws a day.
func turns(seed uint64) (list []turn) {
	r := rand.New(rand.NewPCG(seed, 0x57ac4))
	kinds := []simunit.FaultKind{simunit.FaultSilence, simunit.FaultReset, simunit.FaultFlip, simunit.FaultLose, simunit.FaultDeaf, simunit.FaultRepeat,
		simunit.FaultLate, simunit.FaultNoise, simunit.FaultBusy, simunit.FaultTornCommit}
	for i := range 12 {
		x := turn{nest: r.IntN(stackNests), n: i + 1, wrong: r.IntN(15) == 0, at: time.Duration(r.IntN(4000)) * time.Millisecond}
		if r.IntN(3) == 0 && i > 0 {
			x.n = 1 + r.IntN(i) // one that ran before
		}
		if r.IntN(3) == 0 {
			x.fault = simunit.Fault{Kind: kinds[r.IntN(len(kinds))], Op: protocol.Op(r.IntN(13)), After: r.IntN(12), Times: 1 + r.IntN(4),
				Time: time.Duration(r.IntN(3000)) * time.Millisecond}
		}
		if x.inward = r.IntN(4) > 0; r.IntN(3) == 0 {
			for range 1 + r.IntN(3) {
				x.hurt = append(x.hurt, hurt{r.IntN(6000), hurts[r.IntN(len(hurts))], r.IntN(40)})
			}
		}
		if r.IntN(4) == 0 {
			x.people = []string{"taken out", "replaced", "reseated", "skip", "go", "scan another", "cable", "reset", "computer sleeps"}[r.IntN(9)]
		}
		if r.IntN(5) == 0 {
			x.after = []string{"terminated", "killed in the middle", "terminated in the middle"}[r.IntN(3)]
		}
		list = append(list, x)
	}
	return list
}

// stackTally counts what was tried.
type stackTally struct{ verdicts, released, records, hurt int }

// stackDay plays turns and returns what it counted and what was broken.
func stackDay(t *testing.T, seed uint64, list []turn, dir string) (sum stackTally, broken []string) {
	synctest.Test(t, func(t *testing.T) {
		s := &stack{t: t, seed: seed, dir: dir, units: map[int]*specimen{}}
		for i := range s.sockets {
			s.sockets[i] = &socket{}
		}
		if err := store.Create(dir, store.Options{Station: "cal-1", Now: s.now}); err != nil {
			t.Fatal(err)
		}
		if s.begin() {
			for _, x := range list {
				if s.play(x); len(s.failures()) > 0 {
					break
				}
			}
			s.end(false)
		}
		for _, k := range s.sockets {
			k.close()
		}
		r, err := store.Check(dir, store.CheckOptions{Deep: true})
		if err != nil || len(r.Problems) > 0 {
			s.broke("N: the log does not check: %v %v", r.Problems, err)
		}
		sum.verdicts, sum.released, sum.records = len(s.verdicts), s.released, len(s.acked)
		for _, w := range s.lines {
			sum.hurt += w.hits
		}
		broken = s.failures()
	})
	return sum, broken
}

// TestSoakStack plays days of the whole stack: two, or one for every 200 of
// PANECAL_SOAK. PANECAL_SOAK_STACK plays one alone.
func TestSoakStack(t *testing.T) {
	days, first := 2, uint64(1)
	if text := os.Getenv("PANECAL_SOAK"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil {
			t.Fatal(err)
		}
		days = max(1, n/200)
	}
	if text := os.Getenv("PANECAL_SOAK_STACK"); text != "" {
		n, err := strconv.ParseUint(text, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		days, first = 1, n
	}
	var sum stackTally
	base, began := t.TempDir(), time.Now()
	for seed := first; seed < first+uint64(days); seed++ {
		list := turns(seed)
		dir := filepath.Join(base, fmt.Sprint(seed))
		one, broken := stackDay(t, seed, list, dir)
		os.RemoveAll(dir)
		sum.verdicts, sum.released = sum.verdicts+one.verdicts, sum.released+one.released
		sum.records, sum.hurt = sum.records+one.records, sum.hurt+one.hurt
		if len(broken) == 0 {
			continue
		}
		tries := 0
		short := shrink.Places(len(list), 60, func(some []int) bool {
			tries++
			dir := filepath.Join(base, fmt.Sprint("again", tries))
			defer os.RemoveAll(dir)
			var part []turn
			for _, i := range some {
				part = append(part, list[i])
			}
			_, b := stackDay(t, seed, part, dir)
			return len(b) > 0 && b[0][:1] == broken[0][:1]
		})
		var b strings.Builder
		for _, i := range short {
			fmt.Fprintf(&b, "  %2d  %v\n", i, list[i])
		}
		t.Fatalf("seed %d breaks a promise: %s\n%d of its %d turns suffice:\n%splay it again: PANECAL_SOAK_STACK=%d go test -run TestSoakStack -v ./station/runner",
			seed, broken[0], len(short), len(list), b.String(), seed)
	}
	t.Logf("seeds %d to %d: %d verdicts, %d released, %d records, %d bytes hurt on lines, in %v; 0 violations", first, first+uint64(days)-1, sum.verdicts, sum.released, sum.records, sum.hurt, time.Since(began).Round(time.Millisecond))
	figures.Tell(t, "soak.stack.days", days, "days", fmt.Sprintf(">=%d", days), true)
	figures.Kept(t, "soak.stack")
	if sum.released < days || sum.verdicts < 3*days {
		t.Errorf("%d verdicts, %d released in %d days: the days try nothing", sum.verdicts, sum.released, days)
	}
}
