package station_test

import (
	"reflect"
	"testing"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
	"example.org/panecal/station/estimate"
	"example.org/panecal/store/record"
)

// Each number found in a zone has its place on record; what was not done leaves
// its place empty; flags of the target capture hold those of the empty one.
func TestZonesRecord(t *testing.T) {
	l := &estimate.Leakage{Zones: []estimate.ZoneLeakage{
		{Leakage: 1, LeakageU: 2, DistanceMM: 3, DistanceUMM: 4, Ambient: 5, AmbientU: 6, Rate: 7, Flags: estimate.Hot},
		{Leakage: 11, LeakageU: 12, DistanceMM: 13, DistanceUMM: 14, Ambient: 15, AmbientU: 16, Rate: 17}}}
	o := &estimate.Offsets{Zones: []estimate.ZoneOffset{
		{RangeMM: 21, RangeUMM: 22, OffsetMM: 23, OffsetUMM: 24, Signal: 25, SignalU: 26, Ambient: 27, Flags: estimate.Hot | estimate.NoSignal},
		{RangeMM: 31, RangeUMM: 32, OffsetMM: 33, OffsetUMM: 34, Signal: 35, SignalU: 36, Ambient: 37}}}
	own := &estimate.Summary{Zones: []estimate.SummaryZone{{RangeMM: 41}, {RangeMM: 51}}}
	whole := record.Zones{Rows: 2, Cols: 1,
		Leakage: []float64{1, 11}, LeakageU: []float64{2, 12}, LeakageDistanceMM: []float64{3, 13}, Ambient: []float64{5, 15}, AmbientU: []float64{6, 16},
		RangeMM: []float64{21, 31}, RangeUMM: []float64{22, 32}, OffsetMM: []float64{23, 33}, OffsetUMM: []float64{24, 34},
		Signal: []float64{25, 35}, SignalU: []float64{26, 36}, AmbientTarget: []float64{27, 37},
		UnitRangeMM: []float64{41, 51}, VerifyMM: []float64{61, 71}, Flags: [][]string{{"hot", "no_signal"}, {}}}
	if got := station.ZonesRecord(2, 1, l, o, own, []quantity.Value{{V: 61, U: 1}, {V: 71, U: 1}}); !reflect.DeepEqual(got, whole) {
		t.Errorf("got  %+v\nwant %+v", got, whole)
	}
	first := record.Zones{Rows: 2, Cols: 1, Leakage: whole.Leakage, LeakageU: whole.LeakageU, LeakageDistanceMM: whole.LeakageDistanceMM,
		Ambient: whole.Ambient, AmbientU: whole.AmbientU, Flags: [][]string{{"hot"}, {}}}
	if got := station.ZonesRecord(2, 1, l, nil, nil, nil); !reflect.DeepEqual(got, first) {
		t.Errorf("got  %+v\nwant %+v", got, first)
	}
	if got := station.ZonesRecord(2, 1, nil, nil, nil, nil); !reflect.DeepEqual(got, record.Zones{Rows: 2, Cols: 1}) {
		t.Errorf("nothing done: %+v", got)
	}
}
