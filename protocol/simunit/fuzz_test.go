package simunit_test

import (
	"bytes"
	"testing"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
)

// Whatever payload a packet carries: no panic, at most one answer, and the
// answer decodes and belongs to the request.
func FuzzRequest(f *testing.F) {
	m := simunit.Hopper1()
	m.Histograms = true
	now := time.Unix(1_000_000, 0)
	u, err := simunit.New(m, 1, simunit.Options{Now: func() time.Time { return now }, Speed: 1e9})
	if err != nil {
		f.Fatal(err)
	}
	const session = 5
	open, err := protocol.AppendRequest(nil, protocol.Request{ID: 1, Session: session, Body: &protocol.WhoAreYou{}})
	if err != nil {
		f.Fatal(err)
	}
	for _, b := range []protocol.RequestBody{
		&protocol.WhoAreYou{}, &protocol.AskStatus{}, &protocol.Stop{}, &protocol.Void{}, &protocol.Restart{},
		&protocol.CaptureRequest{ID: 2, Kind: protocol.Histograms, Shots: 1000, Frames: 2},
		&protocol.CaptureRequest{ID: 3, Kind: protocol.Ranges, Shots: 1000, Frames: 1, Compensated: true},
		&protocol.AskProgress{Capture: 2},
		&protocol.Fetch{Capture: 2, Table: protocol.BinTable, Count: 96},
		&protocol.Fetch{Capture: 3, Table: protocol.RangeTable, Count: 1},
		&protocol.ReadConstants{Count: 100},
		&protocol.Stage{Length: 20, Data: protocol.VoidBlock(nil)},
		&protocol.Commit{Length: 20, CRC: 1},
	} {
		p, err := protocol.AppendRequest(nil, protocol.Request{ID: 9, Session: session, Body: b})
		if err != nil {
			f.Fatal(err)
		}
		f.Add(p)
	}
	f.Fuzz(func(t *testing.T, payload []byte) {
		now = now.Add(200 * time.Millisecond)
		u.Hear(open)
		packets := u.Hear(payload)
		q, err := protocol.DecodeRequest(payload)
		if (err == nil) != (len(packets) == 1) {
			t.Fatalf("%d answers to a request that decodes with %v", len(packets), err)
		}
		if err != nil {
			return
		}
		answer, err := protocol.NewScanner(bytes.NewReader(packets[0]), protocol.MaxPayload).Next()
		if err != nil {
			t.Fatalf("answer is no packet: %v", err)
		}
		a, err := protocol.DecodeAnswer(answer)
		if err != nil || a.ID != q.ID || a.Op != q.Body.Op() {
			t.Fatalf("answer %+v to %+v: %v", a, q, err)
		}
	})
}
