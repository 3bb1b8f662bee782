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
	void := func(name string, generation uint32, sequence uint64) []byte {
		return protocol.VoidBlock(protocol.Witness{Station: name, Generation: generation, Sequence: sequence, Intent: [16]byte{1, 2, 3}}.Bytes())
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
		{"void of an attempt", void("cal-1", 2, 40), log, station.Equal},
		{"void of an attempt that was taken back", void("cal-1", 2, 51), log, station.Missing},
		{"void of an attempt, and another record there since", void("cal-1", 2, 41), log, station.Different},
		{"void of another station", void("cal-2", 2, 51), log, station.Elsewhere},
		{"bare void", protocol.VoidBlock(nil), log, station.None},
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

// TestEveryPairOfStates: a unit runs three times, fails twice and passes. Power
// may fail, and the station be killed, between any two steps: the unit is then as
// any step left it, the log as that step or a later one. No such pair accuses. Put
// the log back to before what the unit bears, and every pair does.
func TestEveryPairOfStates(t *testing.T) {
	w := func(sequence uint64) protocol.Witness {
		return protocol.Witness{Station: "cal-1", Generation: 1, Sequence: sequence, Intent: [16]byte{byte(sequence), 7}}
	}
	void := func(sequence uint64) []byte { return protocol.VoidBlock(w(sequence).Bytes()) }
	block := func(sequence uint64, s protocol.State) []byte {
		raw, err := (&protocol.Block{Rows: 1, Cols: 1, Leakage: []int32{0}, Offsets: []int32{0}, State: s, Witness: w(sequence)}).Marshal()
		if err != nil {
			t.Fatal(err)
		}
		return raw
	}
	steps := []struct {
		name  string
		body  record.Body // made durable, nil for none
		unit  []byte      // as it is from then on
		bears uint64      // the record that it names, 0 for none
	}{
		{"new", nil, nil, 0},
		{"intent", &record.AttemptIntent{}, nil, 0},
		{"void", nil, void(11), 11},
		{"failed", &record.Attempt{}, void(11), 11},
		{"second intent", &record.AttemptIntent{}, void(11), 11},
		{"second void", nil, void(13), 13},
		{"second write intent", &record.WriteIntent{}, void(13), 13},
		{"second write", nil, block(14, protocol.Written), 14},
		{"failed again", &record.Attempt{}, block(14, protocol.Written), 14},
		{"third intent", &record.AttemptIntent{}, block(14, protocol.Written), 14},
		{"third void", nil, void(16), 16},
		{"third write intent", &record.WriteIntent{}, void(16), 16},
		{"third write", nil, block(17, protocol.Written), 17},
		{"passed", &record.Attempt{}, block(17, protocol.Written), 17},
		{"released", nil, block(17, protocol.Released), 17},
	}
	accused, clean := 0, 0
	for i := range steps {
		log := station.Recalled{Head: record.Ref{Station: "cal-1", Generation: 1, Sequence: 10}}
		for _, s := range steps[:i+1] {
			if s.body == nil {
				continue
			}
			log.Head.Sequence++
			log.Head.Hash = record.Hash{byte(log.Head.Sequence), 7}
			log.BySerial = append(log.BySerial, record.Entry{Ref: log.Head, Body: s.body})
		}
		for j, s := range steps {
			got, _ := station.Testify(s.unit, "cal-1", log)
			want := station.Equal
			switch {
			case s.bears == 0:
				want = station.None
			case s.bears > log.Head.Sequence:
				want = station.Missing
			}
			if got != want || j <= i && got.Accuses() {
				t.Errorf("the log at %q, the unit at %q: %s, want %s", steps[i].name, s.name, got, want)
			}
			if got.Accuses() {
				accused++
			} else {
				clean++
			}
		}
	}
	t.Logf("%d pairs accuse, %d do not", accused, clean)
	// 3 steps bear record 11, which 1 log lacks, 2 bear 13 (4 logs), 3 bear 14 (6),
	// 2 bear 16 (9), 3 bear 17 (11).
	if accused != 80 {
		t.Errorf("%d pairs accuse", accused)
	}
}
