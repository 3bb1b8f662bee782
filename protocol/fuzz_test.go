package protocol_test

import (
	"bytes"
	"errors"
	"io"
	"reflect"
	"testing"

	"github.com/fxamacker/cbor/v2"

	"example.org/panecal/protocol"
)

func seeds(f *testing.F) (payloads [][]byte) {
	id := identity
	for _, body := range []protocol.RequestBody{&protocol.WhoAreYou{}, &protocol.Fetch{Capture: 1, Table: 1, Count: 9}, &protocol.Stage{Length: 9, Data: []byte("abc")}} {
		p, err := protocol.AppendRequest(nil, protocol.Request{ID: 300, Session: 70_000, Body: body})
		if err != nil {
			f.Fatal(err)
		}
		payloads = append(payloads, p)
	}
	for _, a := range []protocol.Answer{
		{ID: 1, Session: 2, Op: protocol.OpWhoAreYou, Body: &id},
		{ID: 1, Session: 2, Op: protocol.OpCommit, Code: protocol.CodeBusy, BusyMS: 400},
		{ID: 1, Session: 2, Op: protocol.OpFetch, Body: &protocol.Values{Capture: 1, Table: 1, Counts: [][]uint32{{1, 2}, {700}, {70_000}}}},
		{ID: 1, Session: 2, Op: protocol.OpFetch, Body: &protocol.Values{Capture: 1, Table: 4, Ranges: []protocol.RangeZone{{Signal: -1, Ranged: true, Range: 5}}}},
	} {
		p, err := protocol.AppendAnswer(nil, a)
		if err != nil {
			f.Fatal(err)
		}
		payloads = append(payloads, p)
	}
	return payloads
}

// FuzzCBOR: what the strict reader accepts, an independent library reads and
// writes again with the very same bytes.
func FuzzCBOR(f *testing.F) {
	for _, p := range seeds(f) {
		f.Add(p)
	}
	mode, err := cbor.CoreDetEncOptions().EncMode()
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		rest, err := protocol.SkipItem(data, 1)
		if err != nil {
			return
		}
		item := data[:len(data)-len(rest)]
		var v any
		if err := cbor.Unmarshal(item, &v); err != nil {
			t.Fatalf("%x: accepted here, not there: %v", item, err)
		}
		again, err := mode.Marshal(v)
		if err != nil || !bytes.Equal(again, item) {
			t.Fatalf("%x became %x, %v", item, again, err)
		}
	})
}

// FuzzRequest: an accepted request is written again and read again as the
// same; with no unknown keys in it, with the same bytes.
func FuzzRequest(f *testing.F) {
	for _, p := range seeds(f) {
		f.Add(p)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := protocol.DecodeRequest(data)
		if err != nil {
			return
		}
		if _, ok := r.Body.(*protocol.Refused); ok {
			return
		}
		again, err := protocol.AppendRequest(nil, r)
		if err != nil {
			t.Fatalf("%x: accepted and not writable: %v", data, err)
		}
		r2, err := protocol.DecodeRequest(again)
		if err != nil || !reflect.DeepEqual(r, r2) {
			t.Fatalf("%+v became %+v, %v", r, r2, err)
		}
		if len(again) >= len(data) && !bytes.Equal(again, data) {
			t.Fatalf("%x became %x", data, again)
		}
	})
}

// FuzzAnswer is FuzzRequest for answers.
func FuzzAnswer(f *testing.F) {
	for _, p := range seeds(f) {
		f.Add(p)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		a, err := protocol.DecodeAnswer(data)
		if err != nil {
			return
		}
		again, err := protocol.AppendAnswer(nil, a)
		if err != nil {
			t.Fatalf("%x: accepted and not writable: %v", data, err)
		}
		a2, err := protocol.DecodeAnswer(again)
		if err != nil || !reflect.DeepEqual(a, a2) {
			t.Fatalf("%+v became %+v, %v", a, a2, err)
		}
		if len(again) >= len(data) && !bytes.Equal(again, data) {
			t.Fatalf("%x became %x", data, again)
		}
	})
}

// FuzzScanner: whatever comes before it, a packet after two delimiters is
// found, and nothing longer than allowed comes out.
func FuzzScanner(f *testing.F) {
	for _, p := range seeds(f) {
		f.Add(protocol.AppendPacket(nil, p), p)
	}
	f.Fuzz(func(t *testing.T, noise, payload []byte) {
		const limit = 600
		if len(payload) == 0 || len(payload) > limit {
			return
		}
		line := protocol.AppendPacket(append(append([]byte(nil), noise...), 0), payload)
		s := protocol.NewScanner(bytes.NewReader(line), limit)
		var last []byte
		for {
			p, err := s.Next()
			if errors.Is(err, protocol.ErrDamaged) {
				continue
			}
			if err == io.EOF {
				break
			}
			if err != nil || len(p) > limit {
				t.Fatalf("%d bytes, %v", len(p), err)
			}
			last = append(last[:0], p...)
		}
		if !bytes.Equal(last, payload) {
			t.Fatalf("after %x: got %x, not %x", noise, last, payload)
		}
	})
}

// FuzzBlock: accepted bytes are written again as they were.
func FuzzBlock(f *testing.F) {
	data, err := exampleBlock().Marshal()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Add(protocol.VoidBlock(nil))
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, fixed := range [][]byte{data, withCRC(data)} {
			b, err := protocol.ParseBlock(fixed)
			if err != nil {
				continue
			}
			again, err := b.Marshal()
			if err != nil || !bytes.Equal(again, fixed) {
				t.Fatalf("%x became %x, %v", fixed, again, err)
			}
		}
	})
}

// withCRC mends length and CRC, so that the fuzzer gets past them.
func withCRC(data []byte) []byte {
	n := len(data)
	if n < 16 {
		return data
	}
	out := append([]byte(nil), data...)
	for i := range 4 {
		out[8+i] = byte(n >> (8 * i))
	}
	crc := protocol.CRC32C(out[:n-4])
	for i := range 4 {
		out[n-4+i] = byte(crc >> (8 * i))
	}
	return out
}
