package station_test

import (
	"testing"

	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// TestTestimony: what a unit's block says of the log, at every place where its
// record may stand or not.
func TestTestimony(t *testing.T) {
	intent := func(generation uint32, sequence uint64) record.Entry {
		return record.Entry{Ref: record.Ref{Station: "cal-1", Generation: generation, Sequence: sequence, Hash: record.Hash{1, 2, 3}}, Body: &record.WriteIntent{}}
	}
	block := func(name string, generation uint32, sequence uint64) []byte {
		b := &protocol.Block{Rows: 1, Cols: 1, Leakage: []int32{0}, Offsets: []int32{0}, State: protocol.Released,
			Witness: protocol.Witness{Station: name, Generation: generation, Sequence: sequence, Intent: [16]byte{1, 2, 3}}}
		raw, err := b.Marshal()
		if err != nil {
			t.Fatal(err)
		}
		return raw
	}
	other := intent(2, 40)
	other.Ref.Hash[0] = 9
	log := station.Recalled{BySerial: []record.Entry{intent(1, 12)}, ByUnitID: []record.Entry{intent(2, 40)},
		Head: record.Ref{Station: "cal-1", Generation: 2, Sequence: 50}, Began: 20}
	for _, c := range []struct {
		name  string
		found []byte
		log   station.Recalled
		want  station.Testimony
	}{
		{"its own record", block("cal-1", 2, 40), log, station.Equal},
		{"of the generation before, copied", block("cal-1", 1, 12), log, station.Equal},
		{"another hash", block("cal-1", 2, 40), station.Recalled{ByUnitID: []record.Entry{other}, Head: log.Head}, station.Different},
		{"another unit's record there", block("cal-1", 2, 41), log, station.Different},
		{"not in what was copied", block("cal-1", 1, 19), log, station.Different},
		{"of the generation before, after the copy", block("cal-1", 1, 21), log, station.OlderGeneration},
		{"of this generation, before it began here", block("cal-1", 2, 20), log, station.Different},
		{"behind the end", block("cal-1", 2, 51), log, station.Missing},
		{"of a generation to come", block("cal-1", 3, 5), log, station.Missing},
		{"another station", block("cal-2", 2, 40), log, station.Elsewhere},
		{"void", protocol.VoidBlock(), log, station.None},
		{"nothing", nil, log, station.None},
		{"a log that is not known", block("cal-1", 2, 51), station.Recalled{}, station.None},
	} {
		got, w := station.Testify(c.found, "cal-1", c.log)
		if got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
		if forked := station.Forked(got, w, c.log); forked != (c.name == "of this generation, before it began here") {
			t.Errorf("%s: forked %v", c.name, forked)
		}
	}
}
