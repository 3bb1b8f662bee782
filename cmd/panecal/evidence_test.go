package main

import (
	"bytes"
	"encoding/json"
	"math"
	"reflect"
	"testing"
	"testing/synctest"

	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/capture"
	"example.org/panecal/station/papers"
	"example.org/panecal/store/evidence"
	"example.org/panecal/store/record"
)

// An attempt computed again from what the log keeps gives the numbers on record, bit
// for bit: of a unit whose own range is corrected, of one whose range the station
// computes, and of one without histograms. So does its capture file, written and
// read again.
func TestComputedAgain(t *testing.T) {
	for _, c := range []struct {
		name, product string
		model         simunit.Model
		edits         []edit
	}{
		{"unit ranges", "hopper-54", simunit.Hopper54(), nil},
		{"station ranges", "hopper-54", simunit.Hopper54(), []edit{
			{"hopper-54.product.toml", `corrects = "unit"`, `corrects = "station"`},
			{"hopper-54.limits.toml", "typical_u = 0.037\n", "typical_u = 0.037\noptional = true\n"}}},
		{"no histograms", "hopper-1", simunit.Hopper1(), nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := newPipeStation(t, c.product, c.edits...)
				if err := (papers.Catalogue{s.files}).PutOnRecord(s.store, nil); err != nil {
					t.Fatal(err)
				}
				a := s.run(station.Production, pipeUnit(t, c.model, 1, 7, simunit.Options{}))
				e, err := evidence.NewFiles(s.store).Of(a)
				if err != nil {
					t.Fatal(err)
				}
				again, err := e.Again()
				if err != nil {
					t.Fatal(err)
				}
				if least := 60 + 15*len(a.Zones.Leakage); again.Numbers < least {
					t.Errorf("only %d numbers were held against the record, want %d", again.Numbers, least)
				}
				for _, d := range again.Differences {
					t.Errorf("%s: %v on record, %v now", d.What, d.Recorded, d.Now)
				}
				fileGivesRecord(t, e, a)

				// What was computed differently shows.
				e.File.Reference.DistanceMM++
				other, err := e.Again()
				if err != nil || len(other.Differences) == 0 || !(other.Largest() > 1e-9) {
					t.Errorf("another distance of the target changes nothing: %d differences, %v", len(other.Differences), err)
				}
			})
		})
	}
}

// fileGivesRecord holds the result of the capture file against the record.
func fileGivesRecord(t *testing.T, e *evidence.Evidence, a *record.Attempt) {
	t.Helper()
	var b bytes.Buffer
	if err := capture.Write(&b, e.File, nil); err != nil {
		t.Fatal(err)
	}
	read, err := capture.Read(&b)
	if err != nil {
		t.Fatal(err)
	}
	same := e.File
	if !reflect.DeepEqual(nanless(same), nanless(read)) {
		t.Errorf("the file reads back as another capture")
	}
	result, err := capture.Estimate(read)
	if err != nil {
		t.Fatal(err)
	}
	bits := func(what string, got, want float64) {
		if math.Float64bits(got) != math.Float64bits(want) && !(math.IsNaN(got) && math.IsNaN(want)) {
			t.Errorf("%s: %v from the file, %v on record", what, got, want)
		}
	}
	verified := e.VerifyHistogram == nil
	for _, q := range a.Quantities {
		if r := result.Quantities[string(q.Name)]; verified || q.Name != "verify.error" {
			bits(string(q.Name), float64(r.Value), q.V)
			bits("u of "+string(q.Name), float64(r.U), q.U)
		}
	}
	for z, r := range result.Zones {
		bits("leakage", float64(r.Leakage), a.Zones.Leakage[z])
		bits("range", float64(r.Range), a.Zones.RangeMM[z])
		bits("offset", float64(r.Offset), a.Zones.OffsetMM[z])
		bits("u of offset", float64(r.OffsetU), a.Zones.OffsetUMM[z])
	}
	f, err := e.VerifyFile()
	if err != nil {
		t.Fatal(err)
	}
	if e.VerifyHistogram != nil && &f.Target.Counts[0] != &e.VerifyHistogram.Counts[0] {
		t.Error("the capture after writing does not stand in the target's place")
	}
}

// nanless is a file in a form that compares: not-a-number is null in it.
func nanless(f capture.File) string {
	var b bytes.Buffer
	if err := capture.Write(&b, f, nil); err != nil {
		return err.Error()
	}
	setup, err := json.Marshal(f.Setup)
	if err != nil {
		return err.Error()
	}
	return b.String() + string(setup)
}
