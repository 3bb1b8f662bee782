//go:build linux

package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/plant"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/batch"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
	"example.org/panecal/testdata/figures"
)

// TestKilledStation kills the real program on real pseudo-terminals, with no
// chance to clean up, at moments of which half are soon after a verdict was
// printed. Every verdict that was printed is in the log under its number, the
// log is whole, and the next process gets the store at once.
// PANECAL_CRASH=full kills 600 times.
func TestKilledStation(t *testing.T) {
	kills, seed := 6, uint64(1)
	if os.Getenv("PANECAL_CRASH") == "full" {
		kills = 600
	}
	k := newKiller(t, seed)
	for k.early+k.late < kills {
		// As many after a verdict as before, the greater half after.
		k.kill(k.late <= k.early)
	}
	t.Logf("%d kills, seed %d: %d after a printed verdict, %d at any moment; %d verdicts printed, all on record; %d runs had ended before",
		k.early+k.late, seed, k.late, k.early, k.verdicts, k.missed)
	figures.Tell(t, "crash.kills", k.early+k.late, "kills", fmt.Sprintf(">=%d", kills), k.early+k.late >= kills)
	figures.Tell(t, "crash.verdicts", k.verdicts, "verdicts", fmt.Sprintf(">=%d", k.late), k.verdicts >= k.late)
}

// killer runs a station again and again and kills it.
type killer struct {
	t       *testing.T
	rng     *rand.Rand
	program string
	data    string
	env     []string
	whole   time.Duration // that a run takes if it is let be
	next    int           // number of the next unit

	early, late, missed, verdicts int
}

func newKiller(t *testing.T, seed uint64) *killer {
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	home := t.TempDir()
	k := &killer{t: t, rng: rand.New(rand.NewPCG(seed, 2)), program: filepath.Join(t.TempDir(), "panecal"), data: filepath.Join(home, "d"), whole: 2 * time.Second,
		env: append(os.Environ(), "TMPDIR="+home, "XDG_CONFIG_HOME="+home, "XDG_DATA_HOME="+home, "XDG_STATE_HOME="+home, "XDG_CACHE_HOME="+home)}
	// The test binary is the program when it is called so; see TestMain.
	if err := os.Symlink(self, k.program); err != nil {
		t.Fatal(err)
	}
	if out, err := k.command("init").CombinedOutput(); err != nil {
		t.Fatalf("init: %v\n%s", err, out)
	}
	return k
}

func (k *killer) command(args ...string) *exec.Cmd {
	c := exec.Command(k.program, append([]string{"--data", k.data}, args...)...)
	c.Env = k.env
	return c
}

// units puts fresh units on lines of their own, with exposures and hands as
// fast as can be, and returns the list of them.
func (k *killer) units(ctx context.Context, n int) []byte {
	var list bytes.Buffer
	for range n {
		u, err := plant.NewUnit("hopper-1", k.next, uint64(k.next), simunit.Options{Speed: 1e6, Hands: simunit.UsualHands(time.Millisecond, plant.TargetMM, plant.Reflectance)})
		if err != nil {
			k.t.Fatal(err)
		}
		k.next++
		port, err := simunit.ServePTY(ctx, u)
		if err != nil {
			k.t.Fatal(err)
		}
		if err := cli.PrintLine(&list, batch.Pair{Port: port, Label: u.Serial()}); err != nil {
			k.t.Fatal(err)
		}
	}
	return list.Bytes()
}

// kill runs some units and kills the station: after its first verdict, or at
// any moment.
func (k *killer) kill(afterVerdict bool) {
	k.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	c := k.command("run", "--list", "-")
	c.Stdin = bytes.NewReader(k.units(ctx, 3))
	var talk bytes.Buffer
	c.Stderr = &talk
	out, err := c.StdoutPipe()
	if err != nil {
		k.t.Fatal(err)
	}
	begun := time.Now()
	if err := c.Start(); err != nil {
		k.t.Fatal(err)
	}
	lines := bufio.NewReader(out)
	var printed []station.Verdict
	wait := time.Duration(k.rng.Int64N(int64(k.whole)))
	if afterVerdict {
		// The station first shows again what a killed one may not have shown.
		for again := true; again; {
			v := k.read(lines)
			printed = append(printed, v...)
			again = v != nil && v[0].Again
		}
		wait = time.Duration(k.rng.Int64N(int64(k.whole / 4)))
	}
	// This is the random moment, not a wait for anything.
	timer := time.NewTimer(wait)
	ended := make(chan []station.Verdict, 1)
	go func() {
		var all []station.Verdict
		for {
			v := k.read(lines)
			if v == nil {
				ended <- all
				return
			}
			all = append(all, v...)
		}
	}()
	select {
	case <-timer.C:
		_ = c.Process.Kill() // it may have ended meanwhile
		printed = append(printed, <-ended...)
	case rest := <-ended:
		printed = append(printed, rest...)
	}
	err = c.Wait()
	var exit *exec.ExitError
	switch {
	case errors.As(err, &exit) && exit.ExitCode() == -1:
		if afterVerdict {
			k.late++
		} else {
			k.early++
		}
	case err == nil || exit != nil && exit.ExitCode() == cli.ExitFailed: // a unit may fail
		k.missed++
		k.whole = min(k.whole, time.Since(begun))
	default:
		k.t.Fatalf("the station ended by itself: %v\n%s", err, talk.Bytes())
	}
	k.prove(printed)
}

// read returns the next verdict, none where the output ends. Half a line was
// not shown to anybody.
func (k *killer) read(r *bufio.Reader) []station.Verdict {
	line, err := r.ReadBytes('\n')
	if errors.Is(err, io.EOF) || errors.Is(err, os.ErrClosed) {
		return nil
	}
	var v station.Verdict
	if err == nil {
		err = json.Unmarshal(line, &v)
	}
	if err != nil {
		k.t.Errorf("output %q: %v", line, err)
	}
	return []station.Verdict{v}
}

// prove holds the log against what was printed.
func (k *killer) prove(printed []station.Verdict) {
	k.t.Helper()
	folder := filepath.Join(k.data, "store")
	s, err := store.Open(folder, store.Options{Command: "the test"})
	if err != nil {
		k.t.Fatalf("after a kill: %v", err)
	}
	for _, v := range printed {
		k.verdicts++
		list, err := s.BySerial(v.Serial)
		if err != nil {
			k.t.Fatal(err)
		}
		if err := onRecord(list, v); err != nil {
			k.t.Errorf("%s: printed %+v: %v", v.Serial, v, err)
		}
	}
	if err := s.Close(); err != nil {
		k.t.Fatal(err)
	}
	r, err := store.Check(folder, store.CheckOptions{Deep: true})
	if err != nil {
		k.t.Fatal(err)
	}
	if len(r.Problems) > 0 {
		k.t.Fatalf("after a kill: %v", r.Problems)
	}
}

// onRecord says how the records of a unit differ from a verdict on it.
func onRecord(list []record.Entry, v station.Verdict) error {
	for _, e := range list {
		if e.Ref.Sequence != v.Sequence {
			continue
		}
		a, ok := e.Body.(*record.Attempt)
		switch {
		case !ok:
			return fmt.Errorf("record %d is of kind %v", v.Sequence, e.Body.Kind())
		case a.Outcome != v.Outcome || a.Judgement.SoftBin != v.SoftBin || a.Run.UnitID != v.UnitID:
			return fmt.Errorf("record %d says %s, bin %d, unit %s", v.Sequence, a.Outcome, a.Judgement.SoftBin, a.Run.UnitID)
		case v.Released() && (a.Constants == nil || !bytes.Equal(a.Constants.Written, a.Constants.ReadBack)):
			return fmt.Errorf("record %d releases a unit whose constants were not read back", v.Sequence)
		}
		return nil
	}
	return fmt.Errorf("none of its %d records has that number", len(list))
}
