package history_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/panecal/cmd/panecal/history"
	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/station/papers"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// write makes a history of n attempts, the last k with photons.
func write(t *testing.T, n, k int, seed uint64) (dir string, s history.Summary, truth []byte) {
	t.Helper()
	dir = filepath.Join(t.TempDir(), "store")
	var out bytes.Buffer
	s, err := history.Write(t.Context(), history.Options{Store: dir, Station: "S1", Software: "test", Attempts: n, Captures: k, Days: 4, Seed: seed, Files: files(t), Truth: &out})
	if err != nil {
		t.Fatal(err)
	}
	return dir, s, out.Bytes()
}

// The same seed gives the same bytes, of the log, of what is derived, of the
// truth; another seed gives others.
func TestSameSeedSameBytes(t *testing.T) {
	a, _, ta := write(t, 120, 2, 5)
	b, _, tb := write(t, 120, 2, 5)
	c, _, tc := write(t, 120, 2, 6)
	for folder, least := range map[string]int{"store": 4, store.CheckpointFolder: 32, ".": 4} {
		read := func(dir, name string) []byte {
			data, err := os.ReadFile(filepath.Join(filepath.Dir(dir), folder, name))
			if err != nil && !errors.Is(err, os.ErrNotExist) {
				t.Error(err)
			}
			return data
		}
		entries, err := os.ReadDir(filepath.Join(filepath.Dir(a), folder))
		if err != nil || len(entries) < least {
			t.Fatal(entries, err)
		}
		for _, e := range entries {
			if e.IsDir() {
				continue
			}
			if x := read(a, e.Name()); len(x) == 0 || !bytes.Equal(x, read(b, e.Name())) || bytes.Equal(x, read(c, e.Name())) {
				t.Errorf("%s/%s is not the same, or the same for another seed", folder, e.Name())
			}
		}
	}
	if !bytes.Equal(ta, tb) || bytes.Equal(ta, tc) {
		t.Error("the truth is not the same, or the same for another seed")
	}
}

// Every attempt is what its limits say of its quantities; every record says
// simulated, follows the one before in time, and names files that are on
// record; labels are valid, blocks bear the witness of their intents.
func TestRecordsAreAStations(t *testing.T) {
	const n = 300
	dir, s, truth := write(t, n, 3, 1)
	report, err := store.Check(dir, store.CheckOptions{})
	if err != nil || len(report.Problems) > 0 {
		t.Fatal(report.Problems, err)
	}
	f, err := store.Follow(dir, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	byProduct := map[string]*limits.File{}
	catalogue := files(t)
	for _, c := range catalogue {
		byProduct[c.Product.Name] = c.Limits
	}
	taken, intents, kinds := map[string]bool{}, map[record.Ref]*record.WriteIntent{}, map[record.Kind]int{}
	var attempts, captured int
	last := time.Time{}
	err = f.Since(record.Ref{}, func(e record.Entry) error {
		kinds[e.Body.Kind()]++
		if !e.Simulated || e.Later || e.Time.Before(last) {
			t.Errorf("record %d: simulated %v, later %v, %v after %v", e.Ref.Sequence, e.Simulated, e.Later, e.Time, last)
		}
		last = e.Time
		switch b := e.Body.(type) {
		case *record.ReleaseTaken:
			taken[b.Revision.Rev] = true
		case *record.WriteIntent:
			intents[e.Ref] = b
		case *record.Attempt:
			attempts++
			if b.Wire.Requests > 0 && len(b.Captures) > 0 {
				captured++
			}
			agree(t, e, b, byProduct[b.Run.Product.Name])
			if !taken[b.Run.Limits.Rev] || !taken[b.Run.Product.Rev] || !taken[b.Run.Sheet.Rev] {
				t.Errorf("record %d: its files are not on record", e.Ref.Sequence)
			}
			bears(t, e, b, intents)
			label(t, catalogue, &b.Run)
		}
		return nil
	})
	if err != nil || attempts != n || captured != 3 || s.Attempts != n || s.Captures != 3 {
		t.Errorf("%d attempts, %d with captures, %+v, %v", attempts, captured, s, err)
	}
	if lines := bytes.Count(truth, []byte("\n")); lines != n {
		t.Errorf("%d lines of truth", lines)
	}
	for _, k := range []record.Kind{record.KindAttemptIntent, record.KindWriteIntent, record.KindDispositionChange, record.KindReworkDone, record.KindReleaseTaken, record.KindSignOn, record.KindShiftSettings, record.KindStop, record.KindStopLifted} {
		if kinds[k] == 0 {
			t.Errorf("no %v", k)
		}
	}
	for _, p := range []record.Purpose{record.Production, record.CheckUnit} {
		if s.Purposes[p] == 0 {
			t.Errorf("no attempts of %s", p)
		}
	}
	if s.Products["hopper-1"] == 0 || s.Outcomes[record.Failed] == 0 || s.Outcomes[record.Error] == 0 || s.Outcomes[record.Passed] < n/2 {
		t.Errorf("%+v", s)
	}
}

// agree judges an attempt again.
func agree(t *testing.T, e record.Entry, a *record.Attempt, f *limits.File) {
	t.Helper()
	j := f.Judge(a.Set())
	switch a.Outcome {
	case record.Passed, record.Failed:
		if a.Judgement.SoftName == limits.NoAnswer {
			return
		}
		if j.Passed != (a.Outcome == record.Passed) || j.SoftBin != a.Judgement.SoftBin || record.Disposition(j.Disposition) != a.Judgement.Disposition || len(j.Lines) != len(a.Judgement.Lines) {
			t.Errorf("record %d: %s %s, judged again %v %s", e.Ref.Sequence, a.Outcome, a.Judgement.SoftName, j.Passed, j.SoftName)
		}
	case record.Error, record.Aborted:
		if a.Judgement.Disposition != record.Hold {
			t.Errorf("record %d: %s and not held", e.Ref.Sequence, a.Outcome)
		}
	}
	// As the row of columns, too: where both know.
	row, err := a.Set().Row()
	if err != nil {
		t.Fatal(err)
	}
	if b, known := f.JudgeRow(row); known && b.Number != j.SoftBin {
		t.Errorf("record %d: the row gives bin %d, the record %d", e.Ref.Sequence, b.Number, j.SoftBin)
	}
}

// bears holds what was written against the intent.
func bears(t *testing.T, e record.Entry, a *record.Attempt, intents map[record.Ref]*record.WriteIntent) {
	t.Helper()
	if (a.WriteIntent == nil) != (a.Constants == nil) || a.Outcome == record.Passed && a.Run.Purpose == record.Production && a.Constants == nil {
		t.Errorf("record %d: %s with intent %v", e.Ref.Sequence, a.Outcome, a.WriteIntent)
	}
	if a.Constants == nil {
		return
	}
	b, err := protocol.ParseBlock(a.Constants.Written)
	if err != nil {
		t.Fatal(err)
	}
	body, err := b.Body()
	w, ref := intents[*a.WriteIntent], a.WriteIntent
	if err != nil || w == nil || w.Attempt != *a.Intent || !bytes.Equal(w.Body, body) || b.Witness.Sequence != ref.Sequence || b.Witness.Intent != [16]byte(ref.Hash[:16]) || b.Serial != a.Run.Serial {
		t.Errorf("record %d: the block does not bear its intent: %+v, %v", e.Ref.Sequence, b.Witness, err)
	}
}

func label(t *testing.T, c papers.Catalogue, r *record.Run) {
	t.Helper()
	f, l, err := c.Read(r.Label)
	if err != nil || f == nil || f.Product.Name != r.Product.Name || l.Serial != r.Serial {
		t.Errorf("label %s of %s: %v", r.Label, r.Product.Name, err)
	}
}

// The truth is what the numbers scatter about: in units of u, without the
// nest's own error, their mean square is 1.
func TestTruth(t *testing.T) {
	dir, _, truth := write(t, 300, 0, 3)
	f, err := store.Follow(dir, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	type line struct {
		Sequence uint64
		Causes   []history.Cause
		NestMM   float64 `json:"nest_error_mm"`
		True     map[quantity.Name]struct{ Value, High, Low float64 }
	}
	is := map[uint64]line{}
	for s := bufio.NewScanner(bytes.NewReader(truth)); s.Scan(); {
		var l line
		if err := json.Unmarshal(s.Bytes(), &l); err != nil {
			t.Fatal(err)
		}
		is[l.Sequence] = l
	}
	sum, n := map[quantity.Name]float64{}, map[quantity.Name]float64{}
	err = f.Attempts(store.Filter{}, store.AllQuantities(), func(r *store.Row) error {
		l, ok := is[r.Sequence]
		if !ok {
			t.Errorf("nothing is true of record %d", r.Sequence)
		}
		if slices.Contains(l.Causes, history.NotSeated) {
			return nil
		}
		for _, name := range []quantity.Name{quantity.OffsetMean, quantity.PulseWidth, quantity.LeakageTotal, quantity.Temperature, quantity.OffsetSpread} {
			d, _ := quantity.Lookup(name)
			v, u := r.Quantities[d.Column], r.Quantities[d.Column+1]
			if math.IsNaN(v) {
				continue
			}
			off := v - l.True[name].Value
			if name == quantity.OffsetMean {
				off -= l.NestMM
				u = map[string]float64{"hopper-54": 0.38, "hopper-1": 0.84}[r.Product]
			}
			sum[name] += off / u * off / u
			n[name]++
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for name := range sum {
		// A chi-square over n has the standard deviation √(2/n); five of them.
		if got := sum[name] / n[name]; math.Abs(got-1) > 5*math.Sqrt(2/n[name]) || n[name] < 200 {
			t.Errorf("%s: mean square %.3f of %g", name, got, n[name])
		}
	}
}

// What was ended leaves no store.
func TestEnded(t *testing.T) {
	ctx, end := context.WithCancelCause(t.Context())
	end(errors.New("enough"))
	parent := t.TempDir()
	_, err := history.Write(ctx, history.Options{Store: filepath.Join(parent, "store"), Station: "S1", Attempts: 10, Files: files(t)})
	left, _ := os.ReadDir(parent)
	if err == nil || !strings.Contains(err.Error(), "enough") || len(left) > 0 {
		t.Errorf("%v, %v", err, left)
	}
}
