package query_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store"
	"example.org/panecal/store/query"
	"example.org/panecal/store/record"
)

var update = flag.Bool("update", false, "write the golden files anew")

// source holds entries as a log would give them.
type source []record.Entry

func (s source) BySerial(serial string) (list []record.Entry, _ error) {
	for _, e := range s {
		if e.Body.Subject().Serial == serial {
			list = append(list, e)
		}
	}
	return list, nil
}

func (s source) ByUnitID(id string) (list []record.Entry, _ error) {
	for _, e := range s {
		if e.Body.Subject().UnitID == id {
			list = append(list, e)
		}
	}
	return list, nil
}

func (s *source) add(t *testing.T, b record.Body) record.Ref {
	t.Helper()
	n := uint64(len(*s) + 1)
	e := record.Entry{Ref: record.Ref{Station: "pane-1", Generation: 1, Sequence: n}, Time: time.Date(2026, 3, 2, 6, 0, int(n), 0, time.UTC), Body: b}
	if n > 1 {
		e.Previous = (*s)[n-2].Ref.Hash
	}
	data, ref, err := record.Encode(e)
	if err != nil {
		t.Fatal(err)
	}
	if e, err = record.Decode(data); err != nil {
		t.Fatal(err)
	}
	*s = append(*s, e)
	return ref
}

func history(t *testing.T) source {
	run := record.Run{
		Serial: "H54-000123", Label: "H54-000123-7", LabelConfirmed: true, LabelTie: "unit", UnitID: "u-9f", Nest: "A",
		Purpose: record.Production, AttemptNo: 1, Operator: "op-7", Software: "panecal 0.1", WorkOrder: "WO-12", Lot: "L1", WindowLot: "win-1", GasketLot: "gas-1",
		Product: record.Revision{Name: "hopper-54", Rev: "aa11", Signed: true}, Limits: record.Revision{Name: "hopper-54", Rev: "bb22"},
		Identity: record.Identity{Firmware: "1.2.0", ProtocolLow: 1, ProtocolHigh: 1},
		Target:   record.Target{Fixture: "f1", DistanceMM: 200, DistanceUMM: 0.15, Reflectance: 0.5, Certificate: "c-9", Due: "2026-09-01"},
	}
	set := quantity.Set{}
	set.Put(quantity.OffsetMean, 1.25, 0.2)
	set.Put(quantity.Temperature, math.NaN(), math.NaN())
	set[quantity.LeakageMax] = quantity.Worst([]quantity.Value{{V: 0.01, U: 0.001}, {V: math.NaN(), U: math.NaN()}, {V: 0.02, U: 0.0015}})
	q, err := record.Quantities(set)
	if err != nil {
		t.Fatal(err)
	}
	block := []byte{1, 2, 3}
	var s source
	intent := s.add(t, &record.AttemptIntent{Run: run})
	write := s.add(t, &record.WriteIntent{Attempt: intent, Serial: run.Serial, UnitID: run.UnitID, Body: block, BodyHash: record.HashOf(block)})
	first := s.add(t, &record.Attempt{
		Run: run, Intent: &intent, WriteIntent: &write, Outcome: record.Failed,
		Problems: []record.Problem{{Code: "leakage", Step: "judge", Chain: "judging: above its limit", Time: time.Date(2026, 3, 2, 6, 0, 2, 0, time.UTC)}},
		Judgement: record.Judgement{SoftBin: 31, SoftName: "leakage high", Code: "leakage", HardBin: 3, Disposition: record.Rework, Instruction: "Wipe the window.",
			Lines: []record.Line{{Name: quantity.LeakageMax, Unit: "{count}/{shot}", V: 0.02, U: 0.0015, Lower: math.NaN(), Upper: 0.015, K: 2, PConforming: 0.001, SoftBin: 31}}},
		Quantities: q, Zones: record.Zones{Rows: 1, Cols: 3, Leakage: []float64{0.01, math.NaN(), 0.02}, Flags: [][]string{{}, {"dead"}, {}}},
		Budget: []record.Budget{{Line: "counting", MM: 0.1}}, Faults: []record.Fault{{Code: "dead_zones", Capture: "empty", Zones: []int{1}}},
		Constants: &record.Constants{Written: block, ReadBack: block, State: "void"},
		Captures:  []record.CaptureRef{{Name: "empty", Hash: record.HashOf(block), Segment: 1, Offset: 99, Length: 1000}},
		Wire:      record.Wire{Requests: 12, Retries: 1}, UnitTempCel: math.Inf(1),
		Projection: &record.Projection{Change: 0.5, DistanceMM: []float64{100, 1000}, ErrorMM: []float64{-0.3, math.NaN()}},
	})
	s.add(t, &record.ReworkDone{Attempt: &first, Serial: run.Serial, UnitID: run.UnitID, Action: "window wiped", By: "op-7"})
	s.add(t, &record.Refusal{Serial: "H54-000777", UnitID: "u-9f", Code: "label", Chain: "the unit answers as another"})
	s.add(t, &record.Note{Serial: run.Serial, By: "op-7", Text: "red \x1b[31m and \u202e back"})
	s.add(t, &record.DispositionChange{Serial: run.Serial, UnitID: run.UnitID, From: record.Rework, To: record.Hold, Code: "label", Why: "seen under two labels", By: "station"})
	run.AttemptNo = 2
	s.add(t, &record.AttemptIntent{Run: run})
	return s
}

func TestHistoryIsAsTheGoldenFilesHaveIt(t *testing.T) {
	u, err := query.History(history(t), "H54-000123")
	if err != nil {
		t.Fatal(err)
	}
	j, err := json.MarshalIndent(u, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	var text bytes.Buffer
	if err := u.WriteAll(&text); err != nil {
		t.Fatal(err)
	}
	golden(t, "unit.json", append(j, '\n'))
	golden(t, "unit.txt", text.Bytes())
	if strings.ContainsAny(text.String(), "\x1b\u202e") {
		t.Error("a control character reaches the terminal")
	}
	if u.Disposition != record.Hold || len(u.AlsoSeenAs) != 1 || u.AlsoSeenAs[0] != "H54-000777" {
		t.Errorf("disposition %s, also seen as %v", u.Disposition, u.AlsoSeenAs)
	}
	if last := u.Events[len(u.Events)-1]; !last.Unfinished || u.Events[0].Unfinished {
		t.Error("unfinished attempts are told wrongly")
	}
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s is not as it was:\n%s", name, got)
	}
}

func TestUnknownSerialIsNotAnError(t *testing.T) {
	u, err := query.History(history(t), "none")
	if err != nil || u.Found || u.Attempts == nil {
		t.Errorf("%+v, %v", u, err)
	}
}

// A real store and a follower of it are sources.
func TestStoreAndFollowerAreSources(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "log")
	if err := store.Create(dir, store.Options{Station: "pane-1"}); err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if _, err := s.Append(&record.Note{Serial: "A", Text: "x"}); err != nil {
		t.Fatal(err)
	}
	f, err := store.Follow(dir, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for _, src := range []query.Source{s, f} {
		if u, err := query.History(src, "A"); err != nil || len(u.Events) != 1 {
			t.Errorf("%+v, %v", u, err)
		}
	}
}
