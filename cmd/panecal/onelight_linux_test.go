package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"sync"
	"testing"
	"time"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/plant"
	"example.org/panecal/protocol/simunit"
)

// lights are when the emitters of several units fired, each by its unit's own
// clock.
type lights struct {
	mu  sync.Mutex
	all []lit
}

type lit struct {
	unit     string
	from, to time.Time
}

func (l *lights) watch(u *simunit.Unit) {
	serial := u.Serial()
	u.OnDark(func(from, to time.Time) {
		l.mu.Lock()
		defer l.mu.Unlock()
		l.all = append(l.all, lit{serial, from, to})
	})
}

// await waits until a unit has fired.
func (l *lights) await(t *testing.T, unit string) {
	t.Helper()
	for range 600 {
		l.mu.Lock()
		fired := slices.ContainsFunc(l.all, func(x lit) bool { return x.unit == unit })
		l.mu.Unlock()
		if fired {
			return
		}
		time.Sleep(100 * time.Millisecond)
	}
	t.Fatalf("%s never fired", unit)
}

// measured counts the units that fired for two measurements or more.
func (l *lights) measured() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	long := map[string]int{}
	for _, x := range l.all {
		if x.to.Sub(x.from) > 80*time.Millisecond { // a look takes a tenth of that
			long[x.unit]++
		}
	}
	n := 0
	for _, k := range long {
		if k >= 2 {
			n++
		}
	}
	return n
}

// hold asserts that no two units ever fired together, although their attempts
// went on side by side.
func (l *lights) hold(t *testing.T, units int) {
	t.Helper()
	if n := l.measured(); n < units {
		t.Errorf("%d of %d units fired for two measurements", n, units)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	slices.SortFunc(l.all, func(a, b lit) int { return a.from.Compare(b.from) })
	overlaps, turns := 0, 0
	for i, x := range l.all[1:] {
		last := l.all[i]
		if x.unit != last.unit {
			turns++
			if x.from.Before(last.to) {
				overlaps++
				t.Errorf("%s fires from %v, %s until %v after that", x.unit, x.from.Format("05.000"), last.unit, last.to.Sub(x.from))
			}
		}
	}
	// One unit after the other would be two turns.
	if turns < 2*units {
		t.Errorf("the units took %d turns: they did not work side by side", turns)
	}
	t.Logf("%d times light of %d units, %d turns, %d overlaps", len(l.all), units, turns, overlaps)
}

// TestOneLight: the nests of one light group never emit together, in run, demo
// and shift.
func TestOneLight(t *testing.T) {
	const nests = 3
	all := func(t *testing.T) {
		if os.Getenv("PANECAL_FULL") == "" {
			t.Skip("eight seconds of light and hands; make everywhere does it")
		}
	}
	t.Run("demo", func(t *testing.T) {
		all(t)
		t.Setenv("TMPDIR", t.TempDir())
		c := newDemo()
		c.SetContext(t.Context())
		var out bytes.Buffer
		c.SetOut(&out)
		c.SetErr(&out)
		d, err := newDemonstration(c)
		if err != nil {
			t.Fatal(err)
		}
		oneGroup(t, d)
		d.Acts = d.Acts[:nests]
		var l lights
		for _, a := range d.Acts {
			l.watch(a.Unit)
		}
		if err := d.batch(c); err != nil {
			t.Fatalf("%v\n%s", err, out.String())
		}
		l.hold(t, nests)
	})
	t.Run("run", func(t *testing.T) {
		folder := t.TempDir()
		if _, err := initStation(place{data: folder}, "cal-1", ""); err != nil {
			t.Fatal(err)
		}
		grace(t, folder)
		var l lights
		var list bytes.Buffer
		for i := range nests {
			u, err := plant.NewUnit("hopper-54", i, 300+uint64(i), simunit.Options{Hands: plant.PatientHands()})
			if err != nil {
				t.Fatal(err)
			}
			l.watch(u)
			port, err := simunit.ServePTY(t.Context(), u)
			if err != nil {
				t.Fatal(err)
			}
			line, _ := json.Marshal(map[string]string{"port": port, "label": u.Serial()})
			fmt.Fprintf(&list, "%s\n", line)
		}
		file := filepath.Join(folder, "units.jsonl")
		if err := os.WriteFile(file, list.Bytes(), 0o640); err != nil {
			t.Fatal(err)
		}
		x := startTerminal(t, "--data", folder, "run", "--list", file)
		if code := x.end(); code != cli.ExitDone {
			t.Fatalf("exit code %d", code)
		}
		l.hold(t, nests)
	})
	t.Run("shift", func(t *testing.T) {
		all(t)
		d := demoPlant(t, "")
		oneGroup(t, d)
		var l lights
		for _, a := range d.Acts[:nests] {
			l.watch(a.Unit)
		}
		x := startTerminal(t, "--data", d.folder, "shift", "--operator", "op-1")
		x.wait("Scan the next label")
		for i, a := range d.Acts[:nests] {
			x.enter(a.Unit.Serial() + "\r")
			x.wait("Put " + a.Unit.Serial())
			d.Seat(i, a.Unit.Serial())
			l.await(t, a.Unit.Serial())
		}
		for range 600 {
			if l.measured() == nests {
				break
			}
			time.Sleep(100 * time.Millisecond)
		}
		x.press("\x11")
		x.press("\x11")
		x.end()
		l.hold(t, nests)
	})
}

// oneGroup takes the baffles between the demonstration's nests away.
func oneGroup(t *testing.T, d *demonstration) {
	t.Helper()
	path := filepath.Join(d.folder, "station.sheet.toml")
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, regexp.MustCompile(`"baffle \d"`).ReplaceAll(text, []byte(`"bench"`)), 0o640); err != nil {
		t.Fatal(err)
	}
	if d.files, err = d.config.catalogue(); err != nil {
		t.Fatal(err)
	}
}

// grace lets units and station share a computer that may be busy.
func grace(t *testing.T, folder string) {
	t.Helper()
	path := filepath.Join(folder, "panecal.toml")
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, append([]byte("grace_ms = 5000\n"), text...), 0o640); err != nil {
		t.Fatal(err)
	}
}
