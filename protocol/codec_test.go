package protocol_test

import (
	"bytes"
	"reflect"
	"testing"

	"example.org/panecal/protocol"
)

var identity = protocol.Identity{
	UnitID: "u-7f3a90c2", Serial: "HP54000017", Product: "hopper-54", Firmware: "1.4.2",
	ProtoLow: 1, ProtoHigh: 1, Rows: 6, Cols: 9, Bins: 96, BinFS: 250_000, FirstBinFS: -1_500_000,
	PulsePeriodNS: 1000, PileUp: protocol.FirstPhoton, CountBits: 32, MaxIn: 512, MaxOut: 1024, MaxHeld: 4,
	CommitMS: 800, Kinds: protocol.KindsOf(protocol.Histograms, protocol.Ranges), CompensationOff: true, MaxFrames: 20,
}

func TestRequestsComeBackAsSent(t *testing.T) {
	for _, body := range []protocol.RequestBody{
		&protocol.WhoAreYou{}, &protocol.AskStatus{}, &protocol.Void{}, &protocol.Void{Witness: exampleBlock().Witness.Bytes()}, &protocol.Restart{}, &protocol.Stop{},
		&protocol.CaptureRequest{ID: 7, Kind: protocol.Ranges, Compensated: true, Shots: 50_000, Frames: 20},
		&protocol.AskProgress{Capture: 7},
		&protocol.Fetch{Capture: 7, Table: protocol.BinTable, Zone: 53, First: 95, Count: 1},
		&protocol.ReadConstants{Offset: 1000, Count: 900},
		&protocol.Stage{Length: 2000, Offset: 1000, Data: []byte{1, 2, 3}},
		&protocol.Commit{Length: 2000, CRC: 0xffffffff},
	} {
		want := protocol.Request{ID: 77, Session: 0xdeadbeef, Body: body}
		payload, err := protocol.AppendRequest(nil, want)
		if err != nil {
			t.Errorf("%v: %v", body.Op(), err)
			continue
		}
		got, err := protocol.DecodeRequest(payload)
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%v: got %+v, %v\nwant %+v", body.Op(), got, err, want)
		}
	}
}

func TestAnswersComeBackAsSent(t *testing.T) {
	id := identity
	for _, want := range []protocol.Answer{
		{ID: 1, Session: 9, Op: protocol.OpWhoAreYou, Body: &id},
		{ID: 2, Session: 9, Op: protocol.OpStatus, Body: &protocol.Status{TempMilliCel: -12_345, EmitterOn: true, Faults: 1 << 31, Capture: 4}},
		{ID: 3, Session: 9, Op: protocol.OpProgress, Body: &protocol.Progress{Capture: 4, End: protocol.Watchdog, ShotsFired: 1e6, FramesDone: 3, RemainingMS: 40, TempMilliCel: 31_000}},
		{ID: 4, Session: 9, Op: protocol.OpFetch, Body: &protocol.Values{Capture: 4, Table: protocol.BinTable, Zone: 2, First: 94, Counts: [][]uint32{{1, 255}, {0, 256, 70_000}, {65_535}}}},
		{ID: 5, Session: 9, Op: protocol.OpFetch, Body: &protocol.Values{Capture: 4, Table: protocol.RangeTable, Ranges: []protocol.RangeZone{{Signal: -5, SignalU: 3, Ambient: 1, AmbientU: 1, Ranged: true, Range: -200_000, RangeU: 150}, {Signal: 1}}}},
		{ID: 6, Session: 9, Op: protocol.OpReadConstants, Body: &protocol.ConstantsPart{Length: 20, Data: protocol.VoidBlock(nil)}},
		{ID: 7, Session: 9, Op: protocol.OpStage, Body: &protocol.Staged{Held: 500}},
		{ID: 8, Session: 9, Op: protocol.OpCommit, Code: protocol.CodeBusy, BusyMS: 250},
		{ID: 9, Session: 9, Op: protocol.OpCommit, Code: protocol.CodeWrongUnit},
		{ID: 10, Session: 0, Op: 4711, Code: protocol.CodeUnknownRequest},
		{ID: 11, Session: 9, Op: protocol.OpStop},
	} {
		payload, err := protocol.AppendAnswer(nil, want)
		if err != nil {
			t.Errorf("%v: %v", want.Op, err)
			continue
		}
		got, err := protocol.DecodeAnswer(payload)
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%v: got %+v, %v\nwant %+v", want.Op, got, err, want)
		}
	}
}

// TestHeadsOutsideTheSubset: simple values, floats, heads of no length and
// indefinite lengths are no items of the wire (SPEC.md 3.3), whatever follows.
func TestHeadsOutsideTheSubset(t *testing.T) {
	for _, head := range []byte{0xe0, 0xf4, 0xf6, 0xf7, 0xf8, 0xf9, 0xfa, 0xfb, 0xff, 0x1c, 0x1d, 0x1e, 0x1f, 0x3f, 0x5c, 0x5f, 0x7f, 0x9c, 0x9f, 0xbc, 0xbf} {
		for _, fill := range []byte{0, 1, 0x80} {
			if _, err := protocol.SkipItem(append([]byte{head}, bytes.Repeat([]byte{fill}, 300)...), 1); err == nil {
				t.Errorf("%#x, then %#x, is an item", head, fill)
			}
		}
	}
}
