package protocol_test

import (
	"bytes"
	"testing"

	"example.org/panecal/protocol"
)

// BenchmarkAnswer1KiB writes and reads one answer with 480 counts.
func BenchmarkAnswer1KiB(b *testing.B) {
	u := newFakeUnit()
	q := &protocol.Fetch{Capture: 1, Table: protocol.BinTable, Count: 480}
	v := q.Answer(54, 96, 1024, func(z, bin int) uint32 { return u.counts[z][bin] })
	b.ReportAllocs()
	for b.Loop() {
		payload, err := protocol.AppendAnswer(nil, protocol.Answer{ID: 1, Session: 2, Op: protocol.OpFetch, Body: v})
		if err != nil {
			b.Fatal(err)
		}
		packet := protocol.AppendPacket(nil, payload)
		got, err := protocol.NewScanner(bytes.NewReader(packet), 1024).Next()
		if err != nil {
			b.Fatal(err)
		}
		if _, err := protocol.DecodeAnswer(got); err != nil {
			b.Fatal(err)
		}
	}
}
