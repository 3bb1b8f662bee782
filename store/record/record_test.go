package record_test

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/store/record"
)

func at(sec int) time.Time { return time.Date(2026, 3, 2, 6, 0, sec, 250_000_000, time.UTC) }

func ref(n uint64) *record.Ref {
	return &record.Ref{Station: "pane-1", Generation: 1, Sequence: n, Hash: record.HashOf([]byte{byte(n)})}
}

func run() record.Run {
	return record.Run{
		Serial: "H54-000123", Label: "H54-000123-7", LabelConfirmed: true, LabelTie: "unit", UnitID: "u-9f",
		Nest: "A", Purpose: record.Production, AttemptNo: 1,
		Product:  record.Revision{Name: "hopper-54", Rev: "aa", Signed: true},
		Limits:   record.Revision{Name: "hopper-54", Rev: "bb"},
		Operator: "op-7", Software: "panecal 0.1", WorkOrder: "WO 12", Lot: "L1", WindowLot: "win-1", GasketLot: "gas-1", EmitterLot: "emi-1",
		Identity: record.Identity{Session: 7, UnitID: "u-9f", Rows: 6, Cols: 9, Bins: 96, FirstBinPS: -1500},
		Target:   record.Target{Fixture: "f1", DistanceMM: 200, DistanceUMM: 0.15, Reflectance: 0.5},
	}
}

// bodies returns one body of every kind.
func bodies(t testing.TB) []record.Body {
	s := quantity.Set{}
	s[quantity.OffsetMean] = quantity.Measured{Value: quantity.Value{V: 1.25, U: 0.2, Common: 0.15}}
	s[quantity.VerifyErrorFar] = quantity.Worst([]quantity.Value{{V: 0.3, U: 0.2, Common: 0.1}, {V: math.NaN(), U: math.NaN()}})
	s.Put(quantity.Temperature, math.NaN(), math.NaN())
	s[quantity.LeakageMax] = quantity.Worst([]quantity.Value{{V: 0.01, U: 0.001}, {V: math.NaN(), U: math.NaN()}, {V: 0.02, U: 0.0015}})
	q, err := record.Quantities(s)
	if err != nil {
		t.Fatal(err)
	}
	block := []byte{1, 2, 3}
	return []record.Body{
		&record.AttemptIntent{Run: run(), BlockFound: block, Seed: 4, Gate: &record.Gate{Request: "r1", Answer: "may start", Why: "w"}},
		&record.WriteIntent{Attempt: *ref(1), Serial: "H54-000123", UnitID: "u-9f", Body: block, BodyHash: record.HashOf(block)},
		&record.Attempt{
			Run: run(), Intent: ref(1), WriteIntent: ref(2), Outcome: record.Failed,
			Problems: []record.Problem{{Code: "leakage", Step: "judge", Chain: "judging: too high", Time: at(8)}},
			Judgement: record.Judgement{SoftBin: 31, SoftName: "leakage high", HardBin: 3, Disposition: record.Rework,
				Lines: []record.Line{{Name: quantity.LeakageMax, Unit: "{count}/{shot}", V: 0.02, U: 0.0015, Lower: math.NaN(), Upper: 0.015, K: 2, PConforming: 0.001}}},
			Quantities:  q,
			Zones:       record.Zones{Rows: 1, Cols: 3, Leakage: []float64{0.01, math.NaN(), 0.02}, Flags: [][]string{{}, {"dead"}, {}}},
			Budget:      []record.Budget{{Line: "counting", MM: 0.1}},
			Faults:      []record.Fault{{Code: "dead_zones", Capture: "empty", Zones: []int{1}}},
			Constants:   &record.Constants{Written: block, ReadBack: block, State: "written"},
			Captures:    []record.CaptureRef{{Name: "empty", Hash: record.HashOf(block), Segment: 1, Offset: 99, Length: 1000}},
			Wire:        record.Wire{Requests: 12, Retries: 1},
			Started:     at(1),
			Finished:    at(9),
			Stages:      []record.Stage{{Name: "empty field", TookUS: 812345}},
			UnitTempCel: math.Inf(1),
			Projection:  &record.Projection{Change: 0.5, DistanceMM: []float64{100, 1000}, ErrorMM: []float64{-0.3, math.Copysign(0, -1)}},
		},
		&record.DispositionChange{Attempt: ref(3), Serial: "H54-000123", From: record.Release, To: record.Hold, Code: "label", Why: "seen twice", By: "station",
			Firm: true, Decision: ref(2), Document: "C-17"},
		&record.Refusal{Label: "X", Nest: "A", Purpose: record.Audit, Code: "product", Chain: "other product", Product: record.Revision{Name: "hopper-54"}},
		&record.ReworkDone{Serial: "H54-000123", Action: "window wiped", By: "op-7", Decision: ref(2)},
		&record.ReleaseTaken{Document: "limits", Revision: record.Revision{Rev: "bb"}, Effective: at(0), Bytes: []byte("x = 1\n")},
		&record.SignOn{Person: "4711", Role: "operator", Method: "badge", Acknowledged: []string{"one", "two"}, AllowedBy: "p2"},
		&record.ShiftSettings{Shift: "early", Lot: "L1", Nests: []string{"A", "B"}, Purpose: record.Production,
			Quantity: 300, WindowLot: "win-1", GasketLot: "gas-1", EmitterLot: "emi-1"},
		&record.Stop{Nest: "A", Code: "no-answer", Why: "three in a row", LiftBy: "lead", Attempt: ref(3), Detail: "3", Other: "leakage"},
		&record.StopLifted{Stop: *ref(9), Nest: "A", Code: "no-answer", By: "lead-2", Method: "restart"},
		&record.Study{Name: "repeat", Attempts: []record.Ref{*ref(3)}, Results: []record.StudyValue{{Name: "sd", Unit: "mm", V: 0.05, U: math.NaN()}}},
		&record.Note{About: ref(3), Text: "scratch on the window – seen", By: "fa-1"},
		&record.AccessRefused{Person: "p7", Code: "pin wrong", Wanted: "same_failure_in_a_row", Nest: "A", Until: at(9)},
		&record.Start{Random: record.HashOf(block), Clock: at(1), Software: "panecal 0.1", Runtime: "go", Host: "pc-1", Command: "panecal shift",
			Files: []record.Document{{Kind: "limits", Revision: record.Revision{Name: "hopper-54", Rev: "bb"}}}},
		&record.LogDamage{File: "journal-00000001.seg", Offset: 99, Record: 3, Fault: "damaged", What: "the check fails"},
		&record.CapturesRemoved{Segments: []uint32{1, 2}, Bytes: 1000, Before: at(0), Rule: "captures_age = \"720h\""},
		&record.BoxOpened{Number: "B-17", Order: "WO-1", Size: 24, By: "op-7"},
		&record.Boxed{Attempt: ref(3), Serial: "H54-000123", UnitID: "u-9f", Box: "B-17", Confirmed: true, By: "op-7"},
		&record.Pause{Off: true, By: "op-7"},
		&record.Relabelled{Serial: "X-S1-1", To: "H54-000123", UnitID: "u-9f", By: "lead-2", Why: "torn"},
		&record.Decision{Verb: "hold", Serial: "H54-000123", Chosen: "lot win-1", Reason: "cloudy", By: "p2", Document: "C-17", Decided: at(2), Units: 3, Left: 1, Signed: true, File: block},
	}
}

func entry(b record.Body) record.Entry {
	return record.Entry{Ref: record.Ref{Station: "pane-1", Generation: 1, Sequence: 4}, Time: at(3), Previous: ref(3).Hash, Body: b}
}

func TestEveryKindComesBack(t *testing.T) {
	all := bodies(t)
	if len(all) != len(record.Kinds()) {
		t.Fatalf("%d bodies for %d kinds", len(all), len(record.Kinds()))
	}
	for i, b := range all {
		t.Run(b.Kind().String(), func(t *testing.T) {
			if want := record.Kinds()[i]; b.Kind() != want {
				t.Fatalf("kind %d at the place of %d", b.Kind(), want)
			}
			data, r, err := record.Encode(entry(b))
			if err != nil {
				t.Fatal(err)
			}
			e, err := record.Decode(data)
			if err != nil {
				t.Fatal(err)
			}
			if e.Ref != r || r.Hash != record.HashOf(data) || !e.Time.Equal(at(3)) || e.Time.Location() != time.UTC || e.Version != lowest(b) {
				t.Errorf("envelope came back as %+v", e)
			}
			again, _, err := record.Encode(e)
			if err != nil || !bytes.Equal(again, data) {
				t.Errorf("encodes again to other bytes: %v", err)
			}
			if got, want := fmt.Sprintf("%+v", e.Body.Subject()), fmt.Sprintf("%+v", b.Subject()); got != want {
				t.Errorf("subject %s, want %s", got, want)
			}
		})
	}
}

// Every single-bit change of a record is refused or gives another hash; none
// is taken for the same record.
func TestEveryFlippedBitChangesTheHash(t *testing.T) {
	data, r, err := record.Encode(entry(bodies(t)[2]))
	if err != nil {
		t.Fatal(err)
	}
	refused := 0
	for i := range len(data) * 8 {
		bad := bytes.Clone(data)
		bad[i/8] ^= 1 << (i % 8)
		e, err := record.Decode(bad)
		switch {
		case err != nil:
			if !errors.Is(err, record.ErrMalformed) {
				t.Fatalf("bit %d: %v is not ErrMalformed", i, err)
			}
			refused++
		case e.Ref.Hash == r.Hash:
			t.Fatalf("bit %d: same hash", i)
		}
	}
	t.Logf("%d bits, %d refused by form alone", len(data)*8, refused)
}

func TestWhatEncodeRefuses(t *testing.T) {
	bad := run()
	bad.Purpose = "fun"
	cases := map[string]record.Body{
		"no body":             nil,
		"unknown purpose":     &record.AttemptIntent{Run: bad},
		"unknown outcome":     &record.Attempt{Run: run(), Outcome: "maybe"},
		"unknown disposition": &record.DispositionChange{To: "shelf"},
		"foreign block hash":  &record.WriteIntent{Body: []byte{1}},
		"stop without a code": &record.Stop{},
		"text not UTF-8":      &record.Note{Text: "\xff"},
		"unknown quantity":    &record.Attempt{Run: run(), Outcome: record.Passed, Quantities: []record.Quantity{{Name: "x"}}},
		"other unit":          &record.Attempt{Run: run(), Outcome: record.Passed, Quantities: []record.Quantity{{Name: quantity.OffsetMean, Unit: "m"}}},
		"unknown kind":        &record.Unknown{Number: 99},
		"too large":           &record.Note{Text: strings.Repeat("x", record.MaxSize)},
	}
	for name, b := range cases {
		t.Run(name, func(t *testing.T) {
			if _, _, err := record.Encode(entry(b)); err == nil {
				t.Error("taken")
			}
		})
	}
}

func TestQuantitiesComeBackAsASet(t *testing.T) {
	a := bodies(t)[2].(*record.Attempt)
	q, err := record.Quantities(a.Set())
	if err != nil {
		t.Fatal(err)
	}
	if fmt.Sprint(q) != fmt.Sprint(a.Quantities) {
		t.Errorf("%v\nwant\n%v", q, a.Quantities)
	}
	if _, err := record.Quantities(quantity.Set{"none": {}}); err == nil {
		t.Error("an unknown quantity was taken")
	}
}

func TestCaptureComesBack(t *testing.T) {
	c := record.Capture{Version: record.Version, Name: "empty", Kind: "histograms", Rows: 1, Cols: 2, Bins: 3, Shots: 1000,
		Counts: record.Counts{1, 2, 3, 4, 5, 1 << 31}, FrameTotals: []record.Counts{{6, 9}, {6, 9}}, TempMilliCel: -40000}
	data, err := c.Encode()
	if err != nil {
		t.Fatal(err)
	}
	back, err := record.DecodeCapture(data)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(back.Counts, c.Counts) || !reflect.DeepEqual(back.FrameTotals, c.FrameTotals) || back.TempMilliCel != c.TempMilliCel {
		t.Errorf("came back as %+v", back)
	}
	big := record.Capture{Counts: make(record.Counts, 1024*256)}
	if _, err := big.Encode(); err != nil {
		t.Errorf("1024 zones x 256 bins: %v", err)
	}
}

func FuzzDecode(f *testing.F) {
	for _, b := range bodies(f) {
		data, _, err := record.Encode(entry(b))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		e, err := record.Decode(data)
		if err != nil {
			if e.Body != nil {
				t.Error("a body with an error")
			}
			return
		}
		if e.Later {
			return
		}
		again, _, err := record.Encode(e)
		if err == nil && !bytes.Equal(again, data) {
			t.Errorf("encodes again to other bytes")
		}
		e.Body.Subject()
	})
}

func FuzzDecodeCapture(f *testing.F) {
	c := record.Capture{Counts: record.Counts{1, 2}, FrameTotals: []record.Counts{{3}}, RangeMM: []float64{1.5}}
	data, err := c.Encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := record.DecodeCapture(data)
		if err != nil {
			return
		}
		again, err := c.Encode()
		if err != nil || !bytes.Equal(again, data) {
			t.Errorf("encodes again to other bytes: %v", err)
		}
	})
}
