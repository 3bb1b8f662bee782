package capture_test

import (
	"bytes"
	"encoding/json"
	"math"
	"strings"
	"testing"

	"example.org/panecal/station/capture"
	"example.org/panecal/station/estimate"
)

// A file that is written reads back as what it was, with a setup object and
// without; what a setup may not say is told with its place.
func TestWrite(t *testing.T) {
	f, err := readMap(t, captureFile(t))
	if err != nil {
		t.Fatal(err)
	}
	zones := f.Setup.Grid.Zones()
	whole := f
	whole.Complete = true
	s := &whole.Setup
	s.Grid.Sec, s.Grid.SecU = make([]float64, zones), make([]float64, zones)
	for z := range zones {
		s.Grid.Sec[z], s.Grid.SecU[z] = 1+float64(z)/7, -float64(z)/1e4
	}
	s.DatumMM, s.WorkingMM, s.LeakageChangeStated = -0.1, []float64{200, 1e3 / 3}, -0.5
	s.Corrects, s.Offsets, s.Tilt, s.Ranging = estimate.CorrectsUnit, estimate.OffsetsZones, estimate.TiltUnit, estimate.RangingMean
	s.Checks = estimate.Checks{FamilyWise: 1e-5, FrameExcess: -1, MaxDeadHot: -1, CountMax: 65535, ZoneSpreadMM: 1.0 / 3, Multipath: -1, TargetShare: 0.5}
	s.Budget = estimate.Terms{LeakageChangeU: 0.02, DirectionU: 1e-3, TempCoeff: -0.01, TempCoeffU: 1e-4, TempU: 0.3, TempRefCel: 25.5, PulseShapeMM: 0.05,
		BinWidth: 0.02, BinEdgePS: 3, TimeBase: 1e-5, MultipathShare: 0.005, UnseenShare: 0.001, QuantisationMM: 0.01}
	ranges := &estimate.Summary{Shots: 9, TempCel: math.NaN(), Zones: make([]estimate.SummaryZone, zones)}
	for z := range zones {
		ranges.Zones[z] = estimate.SummaryZone{Signal: 0.1, SignalU: 1e-3, RangeMM: math.NaN(), RangeUMM: math.NaN()}
	}
	whole.UnitRanges, whole.Verify = ranges, ranges
	text := func(f capture.File) string {
		var b bytes.Buffer
		if err := capture.Write(&b, f, map[string]string{"from": "a test"}); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	for name, f := range map[string]capture.File{"plain": f, "whole": whole} {
		back, err := capture.Read(strings.NewReader(text(f)))
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		want, errA := json.Marshal(f.Setup)
		got, errB := json.Marshal(back.Setup)
		if errA != nil || errB != nil || string(got) != string(want) {
			t.Errorf("%s: setup %s\nread back %s", name, want, got)
		}
		if text(back) != text(f) {
			t.Errorf("%s: another file when it is written again", name)
		}
		result, err := capture.Estimate(back)
		if err != nil {
			t.Fatal(err)
		}
		if verified := !math.IsNaN(float64(result.Quantities["verify.error"].Value)); verified {
			t.Errorf("%s: verify.error of ranges that are not there", name)
		}
	}
	good := text(whole)
	for _, c := range []struct{ old, new, place string }{
		{`"corrects":"unit"`, `"corrects":"both"`, "$.setup.corrects"},
		{`"bin_edge_ps":3`, `"bin_edge_ps":-3`, "$.setup.budget.bin_edge_ps"},
		{`"sec":[1,`, `"sec":[0.5,`, "$.setup.directions.sec[0]"},
		{`"sec_u":[-0,`, `"sec_u":[1,`, "$.setup.directions.sec_u[0]"},
		{`"family_wise":0.00001`, `"family_wise":1`, "$.setup.allowances.family_wise"},
		{`"working_mm":[200`, `"working_mm":[0`, "$.setup.working_mm[0]"},
		{`"leakage_change":-0.5`, `"leakage_change":-2`, "$.setup.leakage_change"},
		{`"temperature_cel":25.5`, `"temperature_cel":"warm"`, "$.setup.references.temperature_cel"},
	} {
		if !strings.Contains(good, c.old) {
			t.Fatalf("the file does not say %s", c.old)
		}
		if _, err := capture.Read(strings.NewReader(strings.Replace(good, c.old, c.new, 1))); err == nil || !strings.HasPrefix(err.Error(), c.place) {
			t.Errorf("%s: %v, want the place %s", c.new, err, c.place)
		}
	}
}
