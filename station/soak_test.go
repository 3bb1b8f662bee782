package station_test

import (
	"fmt"
	"maps"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"example.org/panecal/station/internal/shrink"
	"example.org/panecal/testdata/figures"
)

// soakDeeds is the length of a simulated day.
const soakDeeds = 300

// soakFrom is the first seed of a run.
const soakFrom = 1

// TestSoak simulates days until so many attempts have been made: some
// hundred, or PANECAL_SOAK of them. PANECAL_SOAK_SEED plays one day alone,
// PANECAL_SOAK_KEEP only those of its deeds.
func TestSoak(t *testing.T) {
	if text := os.Getenv("PANECAL_SOAK_SEED"); text != "" {
		replay(t, text)
		return
	}
	want := 600
	if text := os.Getenv("PANECAL_SOAK"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil {
			t.Fatal(err)
		}
		want = n
	}
	began := time.Now()
	sum := tally{struck: map[string]int{}}
	var mu sync.Mutex
	var seed atomic.Uint64
	seed.Store(soakFrom - 1)
	var all sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		all.Go(func() {
			for {
				mu.Lock()
				enough := sum.attempts >= want || t.Failed()
				mu.Unlock()
				if enough {
					return
				}
				n := seed.Add(1)
				_, list := script(n, soakDeeds)
				d := newDay(t, n, noBug)
				d.run(list)
				mu.Lock()
				sum.add(d.watch.tally)
				if len(d.watch.broken) > 0 && !t.Failed() {
					t.Error(explain(t, n, list, d.watch.broken[0]))
				}
				mu.Unlock()
			}
		})
	}
	all.Wait()
	took := time.Since(began)
	t.Logf("seeds %d to %d, %d days: %d attempts, %d verdicts, %d released, %d restarts, %d events, %d faults struck; %.0f attempts a minute",
		soakFrom, seed.Load(), sum.days, sum.attempts, sum.verdicts, sum.released, sum.deaths, sum.events, sum.faults(), float64(sum.attempts)/took.Minutes())
	if testing.Verbose() {
		t.Log(sum.list())
	}
	figures.Tell(t, "soak.attempts", sum.attempts, "attempts", fmt.Sprintf(">=%d", want), sum.attempts >= want)
	figures.Kept(t, "soak")
	if sum.released*4 < sum.attempts || sum.boxed == 0 || len(sum.struck) < 40 {
		t.Errorf("%d of %d attempts released, %d units put into boxes, %d kinds of faults: the days try nothing",
			sum.released, sum.attempts, sum.boxed, len(sum.struck))
	}
}

func (t *tally) faults() (n int) {
	for _, k := range t.struck {
		n += k
	}
	return n
}

func (t *tally) list() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d kinds of faults struck:", len(t.struck))
	for _, k := range slices.Sorted(maps.Keys(t.struck)) {
		fmt.Fprintf(&b, " %s %d;", k, t.struck[k])
	}
	return b.String()
}

// explain shortens the script of a day that broke a promise and says how to
// play it again.
func explain(t *testing.T, seed uint64, list []deed, what string) string {
	promise, last := what[:1], what
	short := shrink.Places(len(list), 2000, func(some []int) bool {
		d := newDay(t, seed, noBug)
		d.run(keep(list, some))
		broken := len(d.watch.broken) > 0 && d.watch.broken[0][:1] == promise
		if broken {
			last = d.watch.broken[0]
		}
		return broken
	})
	var b strings.Builder
	fmt.Fprintf(&b, "seed %d breaks a promise: %s\n%d of its %d deeds suffice: %s\n", seed, what, len(short), len(list), last)
	at := time.Duration(0)
	for i, x := range keep(list, short) {
		if at += x.wait; x.what != "" {
			fmt.Fprintf(&b, "  %4d  at %v: %s (%d, %d, %d)\n", i, at, x.what, x.a, x.b, x.c)
		}
	}
	fmt.Fprintf(&b, "play it again: PANECAL_SOAK_SEED=%d PANECAL_SOAK_KEEP=%s go test -run 'TestSoak$' -v ./station", seed, commaList(short))
	return b.String()
}

// replay plays one day and tells every event.
func replay(t *testing.T, text string) {
	seed, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	m, list := script(seed, soakDeeds)
	if text, ok := os.LookupEnv("PANECAL_SOAK_KEEP"); ok {
		var places []int
		for _, p := range strings.Split(text, ",") {
			i, err := strconv.Atoi(p)
			if err != nil {
				t.Fatal(err)
			}
			places = append(places, i)
		}
		list = keep(list, places)
	}
	d := newDay(t, seed, noBug)
	t.Logf("mood %s, %d nests, tie %s, light group %q, reject scan %v, fixture %v, gate %v", m.name, d.set.nests, d.set.tie, d.set.one, d.set.reject, d.set.fixture, d.set.gate)
	d.trace = t.Logf
	d.run(list)
	for _, b := range d.watch.broken {
		t.Error(b)
	}
}
